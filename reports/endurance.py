"""Sustained clocks and time held down by heat, before and after, like work with like."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import t as student

Array = npt.NDArray[np.float64]

LEAST_STRETCHES = 4  # on either side
UTILIZATION_BIN_PCT, MEMORY_BIN_PCT = 20.0, 25.0
MOMENTS = {"clock after 5 min": "after_5_min", "clock after 20 min": "after_20_min"}
HELD_DOWN = "time held down by heat"


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity before and after, in its unit; None where ``reason`` says why.

    Attributes
    ----------
    change, ci95
        In % of before where the unit is MHz, in points where it is %.
    """

    unit: str
    before: float | None
    after: float | None
    change: float | None
    ci95: tuple[float, float] | None
    reason: str = ""


def compare_sustained(before: pd.DataFrame, after: pd.DataFrame) -> dict[str, Quantity]:
    """Compare what was sustained before and after.

    Stretches are matched by how busy the source and its memory were: power will not do, because a
    modification may change what a watt is.

    Parameters
    ----------
    before, after
        From `load_stretches`.

    Returns
    -------
    dict
        By name: the clocks after 5 and 20 minutes of load, and the share of time held down by heat.
    """
    found = {
        name: _compared(_clock(before, moment), _clock(after, moment), "MHz", moment)
        for name, moment in MOMENTS.items()
    }
    found[HELD_DOWN] = _compared(_share(before), _share(after), "%", "minute_1")
    return found


def _clock(stretches: pd.DataFrame, moment: str) -> pd.DataFrame:
    return _observed(stretches, stretches[f"clock_mhz_{moment}"], moment)


def _share(stretches: pd.DataFrame) -> pd.DataFrame:
    return _observed(stretches, stretches["thermal_limited_pct"], "minute_1")


def _observed(stretches: pd.DataFrame, value: pd.Series, moment: str) -> pd.DataFrame:
    busy = np.floor(stretches[f"utilization_pct_{moment}"].fillna(-1.0) / UTILIZATION_BIN_PCT)
    memory = np.floor(stretches[f"memory_utilization_pct_{moment}"].fillna(-1.0) / MEMORY_BIN_PCT)
    return pd.DataFrame({"value": value, "busy": busy, "memory": memory}).dropna()


def _compared(before: pd.DataFrame, after: pd.DataFrame, unit: str, moment: str) -> Quantity:
    for side, word in ((before, "before"), (after, "after")):
        if not len(side):
            return Quantity(unit, None, None, None, None, f"cannot be known: nothing was recorded {word}")
        if len(side) < LEAST_STRETCHES:
            how_long = {"after_5_min": " of 6 min", "after_20_min": " of 25 min"}.get(moment, "")
            n = f"{len(side)} stretch{'' if len(side) == 1 else 'es'}{how_long} {word}"
            return Quantity(unit, None, None, None, None, f"{n}, {LEAST_STRETCHES} are needed")
    of_before, of_after = (side.groupby(["busy", "memory"])["value"] for side in (before, after))
    classes = pd.DataFrame(
        {
            "n_before": of_before.size(),
            "before": of_before.mean(),
            "n_after": of_after.size(),
            "after": of_after.mean(),
        }
    ).dropna()
    if not len(classes):
        return Quantity(unit, None, None, None, None, "not comparable: no like work on both sides")
    weights = (
        classes["n_before"] * classes["n_after"] / (classes["n_before"] + classes["n_after"])
    ).to_numpy(float)
    weights = weights / weights.sum()
    variance, degrees = 0.0, 0.0
    for side, name in ((before, "before"), (after, "after")):
        own, freedom = _pooled_variance(side)
        variance += own * float(np.sum(weights**2 / classes[f"n_{name}"].to_numpy(float)))
        degrees += freedom
    if degrees < 1.0:
        return Quantity(unit, None, None, None, None, "not comparable: no work was seen twice on one side")
    mean_before, mean_after = (float(weights @ classes[name].to_numpy(float)) for name in ("before", "after"))
    half = float(student.ppf(0.975, degrees)) * math.sqrt(variance)
    scale = 100.0 / mean_before if unit == "MHz" else 1.0
    change = (mean_after - mean_before) * scale
    return Quantity(unit, mean_before, mean_after, change, (change - half * scale, change + half * scale))


def _pooled_variance(side: pd.DataFrame) -> tuple[float, float]:
    """Variance between stretches of like work, and its degrees of freedom."""
    grouped = side.groupby(["busy", "memory"])["value"]
    away = (side["value"] - grouped.transform("mean")).to_numpy(float)
    freedom = float(len(side) - grouped.ngroups)
    return (float(np.sum(away**2)) / freedom if freedom else 0.0), freedom
