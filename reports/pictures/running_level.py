"""The level of the week around each day of a series, which eyes follow more easily than days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..baseline import NORMAL_95
from ..detection import Detection
from ..part_series import PartSeries
from .day_axis import day_numbers

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

LEVEL_HALF_DAYS = 3.5  # a week: no weekday weighs more than another
LEAST_OF_LEVEL = 3
WELL_KNOWN_DAYS = 3.0
LONGEST_HOLE_DAYS = 10.0  # over a longer one no line is drawn


@dataclass(frozen=True, slots=True, eq=False)
class RunningLevel:
    """Mean of the week around each day: days since 1970, change and its 95 % interval [%]; NaN in holes."""

    days: Array
    pct: Array
    low_pct: Array
    high_pct: Array

    def until(self, last: float) -> RunningLevel:
        """The days before one [days since 1970]."""
        shown = ~(self.days >= last)  # NaN stands between stretches
        return RunningLevel(self.days[shown], self.pct[shown], self.low_pct[shown], self.high_pct[shown])


def running_level(series: PartSeries, found: Detection | None = None) -> RunningLevel:
    """Weighted mean of the week around each day of a series.

    The interval holds the scatter of the days and what is not known of their classes of work; what the
    baseline leaves open moves all days alike and is not in it. Days before and after the beginning of a
    change are not put together where that is known to a few days.

    Parameters
    ----------
    series
        Of one part.
    found
        What the detector says of it.
    """
    days = day_numbers(series.rows.index)
    value, error = (series.rows[name].to_numpy(float) for name in ("log_ratio", "standard_error"))
    sudden = _sudden_days(found)
    edges = np.searchsorted(days, sudden)
    # A day is not known better than days are alike.
    usual = float(np.median(error))
    begin, n = _weeks(days, edges)
    # One row for each day, as wide as its week.
    reach = np.arange(n.max(initial=0))
    near, is_near = np.minimum(begin[:, None] + reach, len(days) - 1), reach < n[:, None]
    weight = np.where(is_near, 1.0 / (error[near] ** 2 + usual**2), 0.0)
    weight /= weight.sum(axis=1, keepdims=True)
    mean = np.sum(weight * value[near], axis=1)
    own = np.sum((weight * error[near]) ** 2, axis=1)
    seen = np.sum((weight * (value[near] - mean[:, None])) ** 2, axis=1) * n / np.maximum(n - 1, 1)
    mixtures = np.einsum("dw,dwc->dc", weight, series.classes.mixtures[near])
    of_classes = np.einsum("dc,dc->d", mixtures @ series.classes.covariance, mixtures)
    mean_error = np.sqrt(np.maximum(own, seen) + np.maximum(of_classes, 0.0))
    mean[n < LEAST_OF_LEVEL] = mean_error[n < LEAST_OF_LEVEL] = np.nan
    holes = np.union1d(np.flatnonzero(np.diff(days) > LONGEST_HOLE_DAYS) + 1, edges)
    half = NORMAL_95 * mean_error
    columns = (days, *(pct_of(one) for one in (mean, mean - half, mean + half)))
    return RunningLevel(*(np.insert(one, holes, np.nan) for one in columns))


def _weeks(days: Array, edges: Index) -> tuple[Index, Index]:
    """First day and number of days of the week around each day, which no edge divides."""
    begin, end = (np.searchsorted(days, days + half) for half in (-LEVEL_HALF_DAYS, LEVEL_HALF_DAYS))
    stretch = np.searchsorted(edges, np.arange(len(days)), side="right")
    begin = np.maximum(begin, np.concatenate([[0], edges])[stretch])
    return begin, np.minimum(end, np.concatenate([edges, [len(days)]])[stretch]) - begin


def _sudden_days(found: Detection | None) -> Array:
    """When a part began to change, where that is known to a few days, in days since 1970."""
    if found is None or found.state == "holding" or found.onset_utc is None or found.onset_ci95_utc is None:
        return np.zeros(0)
    begin, end = numbers_of(*found.onset_ci95_utc)
    if end - begin > WELL_KNOWN_DAYS:
        return np.zeros(0)
    return np.sort(numbers_of(*filter(None, (found.onset_utc, found.reversal_utc))))


def numbers_of(*moments_utc: str) -> Array:
    """Moments in RFC 3339 as days since 1970."""
    return day_numbers(pd.DatetimeIndex([pd.Timestamp(moment) for moment in moments_utc]))


def pct_of(log_ratio: Array) -> Array:
    """A change in per cent [of a natural logarithm]."""
    return np.asarray(100.0 * np.expm1(log_ratio), float)
