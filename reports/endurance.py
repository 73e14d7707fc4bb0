"""Sustained clocks and time held down by heat, before and after, like work with like."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.stats import t as student

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

LEAST_STRETCHES = 4  # on either side
LEAST_FREEDOM = 2  # stretches of like work beyond one of each kind
# How far members of a class of like work may lie apart; common practice, no source.
LIKE_UTILIZATION_PCT, LIKE_MEMORY_PCT = 20.0, 25.0
NO_MEMORY = -100.0  # times that width: far from every reading
UNKNOWN_WORK = -1
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

    Stretches are matched by how busy the source and its memory were (`like_work`): power will not do, because
    a modification may change what a watt is.

    Parameters
    ----------
    before, after
        From `load_stretches`, best with one ``load_w`` for both, so that load means the same on both sides.

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


def like_work(utilization_pct: npt.ArrayLike, memory_utilization_pct: npt.ArrayLike) -> Index:
    """Class of like work of each observation, found in the observations themselves.

    Fixed edges part 59 from 61 %. Here the nearest are joined first, and go on being joined while no two in
    a class lie further apart than `LIKE_UTILIZATION_PCT` or `LIKE_MEMORY_PCT` (complete linkage [1]_):
    classes end where the work leaves gaps, and none is wider than that.

    Parameters
    ----------
    utilization_pct, memory_utilization_pct
        Shape (n,), of all sides that are to be compared together [%].

    Returns
    -------
    array
        Shape (n,): number of the class, `UNKNOWN_WORK` where nobody knows how busy the source was. Without a
        memory of its own it is another class than with an idle one.

    References
    ----------
    .. [1] D. Defays, The Computer Journal 20 (1977) 364.
    """
    # Whole percents: a year of minutes has few of them, and each is placed once.
    busy = np.round(np.asarray(utilization_pct, float)) / LIKE_UTILIZATION_PCT
    memory = np.round(np.asarray(memory_utilization_pct, float)) / LIKE_MEMORY_PCT
    is_known = np.isfinite(busy)
    classes = np.full(len(busy), UNKNOWN_WORK, np.int64)
    if not is_known.any():
        return classes
    points = np.column_stack([busy, np.nan_to_num(memory, nan=NO_MEMORY)])[is_known]
    unique, which = np.unique(points, axis=0, return_inverse=True)
    found = np.ones(1, np.int64)
    if len(unique) > 1:
        tree = linkage(unique, "complete", metric="chebyshev")
        found = fcluster(tree, 1.0, "distance").astype(np.int64)
    classes[is_known] = found[which.ravel()]
    return classes


def _observed(stretches: pd.DataFrame, value: pd.Series, moment: str) -> pd.DataFrame:
    """Values with how busy the source was, as far as there is a value."""
    columns = {
        "value": value,
        "busy": stretches[f"utilization_pct_{moment}"],
        "memory": stretches[f"memory_utilization_pct_{moment}"],
    }
    return pd.DataFrame(columns).dropna(subset="value")


def _compared(before: pd.DataFrame, after: pd.DataFrame, unit: str, moment: str) -> Quantity:
    reason = _too_little(before, after, moment)
    if reason:
        return Quantity(unit, None, None, None, None, reason)
    pooled = pd.concat([before, after], ignore_index=True)
    work = like_work(pooled["busy"], pooled["memory"])
    sides = [
        side.assign(work=classes)[classes != UNKNOWN_WORK]
        for side, classes in zip((before, after), np.split(work, [len(before)]), strict=True)
    ]
    both = sorted(set(sides[0]["work"]) & set(sides[1]["work"]))
    if not both:
        return Quantity(unit, None, None, None, None, "not comparable: no like work on both sides")
    one, two = (side[side["work"].isin(both)] for side in sides)
    n_one, n_two = (side.groupby("work").size().to_numpy(float) for side in (one, two))
    weights = n_one * n_two / (n_one + n_two)
    weights = weights / weights.sum()
    means, variances, freedoms = [], [], []
    for side, n in ((one, n_one), (two, n_two)):
        grouped = side.groupby("work")["value"]
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
            how_long = {"after_5_min": " of 10 min", "after_20_min": " of 25 min"}.get(moment, "")
            n = f"{len(side)} stretch{'' if len(side) == 1 else 'es'}{how_long} {word}"
            return f"{n}, {LEAST_STRETCHES} are needed"
    return ""
