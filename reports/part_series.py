"""From the cells of the days to one series for each part: every day as a ratio to its baseline."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError
from .answer_curve import AnswerCurve
from .baseline import Baseline, ClassErrors, choose_baseline, class_errors, ratios
from .day_levels import DayLevels, fit_day_levels

Array = npt.NDArray[np.float64]

INTERFACE, TOTAL, IDLE, FAN, APART = "interface", "total", "idle", "fan", "apart"
SMOOTHED_DAYS = 7  # the interface part of a day, to take it off the whole: no better known by itself
# Scatter of the speed at the same temperature [log units]: fans that follow a table gave 0.02-0.07, such that
# hold a temperature 0.14-0.31 (simulated, by two pieces of code).
LOOSEST_FAN = 0.10
ALIKE_FAN_SD = 0.02  # what one temperature says of a fan by itself: wear need not show at all of them alike
MEDIAN_ERROR = 1.25  # standard error of a median over that of a mean of normal values
UNKNOWN_SHARE_SD = 0.02  # of what the interface part's share in the rise may be wrong by


@dataclass(frozen=True, slots=True, eq=False)
class PartSeries:
    """One part of one source in one era.

    Attributes
    ----------
    rows
        Index ``day``; ``log_ratio``, ``standard_error`` and ``n``; from the first day of the baseline on.
    n_baseline
        First rows that are the baseline itself.
    baseline_standard_error
        Common to all rows.
    classes
        What days of one class of work share.
    levels, baseline
        What the rows were made from.
    """

    rows: pd.DataFrame
    n_baseline: int
    baseline_standard_error: float
    classes: ClassErrors
    levels: DayLevels
    baseline: Baseline


def interface_cells(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells of the interface part as `fit_day_levels` takes them."""
    return log_cells(cells, INTERFACE)


def log_cells(cells: pd.DataFrame, part: str) -> pd.DataFrame:
    """Cells of one part, value and error as logarithms.

    Parameters
    ----------
    cells
        As `DerivedStore.cells` gives them.
    """
    mine = cells[cells["part"] == part]
    value = mine["value"].to_numpy(float)
    return mine.assign(log_value=np.log(value), standard_error=mine["standard_error"].to_numpy(float) / value)


def part_series(
    cells: pd.DataFrame, part: str, *, has_run_in: bool = False, curve: AnswerCurve | None = None
) -> PartSeries:
    """The series of one part as its cells give it.

    Parameters
    ----------
    cells
        Of one era, as `DerivedStore.cells` gives them.
    part
        One of `INTERFACE`, `TOTAL` and `FAN`.
    has_run_in
        Whether the era began with something that wets in.
    curve
        For the interface part: what is seen of a change while the time constants of the era are held.

    Raises
    ------
    TooFewWindowsError
        No day said anything, or the baseline is not complete.
    """
    levels = fit_day_levels(log_cells(cells, part))
    baseline = choose_baseline(levels, has_run_in=has_run_in)
    rows = ratios(levels, baseline)
    is_later = np.asarray(rows.index >= baseline.from_day)
    rows, classes = rows[is_later], class_errors(levels, baseline).of(is_later)
    n_baseline = int((rows.index <= baseline.to_day).sum())
    if curve is not None:
        seen, error = (rows[name].to_numpy(float) for name in ("log_ratio", "standard_error"))
        true, true_error = curve.true_log_ratio(seen, error)
        rows = rows.assign(log_ratio=true, standard_error=true_error)
        classes = classes.stretched(true_error / error)
    return PartSeries(rows, n_baseline, baseline.standard_error, classes, levels, baseline)


