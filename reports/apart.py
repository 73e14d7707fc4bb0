"""How far two thermometers on one sink stand apart at like powers.

Room, fan, dust and season move both dies alike; what each die lies above the common sink goes with its power
alone. So their difference, with what the powers make of it taken off, stays within a tenth of a kelvin for
months, and shows a thermometer that went off where nothing tells the temperature of the air.

    difference = offset + own P_own + beside P_beside + late heat + memory load
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError
from .grid import moments_ms
from .idle_series import KELVIN_PER_LOG
from .part_series import APART, PartSeries, part_series
from .regression import fit_huber
from .window_groups import usual_memory_pct

Array = npt.NDArray[np.float64]

LEAST_WINDOWS, LEAST_WINDOWS_A_DAY = 60, 3
MOST_WITNESSES = 8  # windows of one day share what the model leaves out
DAY_ERROR_K = 0.15  # simulated laptops: days of one machine scattered by 0.03 to 0.15 K, few by more
LEAST_DAYS = 20
ITSELF = "itself"  # the temperature by its own powers, weather and all: of two it says which one moved


@dataclass(frozen=True, slots=True)
class ApartModel:
    """What the powers make of the difference of two thermometers, and of the source's own temperature.

    Attributes
    ----------
    beside
        The other source.
    difference, itself
        Coefficient of each column of `_columns`.
    memory_pct
        About which busy memory counts; NaN where it does not.
    usual_w
        Mean power of the source in the windows that it was learned from [W].
    is_above_air
        Whether the own temperature is held against a probe's.
    """

    beside: str
    difference: tuple[float, ...]
    itself: tuple[float, ...]
    memory_pct: float
    usual_w: float
    is_above_air: bool

    @property
    def own_k_per_w(self) -> float:
        """By how much a watt of the source moves them apart."""
        return self.difference[1]

    @classmethod
    def of_document(cls, document: dict[str, Any]) -> ApartModel:
        """What `asdict` made, through JSON."""
        memory_pct = document["memory_pct"]
        return cls(
            document["beside"],
            tuple(document["difference"]),
            tuple(document["itself"]),
            math.nan if memory_pct is None else memory_pct,
            document["usual_w"],
            document["is_above_air"],
        )


def learn_apart(windows: pd.DataFrame, beside: str) -> ApartModel | None:
    """Learn it from the first weeks of an era; None where the windows do not allow it.

    Parameters
    ----------
    windows
        As `settled_windows` gives them, with the temperatures of the other sources; ``reference_c`` where a
        probe tells the air [°C].
    beside
        The other source.
    """
    is_above_air = "reference_c" in windows
    known = _with_both(windows, beside)
    if is_above_air:
        known = known[known["reference_c"].notna()]
    if len(known) < LEAST_WINDOWS:
        return None
    memory_pct = usual_memory_pct(known)
    columns = _columns(known, beside, memory_pct)
    try:
        difference = fit_huber(columns, _apart_k(known, beside)).coefficients
        itself = fit_huber(columns, _itself_c(known, is_above_air)).coefficients
    except AnalysisError:  # powers that never move, or always together
        return None
    return ApartModel(
        beside,
        tuple(float(value) for value in difference),
        tuple(float(value) for value in itself),
        memory_pct,
        float(known["power_w"].mean()),
        is_above_air,
    )


def apart_cells(models: Iterable[ApartModel], windows: pd.DataFrame) -> pd.DataFrame:
    """What is left of the difference on each day, and of the source's own temperature.

    Parameters
    ----------
    models
        One for each other source on the sink.
    windows
        Of whole days, as `learn_apart` takes them.

    Returns
    -------
    DataFrame
        ``day``, ``part`` (`APART`), ``workload_class`` (the other source; `ITSELF` after its name for the own
        temperature), ``value`` and ``standard_error`` [K], ``n``, ``interface_share`` (NaN).
    """
    made = []
    for model in models:
        known = _with_both(windows, model.beside)
        if not len(known):
            continue
        columns = _columns(known, model.beside, model.memory_pct)
        left_k = _apart_k(known, model.beside) - columns @ np.array(model.difference)
        own_k = _itself_c(known, model.is_above_air) - columns @ np.array(model.itself)
        made.append(_days(known.index, left_k, model.beside))
        made.append(_days(known.index, own_k, f"{model.beside} {ITSELF}"))
    return pd.concat(made, ignore_index=True) if made else pd.DataFrame()


def apart_series(cells: pd.DataFrame, worked_on: Mapping[str, str]) -> PartSeries:
    """The difference to the other source with the most days, each day against the baseline.

    Parameters
    ----------
    cells
        Of the source's era.
    worked_on
        Day on which each other source was last worked on (``2026-03-03``): what was before is another
        difference.

    Raises
    ------
    AnalysisError
        No other source sits on the sink, or too few days know both.
    """
    mine = cells[(cells["part"] == APART) & ~_is_itself(cells)].astype({"workload_class": str})
    by_other = [
        days[days["day"] > worked_on.get(str(name), "")] for name, days in mine.groupby("workload_class")
    ]
    best = max(by_other, key=len, default=mine)
    if len(best) < LEAST_DAYS:
        raise AnalysisError("cannot be known: no other source on its sink was seen with it on enough days")
    value = np.exp(best["value"].to_numpy(float) / KELVIN_PER_LOG)
    error_k = np.hypot(best["standard_error"].to_numpy(float), DAY_ERROR_K)
    table = best.assign(
        workload_class=APART, value=value, standard_error=value * error_k / KELVIN_PER_LOG, n=1
    )
    return part_series(table.sort_values("day"), APART)


def itself_by_day(cells: pd.DataFrame) -> pd.Series:
    """The source's own temperature at like powers, by day [K]; weather is in it where no probe is."""
    mine = cells[(cells["part"] == APART) & _is_itself(cells)]
    return mine.groupby("day", observed=True)["value"].mean().sort_index()


