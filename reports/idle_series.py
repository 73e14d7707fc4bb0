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