def airflow_series(cells: pd.DataFrame, interface: PartSeries | None) -> PartSeries:
    """The series of the airflow part: of the whole, with what the interface part did taken off.

    Parameters
    ----------
    cells
        Of one era.
    interface
        Its interface part; None where that is not known, which leaves the whole as it is.

    Raises
    ------
    TooFewWindowsError
        As `part_series`.
    """
    whole = part_series(cells, TOTAL)
    share = _shares(cells, whole.rows.index)
    if interface is None or not np.isfinite(share).any():
        return whole
    share = np.where(np.isfinite(share), share, np.nanmedian(share))
    own, own_error = _smoothed(interface, whole.rows.index)
    ratio = np.exp(whole.rows["log_ratio"].to_numpy(float))
    left = np.maximum((ratio - share * np.exp(own)) / (1.0 - share), 0.05)
    error = np.sqrt(
        (ratio * whole.rows["standard_error"].to_numpy(float)) ** 2
        + (share * np.exp(own) * own_error) ** 2
        + (UNKNOWN_SHARE_SD * np.expm1(own)) ** 2
    ) / (1.0 - share)
    log_ratio = np.log(left)
    # What the interface part did before its own baseline is not known; the airflow part starts at zero.
    log_ratio = log_ratio - float(np.median(log_ratio[: whole.n_baseline]))
    rows = whole.rows.assign(log_ratio=log_ratio, standard_error=error / left)
    classes = whole.classes.stretched(ratio / (1.0 - share) / left)
    # The baseline's error is stretched as the days are, and a median of days is a quarter less certain than
    # their mean; what the interface part's own baseline may be off by comes on top.
    middle = float(np.median(share))
    baseline_error = math.hypot(
        MEDIAN_ERROR * whole.baseline_standard_error, middle * interface.baseline_standard_error
    ) / (1.0 - middle)
    return PartSeries(rows, whole.n_baseline, baseline_error, classes, whole.levels, whole.baseline)


def fan_series(cells: pd.DataFrame) -> PartSeries:
    """Speed of the fan at the same temperature.

    Parameters
    ----------
    cells
        Of one era.

    Raises
    ------
    TooFewWindowsError
        As `part_series`.
    AnalysisError
        Healthy, the speed does not follow the temperature: a controller that holds a temperature by any speed
        turns with the weather.
    """
    series = part_series(_by_own_scatter(cells), FAN)
    of_days = float(series.rows["log_ratio"].iloc[: series.n_baseline].std())
    if max(of_days, series.levels.extra_sd) > LOOSEST_FAN:
        raise AnalysisError("not comparable: the speed does not follow the temperature alone")
    return series


def _by_own_scatter(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells of the fan, each no better known than its temperature says it from one day to the next.

    Between two levels a fan with hysteresis turns now slow, now fast at one temperature; in the middle of a
    level it turns as it always does.
    """
    mine = cells[cells["part"] == FAN].sort_values("day")
    if not len(mine):
        return mine
    steps = np.log(mine["value"]).groupby(mine["workload_class"], observed=True).diff()
    # Differences of days leave out what changes slowly, which is what is looked for.
    scatter = (steps**2).groupby(mine["workload_class"], observed=True).transform("mean") / 2.0
    share = mine["standard_error"] / mine["value"]
    error = np.sqrt(share**2 + scatter.fillna(LOOSEST_FAN**2) + ALIKE_FAN_SD**2)
    return mine.assign(standard_error=mine["value"] * error)


def _shares(cells: pd.DataFrame, days: pd.Index) -> Array:
    """Share of the interface part in the rise, by day."""
    mine = cells[(cells["part"] == TOTAL) & cells["interface_share"].notna()]
    weighted = mine["interface_share"] * mine["n"]
    by_day = weighted.groupby(mine["day"]).sum() / mine["n"].groupby(mine["day"]).sum()
    by_day.index = pd.to_datetime(by_day.index, utc=True)
    return np.asarray(by_day.reindex(days).to_numpy(float), float)


def _smoothed(series: PartSeries, days: pd.Index) -> tuple[Array, Array]:
    """Weighted mean of the last days up to each of some days, and its error; 0 before there was any."""
    at = pd.DatetimeIndex(series.rows.index)
    value = series.rows["log_ratio"].to_numpy(float)
    weight = 1.0 / series.rows["standard_error"].to_numpy(float) ** 2
    sums = np.concatenate([[0.0], np.cumsum(weight * value)])
    weights = np.concatenate([[0.0], np.cumsum(weight)])
    end = at.searchsorted(pd.DatetimeIndex(days), side="right")
    begin = np.maximum(end - SMOOTHED_DAYS, 0)
    total = weights[end] - weights[begin]
    is_known = total > 0.0
    safe = np.where(is_known, total, 1.0)
    mean = np.where(is_known, (sums[end] - sums[begin]) / safe, 0.0)
    error = np.where(is_known, 1.0 / np.sqrt(safe), 0.1)
    return mean, error