def _is_itself(cells: pd.DataFrame) -> npt.NDArray[np.bool_]:
    return cells["workload_class"].astype(str).str.endswith(f" {ITSELF}").to_numpy(bool)


def _with_both(windows: pd.DataFrame, beside: str) -> pd.DataFrame:
    """The windows in which the other source was read as well."""
    if f"temperature_c.{beside}" not in windows or f"power_w.{beside}" not in windows:
        return windows.iloc[:0]
    return windows[windows[f"temperature_c.{beside}"].notna()]


def _apart_k(windows: pd.DataFrame, beside: str) -> Array:
    return np.asarray(windows["temperature_c"] - windows[f"temperature_c.{beside}"], float)


def _itself_c(windows: pd.DataFrame, is_above_air: bool) -> Array:
    temperature_c = windows["temperature_c"]
    own: pd.Series = temperature_c - windows["reference_c"] if is_above_air else temperature_c
    return own.to_numpy(float)


def _columns(windows: pd.DataFrame, beside: str, memory_pct: float) -> Array:
    names = ("power_w", f"power_w.{beside}", "late_sink_w", f"late_sink_w.{beside}")
    columns = [np.ones(len(windows)), *(windows[name].to_numpy(float) for name in names)]
    if math.isfinite(memory_pct):
        away_pct = windows["memory_utilization_pct"].fillna(memory_pct).to_numpy(float) - memory_pct
        columns.append(away_pct / 100.0 * columns[1])
    return np.column_stack(columns)


def _days(index: pd.Index, left_k: Array, name: str) -> pd.DataFrame:
    is_known = np.isfinite(left_k)
    moments = moments_ms(index)[is_known].astype("datetime64[ms]")
    grouped = pd.Series(left_k[is_known]).groupby(np.datetime_as_string(moments, unit="D"))
    size = grouped.size()
    is_enough = (size >= LEAST_WINDOWS_A_DAY).to_numpy(bool)
    error_k: pd.Series = grouped.std(ddof=0) / np.sqrt(np.minimum(size, MOST_WITNESSES))
    return pd.DataFrame(
        {
            "day": size.index[is_enough],
            "part": APART,
            "workload_class": name,
            "value": grouped.mean()[is_enough].to_numpy(float),
            "standard_error": np.hypot(error_k[is_enough].to_numpy(float), 0.01),
            "n": size[is_enough].to_numpy(int),
            "interface_share": np.nan,
        }
    )
