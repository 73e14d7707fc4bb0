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
LEAST_FREEDOM = 2  # stretches of like work beyond one of each kind
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
    """Values with their class of work; a stretch of which nobody knows how busy it was is left out."""
    busy = np.floor(stretches[f"utilization_pct_{moment}"] / UTILIZATION_BIN_PCT)
    # A processor has no memory of its own to be busy with: that is a class, not an absence.
    memory = np.floor(stretches[f"memory_utilization_pct_{moment}"].fillna(-1.0) / MEMORY_BIN_PCT)
    return pd.DataFrame({"value": value, "busy": busy, "memory": memory}).dropna(subset="value")


def _compared(before: pd.DataFrame, after: pd.DataFrame, unit: str, moment: str) -> Quantity:
    reason = _too_little(before, after, moment)
    if reason:
        return Quantity(unit, None, None, None, None, reason)
    keys = ["busy", "memory"]
    both = before[keys].drop_duplicates().merge(after[keys].drop_duplicates(), on=keys)
    one, two = (side.dropna().merge(both, on=keys) for side in (before, after))
    counts = pd.DataFrame({"one": one.groupby(keys).size(), "two": two.groupby(keys).size()})
    if not len(counts):
        return Quantity(unit, None, None, None, None, "not comparable: no like work on both sides")
    n_one, n_two = (counts[name].to_numpy(float) for name in ("one", "two"))
    weights = n_one * n_two / (n_one + n_two)
    weights = weights / weights.sum()
    means, variances, freedoms = [], [], []
    for side, n in ((one, n_one), (two, n_two)):
        grouped = side.groupby(keys)["value"]
        away = (side["value"] - grouped.transform("mean")).to_numpy(float)
        freedom = len(side) - len(n)
        if freedom < LEAST_FREEDOM:
            return Quantity(unit, None, None, None, None, "not comparable: too little like work on one side")
        means.append(float(weights @ grouped.mean().to_numpy(float)))
        variances.append(float(np.sum(away**2)) / freedom * float(np.sum(weights**2 / n)))
        freedoms.append(freedom)
    change, variance = means[1] - means[0], sum(variances)
    half = 0.0
    if variance > 0.0:  # degrees of freedom after Welch and Satterthwaite
        degrees = variance**2 / sum(v**2 / f for v, f in zip(variances, freedoms, strict=True))
        half = float(student.ppf(0.975, degrees)) * math.sqrt(variance)
    scale = 100.0 / means[0] if unit == "MHz" else 1.0
    ends = (change - half) * scale, (change + half) * scale
    return Quantity(unit, means[0], means[1], change * scale, ends)


def _too_little(before: pd.DataFrame, after: pd.DataFrame, moment: str) -> str:
    """Why there is nothing to compare; empty where there may be."""
    for side, word in ((before, "before"), (after, "after")):
        if not len(side):
            return f"cannot be known: nothing was recorded {word}"
        if not side["busy"].notna().any():
            return f"not comparable: nobody knows how busy the source was {word}"
        if len(side) < LEAST_STRETCHES:
            how_long = {"after_5_min": " of 6 min", "after_20_min": " of 25 min"}.get(moment, "")
            n = f"{len(side)} stretch{'' if len(side) == 1 else 'es'}{how_long} {word}"
            return f"{n}, {LEAST_STRETCHES} are needed"
    return ""
