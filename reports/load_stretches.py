"""Stretches of load, and what clock, power and temperature were after one, five and twenty minutes of each.

What a short run hides shows here: a sink that is not yet warm lets any clock stand.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from .grid import Grid
from .reference_temperature import IDLE_FACTOR
from .window_groups import LOADED_FACTOR

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

BIN_S = 10.0
QUIET_BIN_S = 120.0  # at idle a row stands for a minute
LEAST_COVERAGE = 0.5
LONGEST_DIP_BINS = 3  # a loading screen is part of the work
LEAST_S = 120.0
LOAD_SHARE = 0.3  # of the range between idle and the highest power
# Seconds since the load began: the first minute without its first look, and some minutes around five and
# twenty, which a mean of few readings needs.
MOMENTS_S = {"minute_1": (10.0, 60.0), "after_5_min": (240.0, 360.0), "after_20_min": (1140.0, 1500.0)}
QUANTITIES = ("clock_mhz", "power_w", "temperature_c", "utilization_pct", "memory_utilization_pct")
SHARES = ("thermal_limited_pct", "power_limited_pct")
LEAST_OF_MOMENT = 0.5  # of its bins
MINUTES = 60


def load_stretches(frame: pd.DataFrame) -> pd.DataFrame:
    """Find the stretches of load of a source.

    Parameters
    ----------
    frame
        As `Reader.source_frame` gives it.

    Returns
    -------
    DataFrame
        One row a stretch, index its begin in UTC: ``length_s``; each of `QUANTITIES` at each of `MOMENTS_S`,
        such as ``clock_mhz_after_5_min``; the mean of each of `SHARES`. NaN where the stretch was too short,
        or nothing was had. A gap ends a stretch.
    """
    grid, begins, ends = _stretches(frame)
    lengths_s: Array = np.asarray((ends - begins) * BIN_S, float)
    columns: dict[str, Array] = {"length_s": lengths_s}
    rows = grid.rows(frame.index)
    for name in (*QUANTITIES, *SHARES):
        values = grid.mean(frame[name], rows) if name in frame else np.full(grid.n_bins, np.nan)
        sums = _Sums(values)
        if name in SHARES:
            columns[name] = sums.means(begins, ends)
            continue
        for word, (from_s, to_s) in MOMENTS_S.items():
            first, last = begins + round(from_s / BIN_S), begins + round(to_s / BIN_S)
            mean = sums.means(first, np.minimum(last, ends))
            columns[f"{name}_{word}"] = np.where(lengths_s >= to_s, mean, np.nan)
    index = grid.middles(begins) - pd.Timedelta(seconds=BIN_S / 2)
    return pd.DataFrame(columns, index=pd.DatetimeIndex(index, name="begin_utc"))


def minutes_of_load(frame: pd.DataFrame) -> pd.DataFrame:
    """Mean clock, power and temperature in each of the first sixty minutes of load.

    Returns
    -------
    DataFrame
        Index ``minute``, from 1; ``clock_mhz``, ``power_w``, ``temperature_c``, and in how many stretches the
        minute was seen, ``n``.
    """
    grid, begins, ends = _stretches(frame)
    rows = grid.rows(frame.index)
    bins = round(60.0 / BIN_S)
    sums = {name: _Sums(grid.mean(frame[name], rows)) for name in ("clock_mhz", "power_w", "temperature_c")}
    found = []
    for minute in range(1, MINUTES + 1):
        is_long = begins + minute * bins <= ends
        first = begins[is_long] + (minute - 1) * bins
        means = {name: one.means(first, first + bins) for name, one in sums.items()}
        found.append(
            {"minute": minute, "n": int(is_long.sum())}
            | {
                name: float(np.nanmean(mean)) if np.isfinite(mean).any() else np.nan
                for name, mean in means.items()
            }
        )
    return pd.DataFrame(found).set_index("minute")


def _stretches(frame: pd.DataFrame) -> tuple[Grid, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """The grid, and first bin and end of each stretch on it."""
    grid = Grid.of(frame.index, BIN_S, LEAST_COVERAGE)
    none = np.empty(0, np.int64)
    power_w = frame["power_w"].to_numpy(float)
    known_w = power_w[np.isfinite(power_w)]
    if not len(known_w) or not grid.n_bins:
        return grid, none, none
    by_minutes = Grid.of(frame.index, QUIET_BIN_S)
    idle_w, high_w = by_minutes.idle(by_minutes.mean(frame["power_w"])), float(np.quantile(known_w, 0.98))
    threshold_w = max(LOADED_FACTOR * IDLE_FACTOR * idle_w, idle_w + LOAD_SHARE * (high_w - idle_w))
    is_load = grid.mean(frame["power_w"]) > threshold_w  # a bin without readings is none
    begins, ends = _runs(is_load)
    # Dips are closed by joining the runs on both sides of them.
    is_apart = begins[1:] - ends[:-1] > LONGEST_DIP_BINS
    begins = begins[np.concatenate([[True], is_apart])] if len(begins) else begins
    ends = ends[np.concatenate([is_apart, [True]])] if len(ends) else ends
    is_long = (ends - begins) * BIN_S >= LEAST_S
    return grid, begins[is_long], ends[is_long]


def _runs(flags: Flags) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    edges = np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


class _Sums:
    """Running sums of a series with holes, for means between any two bins."""

    def __init__(self, values: Array) -> None:
        is_had = np.isfinite(values)
        self._sums = np.concatenate([[0.0], np.cumsum(np.where(is_had, values, 0.0))])
        self._counts = np.concatenate([[0], np.cumsum(is_had)])

    def means(self, first: npt.NDArray[np.int64], end: npt.NDArray[np.int64]) -> Array:
        """Mean from each first bin up to, not including, each end; NaN where half of them are missing."""
        last = len(self._counts) - 1
        first, end = np.minimum(first, last), np.minimum(np.maximum(end, first), last)
        count = self._counts[end] - self._counts[first]
        total = self._sums[end] - self._sums[first]
        enough = count >= np.maximum(LEAST_OF_MOMENT * (end - first), 1)
        return np.where(enough, total / np.maximum(count, 1), np.nan)
