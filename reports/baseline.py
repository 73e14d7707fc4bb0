"""What healthy was: the first settled stretch of an era, and every day as a ratio to it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import TooFewWindowsError
from .day_levels import DayLevels

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

LEAST_DAYS = 10
MOST_DAYS = 14
# Compound wets in within hours and settles within days: a fall at the beginning is no news. A rise is never
# left out, because a compound that pumps out may do so from its first day.
RUN_IN_DAYS = 1
LONGEST_RUN_IN_DAYS = 21
FALL_IN_ERRORS = 2.5  # slope over its standard error that counts as falling
# Beyond such a standard error a number would say nothing. Where classes never met, already a fifth of it is
# too much: it then is a guess about classes, no measurement.
NOT_COMPARABLE, NOT_COMPARABLE_UNMET = 0.10, 0.02
USELESS = 1.0  # standard error of a logarithm
UNMET = 0.5  # share of what was not known beforehand that is still not known
# Work of one class is not all alike either: after a change of tasks the interface part of healthy simulated
# machines stood off by 2 to 4 %, in classes that they had had before.
WITHIN_CLASS_SD = 0.02
NORMAL_95 = 1.959964
LEAST_PCT = -99.0


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """The healthy stretch of an era.

    Attributes
    ----------
    is_in
        Which days of the levels, shape (n_days,).
    from_day, to_day
        First and last of them.
    log_value, standard_error
        Mean level and its standard error, common to all ratios to it.
    """

    is_in: Flags
    from_day: pd.Timestamp
    to_day: pd.Timestamp
    log_value: float
    standard_error: float


def choose_baseline(levels: DayLevels, *, has_run_in: bool) -> Baseline:
    """The first ten to fourteen days with data after the run-in, none of them needs to follow another.

    Parameters
    ----------
    levels
        Of one era.
    has_run_in
        Whether the era began with something that wets in or settles.

    Raises
    ------
    TooFewWindowsError
        Too few days yet.
    """
    days = levels.days
    age_days = (days - days[0]) / pd.Timedelta(days=1)
    first = int(np.searchsorted(age_days, RUN_IN_DAYS)) if has_run_in and len(days) > LEAST_DAYS else 0
    while (
        has_run_in
        and len(days) - first > LEAST_DAYS
        and age_days[first] < LONGEST_RUN_IN_DAYS
        and _falls(levels, slice(first, first + MOST_DAYS))
    ):
        first += 1
    chosen = np.zeros(len(days), bool)
    chosen[first : first + MOST_DAYS] = True
    n_days = int(chosen.sum())
    if n_days < LEAST_DAYS:
        lacking = LEAST_DAYS - n_days
        raise TooFewWindowsError(
            f"the baseline needs {lacking} more day{'' if lacking == 1 else 's'} with load",
            remedy="go on recording",
        )
    value, weights = levels.mean(chosen)
    error = math.sqrt(float(np.sum((weights * levels.standard_error) ** 2)))
    picked = days[chosen]
    return Baseline(chosen, picked[0], picked[-1], value, error)


def ratios(levels: DayLevels, baseline: Baseline) -> pd.DataFrame:
    """Every day as a ratio to the baseline.

    Returns
    -------
    DataFrame
        Index ``day``; ``log_ratio``, ``standard_error`` of the day alone, which leaves out what days of one
        class share (see `class_errors`), and ``n``.
    """
    return pd.DataFrame(
        {
            "log_ratio": levels.level - baseline.log_value,
            "standard_error": levels.standard_error,
            "n": levels.n,
        },
        index=levels.days,
    )


@dataclass(frozen=True, slots=True, eq=False)
class ClassErrors:
    """What is not known of the classes of work, and how the days of a series hold them.

    Attributes
    ----------
    covariance
        Of the classes' effects, shape (n_classes, n_classes).
    mixtures
        By how much more of each class a day holds than the baseline, shape (n_days, n_classes).
    """

    covariance: Array
    mixtures: Array

    def of(self, chosen: Flags | slice) -> ClassErrors:
        """The same for some of the days."""
        return ClassErrors(self.covariance, self.mixtures[chosen])

    def standard_error(self, weights: Array) -> float:
        """What the classes leave open in a weighted mean of the days against the baseline."""
        mixture = weights @ self.mixtures
        return math.sqrt(max(float(mixture @ self.covariance @ mixture), 0.0))

    def stretched(self, factors: Array) -> ClassErrors:
        """The same for days whose values were multiplied."""
        return ClassErrors(self.covariance, self.mixtures * factors[:, None])


def class_errors(levels: DayLevels, baseline: Baseline) -> ClassErrors:
    """What days of one class share against the baseline, for every day of the levels."""
    _, of_baseline = levels.mean(baseline.is_in)
    within = WITHIN_CLASS_SD**2 * np.eye(len(levels.classes))
    return ClassErrors(levels.effects_covariance + within, levels.shares - of_baseline @ levels.shares)


@dataclass(frozen=True, slots=True)
class Change:
    """Change from some days to others [%] with its 95 % interval; None where it cannot be known."""

    pct: float | None
    ci95_pct: tuple[float, float] | None
    reason: str = ""


def log_of_pct(pct: float) -> float:
    """A change in per cent as a logarithm; an interval may reach further down than anything can fall."""
    return math.log1p(max(pct, LEAST_PCT) / 100.0)


def log_with_error(pct: float, ci95_pct: tuple[float, float]) -> tuple[float, float]:
    """A change in per cent with its 95 % interval as a logarithm and its standard error."""
    low, high = (log_of_pct(end) for end in ci95_pct)
    return log_of_pct(pct), (high - low) / (2.0 * NORMAL_95)


def change_of_log(log_ratio: float, error: float) -> Change:
    """A logarithm of a ratio and its standard error as a change with its interval."""
    low, high = (100.0 * math.expm1(log_ratio + side * NORMAL_95 * error) for side in (-1, 1))
    return Change(100.0 * math.expm1(log_ratio), (low, high))


def change_or_reason(log_ratio: float, error: float) -> Change:
    """As `change_of_log`, but nothing where the error is as large as any change could be."""
    if error > USELESS:
        return Change(None, None, "cannot be known: its error is as large as itself")
    return change_of_log(log_ratio, error)


def change(levels: DayLevels, earlier: Flags, later: Flags, extra_relative_error: float = 0.0) -> Change:
    """Change between two sets of days, like with like.

    Parameters
    ----------
    earlier, later
        Which days.
    extra_relative_error
        Of the ratio, beyond what the levels know: of a power scale that changed between them, say.
    """
    for chosen, word in ((earlier, "before"), (later, "after")):
        if not chosen.any():
            return Change(None, None, f"not comparable: no day with usable load {word}")
    log_ratio, error = levels.difference(earlier, later)
    _, of_earlier = levels.mean(earlier)
    _, of_later = levels.mean(later)
    contrast = of_later - of_earlier
    limit = NOT_COMPARABLE_UNMET if levels.unlearned_share(contrast) > UNMET else NOT_COMPARABLE
    if math.sqrt(levels.shared_variance(contrast)) > limit:
        return Change(None, None, "not comparable: the work before and after has nothing in common")
    return change_of_log(log_ratio, math.hypot(error, extra_relative_error))


def _falls(levels: DayLevels, part: slice) -> bool:
    """Whether the levels of a stretch fall by more than chance."""
    level, error = levels.level[part], levels.standard_error[part]
    age = np.asarray((levels.days[part] - levels.days[part][0]) / pd.Timedelta(days=1), float)
    weights = 1.0 / (error**2 + float(np.median(error)) ** 2)
    away = age - np.average(age, weights=weights)
    spread = float(np.sum(weights * away**2))
    if spread <= 0.0:
        return False
    slope = float(np.sum(weights * away * level)) / spread
    residuals = level - np.average(level, weights=weights) - slope * away
    excess = max(1.0, float(np.sum(weights * residuals**2)) / max(len(level) - 2, 1))
    return slope < -FALL_IN_ERRORS * math.sqrt(excess / spread)
