"""Has this part of the path changed? A two-sided sequential test on prewhitened days.

An alarm needs evidence above a limit set by simulation, a change that is large enough to matter, and some
days of both. What was said for a day rests on rows up to that day alone. A change that goes away is seen as
well.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError, TooFewWindowsError
from .baseline import ClassErrors
from .change_point import Change, explain
from .detection import Detection
from .detector_settings import AIRFLOW, INTERFACE, DetectorSettings
from .evidence import Evidence
from .prewhitening import LEAST_ROWS, NO_CLASSES, HealthyDays, learn_noise

__all__ = ["AIRFLOW", "INTERFACE", "Detector", "DetectorSettings", "day_rows", "detect"]

Array = npt.NDArray[np.float64]

URGENT_LOG_BAYES = 8.0  # above it, two days are enough
URGENT_ROWS = 2
# The noise is learned anew whenever so many rows are there; the newest may belong to a change.
NOISE_STAGES = (14, 20, 30, 45, 65, 90, 130, 180, 260, 365)
NEWEST_ROWS = 7
RECENT_ROWS = 7
REMAINS = 0.4  # share of a change, or of the smallest that matters times 2, below which it is gone
RECOVERY_ROWS = (7, 10, 14, 20, 28)
RECOVERY_ERRORS = 2.5  # standard errors of the mean of these rows that must fit below that


class Detector:
    """Takes one day after the other; each costs a fraction of a millisecond.

    Parameters
    ----------
    n_baseline
        Rows that the baseline was made of; no change is looked for in them.
    baseline_standard_error
        Common error of all rows [log units].
    settings
        What counts as drift.
    classes_covariance
        What is not known of the classes of work; see `HealthyDays`.

    Raises
    ------
    TooFewWindowsError
        The baseline has fewer than ``LEAST_ROWS`` rows.
    """

    def __init__(
        self,
        n_baseline: int,
        baseline_standard_error: float,
        settings: DetectorSettings = INTERFACE,
        classes_covariance: Array | None = None,
    ) -> None:
        if n_baseline < LEAST_ROWS:
            lacking = f"the baseline has {n_baseline} days, {LEAST_ROWS} are needed"
            raise TooFewWindowsError(lacking, remedy="record for longer")
        self.settings = settings
        self._n_baseline, self._offset_sd = n_baseline, baseline_standard_error
        self._classes_covariance = np.zeros((0, 0)) if classes_covariance is None else classes_covariance
        self._rows: list[tuple[float, float, float]] = []
        self._mixtures: list[Array] = []
        self._first, self._n_quiet = 0, n_baseline
        self._healthy: HealthyDays | None = None
        self._evidence: Evidence | None = None
        self._n_agreeing, self._sign = 0, 0.0
        self._alarm_log_bayes = -math.inf
        self._detected: float | None = None
        self._recovered: float | None = None
        self._past: Change | None = None
        self._peak, self._n_back = 0.0, 0

    @property
    def detected_day(self) -> float | None:
        """Day of the newest alarm [days since 1970]; None where there was none."""
        return self._detected

    @property
    def evidence(self) -> tuple[float, float]:
        """Evidence for a change against none [nats], and how large it would be by now [log units]."""
        return (
            (-math.inf, 0.0) if self._evidence is None else (self._evidence.log_bayes, self._evidence.change)
        )

    def add(self, day: float, log_ratio: float, standard_error: float, mixture: Array = NO_CLASSES) -> None:
        """Take in the next day.

        Parameters
        ----------
        day
            Days since 1970.
        log_ratio
            Resistance over its baseline [natural log].
        standard_error
            Of that day alone [natural log].
        mixture
            By how much more of each class of work the day holds than the baseline, shape (n_classes,).

        Raises
        ------
        AnalysisError
            A value is not finite, an error not above 0, or the day does not come after the one before.
        """
        if not (math.isfinite(day) and math.isfinite(log_ratio) and 0.0 < standard_error < math.inf):
            raise AnalysisError("a day has no finite value and error above 0", remedy="leave such days out")
        if self._rows and day <= self._rows[-1][0]:
            raise AnalysisError("the days do not rise", remedy="sort the series, one row a day")
        self._rows.append((day, log_ratio, standard_error))
        self._mixtures.append(mixture)
        n = len(self._rows)
        if n == self._n_baseline or (n in NOISE_STAGES and n > self._n_baseline and self._detected is None):
            rows = np.array(self._rows[: max(self._n_baseline, n - NEWEST_ROWS)])
            noise = learn_noise(rows[:, 0], rows[:, 1], rows[:, 2])
            self._healthy = HealthyDays(
                noise, self._offset_sd, self.settings.systematic_sd, self._classes_covariance
            )
            self._gather(0, self._n_baseline)
        elif self._evidence is not None:
            self._evidence.add(day, log_ratio, standard_error, mixture)
        if n > self._n_baseline:
            self._judge(day)

    def _gather(self, first: int, n_quiet: int) -> None:
        """Gather the evidence anew, from a row on."""
        assert self._healthy is not None
        self._first, self._n_quiet = first, n_quiet
        self._evidence = Evidence(self._healthy, n_quiet)
        last = len(self._rows) - 1
        for number in range(first, last + 1):
            row, mixture = self._rows[number], self._mixtures[number]
            self._evidence.add(*row, mixture, is_weighed=number == last)

    def _judge(self, day: float) -> None:
        if self._detected is not None and self._recovered is None:
            self._watch_recovery(day)
            return
        assert self._evidence is not None
        log_bayes, change = self._evidence.log_bayes, self._evidence.change
        agrees = log_bayes > self.settings.log_bayes_limit and abs(change) >= self.settings.smallest_change
        sign = math.copysign(1.0, change)
        self._n_agreeing = self._n_agreeing + 1 if agrees and sign == self._sign else int(agrees)
        self._sign = sign
        is_urgent = log_bayes > max(URGENT_LOG_BAYES, self.settings.log_bayes_limit)
        if self._n_agreeing >= (URGENT_ROWS if is_urgent else self.settings.persistence_rows):
            self._detected, self._recovered, self._past = day, None, None
            self._peak, self._alarm_log_bayes, self._n_back = change, log_bayes, 0

    def _watch_recovery(self, day: float) -> None:
        """A change is gone when the newest days, several times in a row, stand near the baseline again."""
        level = self._recent()[0]
        if math.copysign(1.0, self._peak) * (level - self._peak) > 0.0:
            self._peak = level
        limit = REMAINS * min(2.0 * self.settings.smallest_change, abs(self._peak))
        # in a series with much scatter it takes more days to say so
        for n_rows in RECOVERY_ROWS:
            level, error, _ = self._recent(n_rows)
            if error * RECOVERY_ERRORS <= limit:
                break
        # Where nobody knows what the work of late would have shown then, no day is back at the baseline.
        is_comparable = self._class_error(n_rows) * RECOVERY_ERRORS <= limit
        self._n_back = self._n_back + 1 if is_comparable and abs(level) < limit else 0
        if self._n_back >= self.settings.persistence_rows:
            self._recovered, self._past = day, self._explained()
            self._gather(len(self._rows) - RECENT_ROWS, RECENT_ROWS)
            self._n_agreeing, self._sign = 0, 0.0

    def _recent(self, n_rows: int = RECENT_ROWS) -> tuple[float, float, float]:
        """Mean of the newest days, its error from their scatter, and that with what is common to all days."""
        assert self._healthy is not None
        noise, rows = self._healthy.noise, np.array(self._rows[-n_rows:])
        error = noise.scale * rows[:, 2]
        weight = error**-2.0 / np.sum(error**-2.0)
        memory = noise.autocorrelation ** np.abs(rows[:, None, 0] - rows[None, :, 0])
        own = math.sqrt(float(weight @ (memory * np.outer(error, error)) @ weight))
        common = math.hypot(self._offset_sd, self.settings.systematic_sd, self._class_error(n_rows))
        return float(weight @ rows[:, 1]), own, math.hypot(own, common)

    def _class_error(self, n_rows: int) -> float:
        """What the classes of work of the newest days leave open against the baseline."""
        mixture = np.mean(np.array(self._mixtures[-n_rows:]), axis=0)
        return math.sqrt(max(float(mixture @ self._classes_covariance @ mixture), 0.0))

    def _explained(self) -> Change:
        assert self._healthy is not None
        mixtures = np.array(self._mixtures[self._first :])
        return explain(np.array(self._rows[self._first :]), self._healthy, self._n_quiet, mixtures)

    def detection(self) -> Detection:
        """Say what is known after the newest day; after an alarm this costs some 50 ms at a year of rows.

        Raises
        ------
        TooFewWindowsError
            There is no row after the baseline yet.
        """
        if len(self._rows) <= self._n_baseline or self._healthy is None or self._evidence is None:
            lacking = f"{len(self._rows)} days, {self._n_baseline + 1} are needed: no day after the baseline"
            raise TooFewWindowsError(lacking, remedy="record for longer")
        is_gone = self._recovered is not None
        change = self._past if is_gone or self._detected is None else self._explained()
        level, _, error = self._recent()
        return Detection.of(
            change,
            recent=(level, error),
            log_bayes=self._evidence.log_bayes if change is None else self._alarm_log_bayes,
            noise=self._healthy.noise,
            n_rows=len(self._rows),
            detected_day=self._detected,
            recovered_day=self._recovered,
        )


def detect(
    series: pd.DataFrame,
    n_baseline: int,
    baseline_standard_error: float,
    settings: DetectorSettings = INTERFACE,
    classes: ClassErrors | None = None,
) -> Detection:
    """Walk through a series day by day and say what is known at its end.

    Parameters
    ----------
    series
        UTC DatetimeIndex of days, rising, gaps allowed; ``log_ratio`` to the baseline and ``standard_error``
        of the day alone [both natural log]. Rows where one is NaN are left out.
    n_baseline
        First rows (of those with values) that are the baseline itself.
    baseline_standard_error
        Common to all days [log units].
    settings
        What counts as drift in this part.
    classes
        What is not known of the classes of work, and how the days hold them.

    Raises
    ------
    TooFewWindowsError
        The baseline or what follows is too short.
    AnalysisError
        The days do not rise, or an error is not above 0.
    """
    covariance, mixtures = (None, None) if classes is None else (classes.covariance, classes.mixtures)
    detector = Detector(n_baseline, baseline_standard_error, settings, covariance)
    for row in day_rows(series, mixtures):
        detector.add(*row)
    return detector.detection()


def day_rows(series: pd.DataFrame, mixtures: Array | None = None) -> list[tuple[float, float, float, Array]]:
    """Rows of a series as `Detector.add` takes them; what has no value and error is left out."""
    days = (pd.DatetimeIndex(series.index) - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(days=1)
    values = np.column_stack([days.to_numpy(float), series[["log_ratio", "standard_error"]].to_numpy(float)])
    known = np.isfinite(values).all(axis=1)
    held = np.zeros((len(values), 0)) if mixtures is None else mixtures
    return [
        (float(a), float(b), float(c), mixture)
        for (a, b, c), mixture in zip(values[known], held[known], strict=True)
    ]
