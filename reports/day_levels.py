"""The level of each day once like is compared with like.

    log value of a cell = level of its day + effect of its class + noise

Levels are free; effects of classes are drawn from a distribution whose width the data tell. So a class is
learned wherever it meets another on one day, and days that rest on a class that never met another keep the
whole width in their error: a change of work makes an interval wide, never a level jump.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import TooFewWindowsError

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

LEAST_EXTRA = 0.003  # what a cell may always be off: three parts in a thousand
MOST_EXTRA = 0.5
# Kinds of work on one accelerator gave 0.026 and 0.014 K/W (own recording); games lie closer together.
FIRST_CLASS_SD, LEAST_CLASS_SD, MOST_CLASS_SD = 0.10, 0.02, 0.3
PRIOR_CLASSES = 4.0  # how many classes the first guess of their width counts for
ROUNDS = 6
HUBER_THRESHOLD = 2.0
BISECTIONS = 12


@dataclass(frozen=True, slots=True, eq=False)
class DayLevels:
    """Levels of some days, and what they share.

    Attributes
    ----------
    days
        Midnights, UTC, increasing.
    level, standard_error
        Logarithm, and the error of this day alone (the classes' effects taken as known).
    n
        Load steps or settled windows of the day.
    classes, effects
        Names, and the logarithm by which each reads more than the usual one.
    class_sd, extra_sd
        Width of the classes' distribution, and the scatter of cells beyond their stated errors.
    shares
        Weight of each class in each day, shape (n_days, n_classes); rows sum to 1.
    effects_covariance
        Shape (n_classes, n_classes).
    """

    days: pd.DatetimeIndex
    level: Array
    standard_error: Array
    n: npt.NDArray[np.int64]
    classes: tuple[str, ...]
    effects: Array
    class_sd: float
    extra_sd: float
    shares: Array
    effects_covariance: Array

    def mean(self, chosen: Flags) -> tuple[float, Array]:
        """Weighted mean level of some days, and the weights of all days."""
        # A day is not known better than days are alike.
        spread = float(np.median(self.standard_error[chosen]))
        weights = np.where(chosen, 1.0 / (self.standard_error**2 + spread**2), 0.0)
        weights /= weights.sum()
        return float(weights @ self.level), weights

    def difference(self, earlier: Flags, later: Flags) -> tuple[float, float]:
        """Logarithm of the ratio of two sets of days, and its standard error.

        The error holds what the classes of both sets do not have in common. Scatter of days beyond their own
        errors is counted too.

        Parameters
        ----------
        earlier, later
            Which days, shape (n_days,).
        """
        (before, of_before), (after, of_after) = self.mean(earlier), self.mean(later)
        own = sum(
            self._own_variance(chosen, weights)
            for chosen, weights in ((earlier, of_before), (later, of_after))
        )
        return after - before, math.sqrt(own + self.shared_variance(of_after - of_before))

    def shared_variance(self, weights: Array) -> float:
        """Variance that the classes' effects leave in a combination of days whose weights sum to 0."""
        mixture = weights @ self.shares
        return float(mixture @ self.effects_covariance @ mixture)

    def unlearned_share(self, weights: Array) -> float:
        """Share of what was not known of the classes beforehand that is still not known, 1 where none met."""
        mixture = weights @ self.shares
        before = self.class_sd**2 * float(mixture @ mixture)
        return self.shared_variance(weights) / before if before > 0.0 else 0.0

    def _own_variance(self, chosen: Flags, weights: Array) -> float:
        stated = float(np.sum((weights * self.standard_error) ** 2))
        residuals = self.level[chosen] - weights[chosen] @ self.level[chosen]
        n_days = int(chosen.sum())
        if n_days < 3:
            return stated
        seen = float(np.sum((weights[chosen] * residuals) ** 2)) * n_days / (n_days - 1)
        return max(stated, seen)


def fit_day_levels(cells: pd.DataFrame) -> DayLevels:
    """Fit the levels of days to their cells.

    Parameters
    ----------
    cells
        Columns ``day`` (ISO), ``workload_class``, ``log_value``, ``standard_error``, ``n``; each cell once.

    Raises
    ------
    TooFewWindowsError
        No cell at all.
    """
    if not len(cells):
        raise TooFewWindowsError("not identifiable: no day has said anything", remedy="record for longer")
    day_of, days = pd.factorize(cells["day"], sort=True)
    class_of, classes = pd.factorize(cells["workload_class"], sort=True)
    values, stated = cells["log_value"].to_numpy(float), cells["standard_error"].to_numpy(float)
    solver = _Solver(day_of, class_of, values, len(days), len(classes))
    class_sd, extra = FIRST_CLASS_SD, LEAST_EXTRA
    tame = np.ones(len(values))
    for _ in range(ROUNDS):
        weights = tame / (stated**2 + extra**2)
        solution = solver.solve(weights, class_sd)
        extra = _extra_sd(solution.residuals, stated, solution.n_unknowns)
        standardised = np.abs(solution.residuals) / np.hypot(stated, extra)
        tame = HUBER_THRESHOLD / np.maximum(standardised, HUBER_THRESHOLD)
        seen = float(np.sum(solution.effects**2 + np.diag(solution.covariance)))
        class_sd = math.sqrt((seen + PRIOR_CLASSES * FIRST_CLASS_SD**2) / (len(classes) + PRIOR_CLASSES))
        class_sd = min(max(class_sd, LEAST_CLASS_SD), MOST_CLASS_SD)
    solution = solver.solve(tame / (stated**2 + extra**2), class_sd)
    return DayLevels(
        days=pd.DatetimeIndex(pd.to_datetime(np.asarray(days, str), utc=True), name="day"),
        level=solution.levels,
        standard_error=1.0 / np.sqrt(solution.day_weights),
        n=np.bincount(day_of, cells["n"].to_numpy(float), len(days)).astype(np.int64),
        classes=tuple(str(name) for name in classes),
        effects=solution.effects,
        class_sd=class_sd,
        extra_sd=extra,
        shares=solution.shares,
        effects_covariance=solution.covariance,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    levels: Array
    effects: Array
    covariance: Array
    day_weights: Array
    shares: Array
    residuals: Array
    n_unknowns: float


@dataclass(frozen=True, slots=True, eq=False)
class _Solver:
    """Least squares with the days taken out first: what is left is as large as there are classes."""

    day_of: npt.NDArray[np.int64]
    class_of: npt.NDArray[np.int64]
    values: Array
    n_days: int
    n_classes: int

    def solve(self, weights: Array, class_sd: float) -> _Solution:
        of_day_class = np.zeros((self.n_days, self.n_classes))
        np.add.at(of_day_class, (self.day_of, self.class_of), weights)
        day_weights = of_day_class.sum(axis=1)
        shares = of_day_class / day_weights[:, None]
        day_means = np.bincount(self.day_of, weights * self.values, self.n_days) / day_weights
        normal = np.diag(of_day_class.sum(axis=0)) - of_day_class.T @ shares
        right = np.bincount(self.class_of, weights * (self.values - day_means[self.day_of]), self.n_classes)
        covariance = np.linalg.inv(normal + np.eye(self.n_classes) / class_sd**2)
        effects: Array = np.asarray(covariance @ right, float)
        levels = day_means - shares @ effects
        residuals: Array = self.values - levels[self.day_of] - effects[self.class_of]
        # Effects that are held by their width alone count as no unknowns.
        n_effects = self.n_classes - float(np.trace(covariance)) / class_sd**2
        return _Solution(
            levels, effects, covariance, day_weights, shares, residuals, self.n_days + max(n_effects, 0.0)
        )


def _extra_sd(residuals: Array, stated: Array, n_unknowns: float) -> float:
    """Scatter beyond the stated errors that makes the residuals what they should be."""
    spare = len(residuals) - n_unknowns
    if spare < 3.0:
        return LEAST_EXTRA
    wanted = spare / len(residuals)

    def excess(extra: float) -> float:
        standardised = residuals**2 / (stated**2 + extra**2)
        return float(np.mean(np.minimum(standardised, 3.0**2))) - wanted

    low, high = LEAST_EXTRA, MOST_EXTRA
    if excess(low) <= 0.0:
        return low
    for _ in range(BISECTIONS):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    return math.sqrt(low * high)


def days_between(levels: DayLevels, from_day: str, to_day: str) -> Flags:
    """Which days lie from one ISO date up to, not including, another."""
    begin, end = (pd.Timestamp(day, tz="UTC") for day in (from_day, to_day))
    flags: Flags = np.asarray((levels.days >= begin) & (levels.days < end))
    return flags
