"""Settled windows: stretches in which power, fans and temperature have come to rest.

Time is cut into bins on a fixed grid, so that a day gives the same windows whether it is looked at alone or
within a year. A bin is a settled window where the bins before it had the same power and the same fans, and
the temperature no longer moves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError
from ..store.records import Cadence
from .grid import Grid, earlier

Array = npt.NDArray[np.float64]

KEPT_MEANS = ("memory_utilization_pct", "utilization_pct", "clock_mhz", "thermal_limited_pct")
WHOLE_DEGREE_K = 1.0
LEAST_GRID_READINGS = 8
# Sinks answer within some minutes, the air in a case within some ten.
LATE_S = {"sink": 150.0, "slow": 400.0, "case": 900.0}


@dataclass(frozen=True, slots=True)
class SettledSettings:
    """When a stretch counts as settled.

    Attributes
    ----------
    bin_s
        Length of a window [s].
    n_before
        How many bins before it must have had the same power: some four time constants of a sink.
    n_fans_before
        How many bins before it must have had the same fan speed.
    power_share, power_w
        What the powers of all sources together may differ: a share of their sum, and a power [W].
    fan_share
        What a fan's speed may differ: a share of it.
    slope_k_per_min
        How fast the temperature may still move [K/min]: 1 K in 5 min is one step of a sensor that counts
        whole degrees.
    least_coverage
        Share of a bin for which rows must stand.
    """

    bin_s: float = 120.0
    n_before: int = 3
    n_fans_before: int = 2
    power_share: float = 0.10
    power_w: float = 0.5
    fan_share: float = 0.05
    slope_k_per_min: float = 0.2
    least_coverage: float = 0.75


DEFAULT_SETTINGS = SettledSettings()


def settled_windows(
    frame: pd.DataFrame,
    others: Mapping[str, pd.DataFrame] | None = None,
    fans: Mapping[str, pd.Series] | None = None,
    settings: SettledSettings = DEFAULT_SETTINGS,
    *,
    grid_k: float | None = None,
    idle_w: Mapping[str, float] | None = None,
    beside: Mapping[str, pd.Series] | None = None,
) -> pd.DataFrame:
    """Find the settled windows of one source.

    With ``grid_k`` and ``idle_w`` given, and four hours of rows before it, a day gives what it gives within
    its year.

    Parameters
    ----------
    frame
        Rows of the source, as a `Reader` gives them: UTC index, increasing; ``temperature_c`` [°C],
        ``power_w`` [W] and the means worth keeping; NaN where a value was not had.
    others
        Rows of the other sources of the machine: their power heats this one too.
    fans
        Speed of each fan, UTC index, in any one unit.
    settings
        When a stretch counts as settled.
    grid_k
        Step of the temperature reading [K]; from the readings at hand where None.
    idle_w
        Idle power of the source (under the empty name) and of each other one [W], which stands in where
        nothing was recorded; from the readings at hand where not given.
    beside
        Temperature of other sources [°C], kept as ``temperature_c.<source>``.

    Returns
    -------
    DataFrame
        One row a window, index ``time_utc`` its middle. ``idle_w``, the same in all [W]; ``temperature_c``
        [°C]; ``temperature_error_k``, what the steps of the reading leave open [K]; ``slope_k_per_min``;
        ``power_w``, and ``power_w.<source>`` of each other one [W]; ``late_sink_w`` and ``late_case_w``, with
        ``.<source>`` of each other too: what a lag of `LATE_S` still makes of earlier power beyond the power
        now [W]; ``speed.<fan>``; means of utilisations, clock and share of time held down by heat, NaN where
        they were not had.

    Raises
    ------
    AnalysisError
        The source shows no temperature or no power.
    """
    for column, word in (("temperature_c", "temperature"), ("power_w", "power")):
        if column not in frame or not frame[column].notna().any():
            raise AnalysisError(
                f"not identifiable: the source shows no {word}", remedy="see `heatdrift sensors`"
            )
    grid = Grid.of(frame.index, settings.bin_s, settings.least_coverage)
    rows = grid.rows(frame.index)
    temperature_c, sd_k = grid.mean_and_sd(frame["temperature_c"], rows)
    powers = {"power_w": grid.mean(frame["power_w"], rows)}
    for name, other in (others or {}).items():
        powers[f"power_w.{name}"] = grid.mean(other["power_w"])
    late = {
        f"late_{word}_w{name.removeprefix('power_w')}": grid.lagged(power, lag_s, fill_w) - power
        for name, power in powers.items()
        for fill_w in [(idle_w or {}).get(name.removeprefix("power_w").removeprefix("."))]
        for word, lag_s in LATE_S.items()
    }
    speeds = {f"speed.{name}": grid.mean(speed) for name, speed in (fans or {}).items()}
    slope_k_per_min = (temperature_c - earlier(temperature_c, 1)) / (settings.bin_s / 60.0)
    is_settled = (
        _is_power_steady(list(powers.values()), settings)
        & _are_fans_steady(list(speeds.values()), settings)
        & (np.abs(slope_k_per_min) <= settings.slope_k_per_min)
    )
    own_idle_w = (idle_w or {}).get("")
    columns = {
        "idle_w": np.full(grid.n_bins, grid.idle(powers["power_w"]) if own_idle_w is None else own_idle_w),
        "temperature_c": temperature_c,
        "temperature_error_k": reading_error_k(sd_k, reading_grid_k(frame) if grid_k is None else grid_k),
        "slope_k_per_min": slope_k_per_min,
        **{f"temperature_c.{name}": grid.mean(one) for name, one in (beside or {}).items()},
        **powers,
        **late,
        **speeds,
        **{name: grid.mean(frame[name], rows) for name in KEPT_MEANS if name in frame},
    }
    kept = np.flatnonzero(is_settled)
    return pd.DataFrame({name: values[kept] for name, values in columns.items()}, index=grid.middles(kept))


def reading_grid_k(frame: pd.DataFrame) -> float:
    """Step of the temperature reading [K], from single looks; a whole degree where there are too few."""
    readings = frame["temperature_c"]
    if "cadence" in frame:
        readings = readings[frame["cadence"] == Cadence.STEP]
    known = np.unique(np.round(readings.dropna().to_numpy(float) * 1000)).astype(np.int64)
    if len(known) < LEAST_GRID_READINGS:
        return WHOLE_DEGREE_K
    return min(float(np.gcd.reduce(np.diff(known))) / 1000.0, WHOLE_DEGREE_K)


def reading_error_k(sd_k: Array, grid_k: float) -> Array:
    """What the steps of a reading leave open in its mean [K].

    A reading that moves across its steps averages them away: their error falls with the movement as
    exp(-2 pi^2 sd^2 / grid^2) [1]_. A reading at rest is anywhere within its step.

    References
    ----------
    .. [1] B. Widrow, I. Kollar, Quantization Noise, Cambridge 2008, chapter on dither.
    """
    at_rest = grid_k / math.sqrt(12.0)
    moved_sd2 = np.maximum(np.square(sd_k) - at_rest**2, 0.0)
    left = grid_k / (math.pi * math.sqrt(2.0)) * np.exp(-2.0 * math.pi**2 * moved_sd2 / grid_k**2)
    error: Array = np.where(moved_sd2 > 0.0, left, at_rest)
    return error


def _is_power_steady(powers: list[Array], settings: SettledSettings) -> npt.NDArray[np.bool_]:
    allowed_w = settings.power_share * np.sum(powers, axis=0) + settings.power_w
    is_steady: npt.NDArray[np.bool_] = np.isfinite(allowed_w)
    for n_bins in range(1, settings.n_before + 1):
        moved_w = np.sum([np.abs(power - earlier(power, n_bins)) for power in powers], axis=0)
        is_steady &= moved_w <= allowed_w
    return is_steady


def _are_fans_steady(speeds: list[Array], settings: SettledSettings) -> npt.NDArray[np.bool_] | bool:
    is_steady: npt.NDArray[np.bool_] | bool = True
    for speed in speeds:
        for n_bins in range(1, settings.n_fans_before + 1):
            is_steady = is_steady & (
                np.abs(speed - earlier(speed, n_bins)) <= settings.fan_share * np.abs(speed)
            )
    return is_steady
