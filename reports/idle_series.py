"""Whether a thermometer is off, by the idle machine: against a probe, else against the source beside it.

Weather moves all idle temperatures of a machine alike; a thermometer that goes off moves one of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pandas as pd

from ..store.errors import AnalysisError
from .part_series import APART, IDLE, PartSeries, part_series

ABOVE_AIR = "above the air"
# Series hold logarithms of ratios; a kelvin is written as so much of one.
KELVIN_PER_LOG = 50.0
IN_KELVIN = (IDLE, APART)
LEAST_COMMON_DAYS = 20
NEAR = pd.Timedelta(days=10)
ONSET_ERROR = pd.Timedelta(days=2)  # steps are dated to a day or two
# Days on the wrong side of a step: thermometers that were off had none in 1,100 (simulated, ten machines), a
# fan that turned on some idle days 16 of 100.
ASTRAY = 0.05
DAY_ERROR_K = 0.3  # what idle days of a healthy machine differ by at least, common practice, no source


def idle_series(cells: pd.DataFrame, beside: Iterable[pd.DataFrame]) -> PartSeries:
    """The idle temperature of each day against its baseline.

    Parameters
    ----------
    cells
        Of the source's era.
    beside
        Cells of the other sources of the machine, of the same days.

    Raises
    ------
    AnalysisError
        No probe, and no other source with enough days in common.
    """
    mine = _by_day(cells)
    above_air = mine[mine["workload_class"] == ABOVE_AIR]
    if len(above_air) >= LEAST_COMMON_DAYS:
        level, error = above_air["value"], above_air["standard_error"]
    else:
        level, error = _against_a_neighbour(mine, beside)
    log_error = np.hypot(error.to_numpy(float), DAY_ERROR_K) / KELVIN_PER_LOG
    value = np.exp(level.to_numpy(float) / KELVIN_PER_LOG)
    table = pd.DataFrame(
        {
            "day": level.index,
            "part": IDLE,
            "workload_class": IDLE,
            "value": value,
            "standard_error": value * log_error,
            "n": 1,
        }
    )
    return part_series(table, IDLE)


def idle_by_day(cells: pd.DataFrame) -> pd.Series:
    """The idle temperature as it was read, by day [K]; above the air where a probe tells it."""
    return _by_day(cells)["value"]


def shift_as_read_k(values: pd.Series, onset: pd.Timestamp) -> float:
    """By how much a temperature itself moved about a day, weather and all [K]; 0 where nobody knows.

    Of two sources that moved apart it says which one moved.

    Parameters
    ----------
    values
        By day [K].
    onset
        The day.
    """
    days = pd.to_datetime(np.asarray(values.index, str), utc=True)
    is_before = np.asarray((days < onset) & (days >= onset - NEAR))
    is_after = np.asarray((days > onset) & (days <= onset + NEAR))
    if not is_before.any() or not is_after.any():
        return 0.0
    return float(values[is_after].median() - values[is_before].median())


def is_plain_step(series: PartSeries, onset: pd.Timestamp, change_pct: float) -> bool:
    """Whether days before and after a step are told apart by their idle temperature alone.

    A thermometer that went off stays off. A fan that turns on some idle days and rests on others makes steps
    too, and days on the wrong side of them.

    Parameters
    ----------
    series
        Of the idle temperature.
    onset
        When it stepped.
    change_pct
        By how much, as the detector says it.
    """
    half = math.log1p(change_pct / 100.0) / 2.0
    days = pd.DatetimeIndex(series.rows.index)
    beyond = np.asarray(series.rows["log_ratio"].to_numpy(float) * math.copysign(1.0, half) > abs(half))
    is_before = np.asarray(days < onset - ONSET_ERROR)
    is_after = np.asarray(days > onset + ONSET_ERROR)
    if not is_before.any() or not is_after.any():
        return False
    return float(beyond[is_before].mean()) <= ASTRAY and float((~beyond)[is_after].mean()) <= ASTRAY


def kelvin(change_pct: float) -> float:
    """A change of such a series in kelvin."""
    return KELVIN_PER_LOG * math.log1p(change_pct / 100.0)


def in_its_unit(
    part: str, change_pct: float, ci95_pct: tuple[float, float]
) -> tuple[float, tuple[float, float], str]:
    """Change and interval of a part, with their unit: kelvin for temperatures, else per cent."""
    if part not in IN_KELVIN:
        return change_pct, ci95_pct, "%"
    return kelvin(change_pct), (kelvin(ci95_pct[0]), kelvin(ci95_pct[1])), "K"


def _against_a_neighbour(mine: pd.DataFrame, beside: Iterable[pd.DataFrame]) -> tuple[pd.Series, pd.Series]:
    """Difference to the other source with the most days in common, and its error [K]."""
    best: pd.DataFrame | None = None
    for cells in beside:
        theirs = _by_day(cells)
        both = mine.join(theirs.add_suffix("_beside"), how="inner")
        both = both[both["workload_class"] == both["workload_class_beside"]]
        if best is None or len(both) > len(best):
            best = both
    if best is None or len(best) < LEAST_COMMON_DAYS:
        raise AnalysisError("cannot be known: no probe in the room, and no other source to hold it against")
    difference = best["value"] - best["value_beside"]
    error = np.hypot(best["standard_error"].to_numpy(float), best["standard_error_beside"].to_numpy(float))
    return difference, pd.Series(error, best.index)


def _by_day(cells: pd.DataFrame) -> pd.DataFrame:
    mine = cells[cells["part"] == IDLE]
    mine = mine.astype({"workload_class": str})
    return mine.set_index("day")[["workload_class", "value", "standard_error"]].sort_index()
