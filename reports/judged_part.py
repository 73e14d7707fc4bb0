"""One part of a heat path as the detector sees it: its series, what was found, and the last thirty days."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..store.errors import AnalysisError
from .answer_curve import AnswerCurve
from .baseline import NORMAL_95, NOT_COMPARABLE, Change, change_or_reason
from .detection import Detection
from .drift import DetectorSettings, detect
from .part_series import PartSeries

NOW_DAYS = 30


@dataclass(frozen=True, slots=True, eq=False)
class JudgedPart:
    """One part: its series and what the detector says; None where ``reason`` says why.

    Attributes
    ----------
    change
        Last thirty days of the era against the baseline.
    """

    name: str
    series: PartSeries | None
    detection: Detection | None
    change: Change
    reason: str = ""

    @classmethod
    def unknown(cls, name: str, reason: str) -> JudgedPart:
        """A part of which nothing can be said."""
        return cls(name, None, None, Change(None, None, reason), reason)

    @property
    def is_changed(self) -> bool:
        """Whether the detector holds it for changed now."""
        return self.detection is not None and self.detection.state == "changed"

    @property
    def changed_by(self) -> Detection:
        """What the detector says of a part that it holds for changed."""
        assert self.detection is not None
        return self.detection

    def widened(self, relative_error: float) -> JudgedPart:
        """The same, where all changes are uncertain by one more factor that they share."""
        found = self.detection
        if found is not None:
            trend = found.trend_ci95
            if trend is not None and found.trend_pct_per_30d is not None:
                trend = _widened(found.trend_pct_per_30d, trend, relative_error)
            found = replace(
                found,
                change_ci95_pct=_widened(found.change_pct, found.change_ci95_pct, relative_error),
                trend_ci95=trend,
            )
        told = self.change
        if told.pct is not None and told.ci95_pct is not None:
            told = replace(told, ci95_pct=_widened(told.pct, told.ci95_pct, relative_error))
        return replace(self, detection=found, change=told)


def judged_part(
    name: str,
    make: Callable[[], PartSeries],
    settings: DetectorSettings,
    curve: AnswerCurve | None = None,
) -> JudgedPart:
    """Judge one part.

    Parameters
    ----------
    name
        Of the part.
    make
        Makes its series, or raises `AnalysisError`.
    settings
        What counts as drift in it.
    curve
        What the series was turned back by, for what that leaves uncertain.
    """
    try:
        series = make()
    except AnalysisError as reason:
        return JudgedPart.unknown(name, str(reason))
    now = change_now(series, curve)
    try:
        found = detect(
            series.rows, series.n_baseline, series.baseline_standard_error, settings, series.classes
        )
    except AnalysisError as reason:
        return JudgedPart(name, series, None, now, str(reason))
    return JudgedPart(name, series, found, now)


def change_now(
    series: PartSeries, curve: AnswerCurve | None = None, since: pd.Timestamp | None = None
) -> Change:
    """Last thirty days of the record against the baseline.

    Parameters
    ----------
    series
        Of the part.
    curve
        What it was turned back by.
    since
        Leave out what was before, where that shortens the thirty days.
    """
    days = pd.DatetimeIndex(series.rows.index)
    later = np.asarray(
        (days > days[-1] - pd.Timedelta(days=NOW_DAYS)) & (np.arange(len(days)) >= series.n_baseline)
    )
    if since is not None:
        later &= np.asarray(days >= since)
    if not later.any():
        return Change(None, None, "no day after the baseline yet")
    rows = series.rows[later]
    errors = rows["standard_error"].to_numpy(float)
    weights = 1.0 / (errors**2 + float(np.median(errors)) ** 2)
    weights = weights / weights.sum()
    value = float(weights @ rows["log_ratio"].to_numpy(float))
    away = rows["log_ratio"].to_numpy(float) - value
    n = len(rows)
    own = float(np.sum((weights * errors) ** 2))
    seen = float(np.sum((weights * away) ** 2)) * n / (n - 1) if n > 2 else own
    hidden = curve.uncertainty(value) if curve else 0.0
    of_classes = series.classes.of(later).standard_error(weights)
    if of_classes > NOT_COMPARABLE:
        return Change(
            None, None, "not comparable: the work of late has nothing in common with the baseline's"
        )
    error = math.sqrt(max(own, seen) + series.baseline_standard_error**2 + hidden**2 + of_classes**2)
    return change_or_reason(value, error)


def _widened(pct: float, ci95_pct: tuple[float, float], relative_error: float) -> tuple[float, float]:
    more = NORMAL_95 * relative_error * abs(pct)
    low, high = ci95_pct
    return pct - math.hypot(pct - low, more), pct + math.hypot(high - pct, more)
