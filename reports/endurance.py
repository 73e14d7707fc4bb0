"""Sustained clocks and time held down by heat, before and after, like work with like."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.special import stdtrit

from .regression import fit_huber

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

LEAST_STRETCHES = 4  # on either side; of days where those are what is independent
LEAST_FREEDOM = 2  # stretches of like work beyond one of each kind
# How far members of a class of like work may lie apart; common practice, no source.
LIKE_UTILIZATION_PCT, LIKE_MEMORY_PCT = 20.0, 25.0
GRAIN_PCT = 2.5  # works this near are one point: a year of minutes has few of them
NO_MEMORY = -100.0  # times that width: far from every reading
UNKNOWN_WORK = -1
# Variance that reading whole degrees may add to a temperature: it flattens a slope by no more than its share
# of the temperature's own variance, 8 % at a standard deviation of 1 K.
WHOLE_DEGREE_K2 = 1.0 / 12.0
EMPTY = 1e-9  # what subtraction leaves of a sum that is 0
MOMENTS = {"clock after 5 min": "after_5_min", "clock after 20 min": "after_20_min"}
HELD_DOWN = "time held down by heat"


@dataclass(frozen=True, slots=True)
class Measured:
    """A number with its uncertainty; None where ``reason`` says why it cannot be known.

    Attributes
    ----------
    standard_error, ci95
        In the unit of the value; None for a single stretch, whose scatter nobody knows.
    n_stretches
        Stretches of load that it stands on.
    """

    value: float | None
    standard_error: float | None
    ci95: tuple[float, float] | None
    n_stretches: int
    reason: str = ""


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


def like_work(
    utilization_pct: npt.ArrayLike, memory_utilization_pct: npt.ArrayLike, width: float = 1.0
) -> Index:
    """Class of like work of each observation, found in the observations themselves.

    Fixed edges part 59 from 61 %. Here the nearest are joined first, and go on being joined while no two in
    a class lie further apart than `LIKE_UTILIZATION_PCT` or `LIKE_MEMORY_PCT` (complete linkage [1]_):
    classes end where the work leaves gaps, and none is wider than that.

    Parameters
    ----------
    utilization_pct, memory_utilization_pct
        Shape (n,), of all sides that are to be compared together [%].
    width
        How wide a class may be, of those limits: where there is plenty, less is more alike.

    Returns
    -------
    array
        Shape (n,): number of the class, `UNKNOWN_WORK` where nobody knows how busy the source was. Without a
        memory of its own it is another class than with an idle one.

    References
    ----------
    .. [1] D. Defays, The Computer Journal 20 (1977) 364.
    """
    busy, memory = (
        np.round(np.asarray(values, float) / GRAIN_PCT) * GRAIN_PCT / limit_pct
        for values, limit_pct in (
            (utilization_pct, LIKE_UTILIZATION_PCT),
            (memory_utilization_pct, LIKE_MEMORY_PCT),
        )
    )
    is_known = np.isfinite(busy)
    classes = np.full(len(busy), UNKNOWN_WORK, np.int64)
    if not is_known.any():
        return classes
    points = np.column_stack([busy, np.nan_to_num(memory, nan=NO_MEMORY)])[is_known]
    unique, which = np.unique(points, axis=0, return_inverse=True)
    found = np.ones(1, np.int64)
    if len(unique) > 1:
        tree = linkage(unique, "complete", metric="chebyshev")
        found = fcluster(tree, width - GRAIN_PCT / LIKE_UTILIZATION_PCT, "distance").astype(np.int64)
    classes[is_known] = found[which.ravel()]
    return classes


def mean_of(values: Array, wanted: str) -> Measured:
    """Mean of what stretches said, with Student's interval."""
    known = values[np.isfinite(values)]
    n = len(known)
    if not n:
        return Measured(None, None, None, 0, f"cannot be known: no {wanted}")
    mean = float(known.mean())
    if n == 1:
        return Measured(mean, None, None, 1, "one stretch alone tells nothing of its own scatter")
    error = float(known.std(ddof=1)) / math.sqrt(n)
    return Measured(mean, error, _interval(mean, error, n - 1), n)


def _interval(value: float, error: float, freedom: int) -> tuple[float, float]:
    half = float(stdtrit(freedom, 0.975)) * error
    return value - half, value + half


