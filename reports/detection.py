"""What the detector says of one part on one day."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from .change_point import Change, Shape
from .prewhitening import DayNoise

TWO_SIDED_95 = 1.96
LEAST_ODDS = 1e-9
LEAST_LOG_BAYES = -700.0  # JSON has no infinity, and exp() ends about there
State = Literal["holding", "changed", "recovered"]


@dataclass(frozen=True, slots=True)
class Detection:
    """What is known of one part on one day.

    Attributes
    ----------
    state
        ``holding``, ``changed`` or ``recovered`` (changed, and back near the baseline).
    log_bayes_factor, confidence
        Evidence for a change against none [nats], and as a probability; while changed or recovered, at the
        alarm.
    detected_utc, onset_utc, onset_ci95_utc, recovered_utc
        In RFC 3339; None while holding, or while not recovered.
    change_pct, change_ci95_pct
        Against the baseline, now.
    trend_pct_per_30d, trend_ci95
        How fast it creeps now, in per cent of the baseline; None unless it does.
    shape, shape_probabilities
        As in `Change`; None and empty while holding.
    reversal_utc
        A second sudden change after the first; None where there was none.
    autocorrelation, error_scale
        Of the days, as learned: correlation one day apart, true over stated error.
    n_rows
        Rows seen.
    """

    state: State
    log_bayes_factor: float
    confidence: float
    detected_utc: str | None
    onset_utc: str | None
    onset_ci95_utc: tuple[str, str] | None
    recovered_utc: str | None
    change_pct: float
    change_ci95_pct: tuple[float, float]
    trend_pct_per_30d: float | None
    trend_ci95: tuple[float, float] | None
    shape: Shape | None
    shape_probabilities: dict[str, float]
    reversal_utc: str | None
    autocorrelation: float
    error_scale: float
    n_rows: int

    @property
    def log_creep_odds(self) -> float:
        """Logarithm of the odds that it creeps, against one step; 0 while holding."""
        step = self.shape_probabilities.get("step")
        if step is None:
            return 0.0
        return math.log(max(1.0 - step, LEAST_ODDS) / max(step, LEAST_ODDS))

    @staticmethod
    def of(
        change: Change | None,
        *,
        recent: tuple[float, float],
        log_bayes: float,
        noise: DayNoise,
        n_rows: int,
        detected_day: float | None,
        recovered_day: float | None,
    ) -> Detection:
        """Put together what is known; ``recent`` is the newest days' level and its error [log units]."""
        state: State = "holding" if change is None else "changed" if recovered_day is None else "recovered"
        level, error = recent
        now, ci95 = level, (level - TWO_SIDED_95 * error, level + TWO_SIDED_95 * error)
        if change is not None and recovered_day is None:
            now, ci95 = change.now, change.now_ci95
        trend, trend_ci95 = _trend(change) if change and state == "changed" else (None, None)
        log_bayes = max(log_bayes, LEAST_LOG_BAYES)
        return Detection(
            state,
            log_bayes,
            1.0 / (1.0 + math.exp(-log_bayes)),
            _rfc3339(detected_day),
            _rfc3339(change.onset_day) if change else None,
            (_moment(change.onset_ci95[0]), _moment(change.onset_ci95[1])) if change else None,
            _rfc3339(recovered_day),
            _percent(now),
            (_percent(ci95[0]), _percent(ci95[1])),
            trend,
            trend_ci95,
            change.shape if change else None,
            dict(change.probabilities) if change else {},
            _rfc3339(change.reversal_day) if change else None,
            noise.autocorrelation,
            noise.scale,
            n_rows,
        )


def _trend(change: Change) -> tuple[float | None, tuple[float, float] | None]:
    """Per cent of the baseline in 30 days; none after a sudden second change."""
    if change.slope_per_day is None or change.slope_ci95 is None or change.reversal_day is not None:
        return None, None
    factor = 100.0 * math.exp(change.now) * 30.0
    return factor * change.slope_per_day, (factor * change.slope_ci95[0], factor * change.slope_ci95[1])


def _percent(change: float) -> float:
    return 100.0 * math.expm1(change)


def _moment(day: float) -> str:
    moment = pd.Timestamp(0, tz="UTC") + pd.Timedelta(days=day)
    return moment.floor("s").strftime("%Y-%m-%dT%H:%M:%SZ")


def _rfc3339(day: float | None) -> str | None:
    return None if day is None else _moment(day)