def slope_alike(observed: pd.DataFrame, least_sd_k: float, name: str, draw: str, when: str = "") -> Measured:
    """Clock per kelvin among what is alike, with its error from leaving out one independent draw at a time.

    The delete-one-group jackknife holds where the minutes of a stretch resemble each other [1]_.

    Parameters
    ----------
    observed
        No NaN: ``x_c``, ``clock_mhz``; ``alike``, which rows may be compared, `UNKNOWN_WORK` for none;
        ``stretch``; ``draw``, which rows are not independent.
    least_sd_k
        What the temperature must vary by [K].
    name, draw, when
        Of the temperature and of a draw, and under what condition, for people.

    References
    ----------
    .. [1] A. C. Cameron, D. L. Miller, Journal of Human Resources 50 (2015) 317, section VI.B (CV3).
    .. [2] P. J. Huber, Robust Statistics, Wiley 1981, section 7.6.
    """
    n_all = observed["stretch"].nunique()
    observed = observed[observed["alike"] != UNKNOWN_WORK]
    n = observed["stretch"].nunique()
    if n_all and not n:
        return Measured(None, None, None, 0, "not comparable: nobody knows how busy the source was")
    if (n_draws := observed["draw"].nunique()) < LEAST_STRETCHES:
        counted = f"{n_draws} {draw}{'' if n_draws == 1 else 's'} of usable load"
        return Measured(None, None, None, n, f"not identifiable: {counted}, {LEAST_STRETCHES} are needed")
    x, y = (observed[column].to_numpy(float) for column in ("x_c", "clock_mhz"))
    groups, draws = (np.unique(observed[column], return_inverse=True)[1] for column in ("alike", "draw"))
    sizes = np.bincount(groups)
    x_away, y_away = (values - (np.bincount(groups, values) / sizes)[groups] for values in (x, y))
    sd_k = math.sqrt(float(x_away @ x_away) / max(len(x) - len(sizes), 1))
    if sd_k < least_sd_k:
        varies = f"{when}{name} hardly varies at like work ({sd_k:.1f} K, {least_sd_k:g} K are needed)"
        return Measured(None, None, None, n, f"not identifiable: {varies}")
    weights = fit_huber(x_away, y_away).weights
    shape = (len(sizes), n_draws)
    cells = [
        np.bincount(groups * n_draws + draws, weights * values, math.prod(shape)).reshape(shape)
        for values in (np.ones(len(x)), x_away, y_away, x_away * x_away, x_away * y_away)
    ]
    slope = float(_within([cell.sum(axis=1, keepdims=True) for cell in cells])[0])
    without = _within([cell.sum(axis=1, keepdims=True) - cell for cell in cells])
    if not np.isfinite(without).all():
        return Measured(None, None, None, n, f"not identifiable: one {draw} alone tells of {name}")
    variance = (n_draws - 1) / n_draws * float(np.sum((without - slope) ** 2))
    # Beyond the threshold a row has no slope in the influence function: held weights say too little [2]_.
    squares = x_away * x_away
    variance *= float(weights @ squares / max(float((weights >= 1.0) @ squares), EMPTY)) ** 2
    error = math.hypot(math.sqrt(variance), slope * WHOLE_DEGREE_K2 / sd_k**2)
    low, high = _interval(slope, error, n_draws - 1)
    if high >= 0.0:
        told = f"{slope:+.2f} MHz/K, 95 % interval {low:+.2f} to {high:+.2f}"
        reason = f"the clock does not surely fall with {name} ({told})"
        limited = when or "not seen to be limited by heat: "
        return Measured(None, None, None, n, limited + reason)
    return Measured(slope, error, (low, high), n)


def _within(sums: list[Array]) -> Array:
    """Slope within groups, from sums of weights, x, y, x² and xy; shape (n_groups, n) each, gives (n,)."""
    count, x, y, xx, xy = sums
    is_empty = count < EMPTY
    count = np.where(is_empty, np.inf, count)
    squares = np.where(is_empty, 0.0, xx - x * x / count).sum(axis=0)
    products = np.where(is_empty, 0.0, xy - x * y / count).sum(axis=0)
    return np.asarray(np.where(squares > EMPTY, products / np.maximum(squares, EMPTY), np.nan), float)


def _clock(stretches: pd.DataFrame, moment: str) -> pd.DataFrame:
    return _observed(stretches, stretches[f"clock_mhz_{moment}"], moment)


def _share(stretches: pd.DataFrame) -> pd.DataFrame:
    return _observed(stretches, stretches["thermal_limited_pct"], "minute_1")


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
        half = float(stdtrit(degrees, 0.975)) * math.sqrt(variance)
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
