"""Night by night over a stored history: which alerts would have been raised when.

Each night knows the days before it and nothing else, but for what an era learned of its first month. A quick
look (levels of the days so far, one more day for each detector) decides which nights are worth the full
judgement; while a change goes on, it is judged anew more and more seldom.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from ..store.errors import AnalysisError
from ..store.packing import DAY_MS, midnight_utc_ms
from .baseline import MOST_DAYS
from .detector_settings import AIRFLOW_LOG_BAYES_LIMIT
from .drift import INTERFACE, Detector, DetectorSettings, day_rows
from .judgement import Judge, Verdict, interface_series
from .part_series import PartSeries, airflow_series, fan_series
from .part_settings import APART_SETTINGS, FAN_SETTINGS, IDLE_SETTINGS, airflow_settings
from .shared_air import seems_worse

# A quick look rests on rows as they were known at their time, the judgement on what they are known to be now:
# seen on simulated machines, their evidence differs by less [nats].
MARGIN = 1.5
NEARLY = 0.7  # and their sizes by less than a third
SETTLED_ROWS = MOST_DAYS + 6  # the baseline may still move before; nights are few then
# Nights since a change was first seen on which it is judged again; then each week.
AGAIN = (1, 2, 3, 5, 8, 11)
WEEK = 7
KEEPS_STRETCH_DAYS = 14.0

Progress = Callable[[int, int], None]
"""Told how many nights are done, of how many."""


@dataclass(frozen=True, slots=True, eq=False)
class Night:
    """One night: the day that it came after, and the verdicts of the sources that were worth one."""

    day: date
    made_utc_ms: int
    verdicts: list[Verdict]


def nights(judge: Judge, first: date, last: date, progress: Progress | None = None) -> Iterator[Night]:
    """Go through the nights after some days.

    Parameters
    ----------
    judge
        Of the machine; give it some days for which it keeps a stretch.
    first, last
        Days, both included.
    progress
        Called after every night.

    Returns
    -------
    iterator of Night
        Those nights in which a source was worth a full judgement.
    """
    watches = {source: _Watch(judge, source) for source in judge.derivation.eras}
    n_nights = (last - first).days + 1
    for number in range(n_nights):
        day = first + timedelta(days=number)
        until_utc_ms = midnight_utc_ms(day) + DAY_MS
        is_due = [source for source, watch in watches.items() if watch.is_due(until_utc_ms, number)]
        judged = {source: judge.judge(source, until_utc_ms) for source in is_due}
        if any(one is not None and (one.leading is not None or seems_worse(one)) for one in judged.values()):
            # What one did can take back, or bear out, what another seems to have done: all are judged.
            judged |= {
                source: judge.judge(source, until_utc_ms) for source in watches if source not in judged
            }
        verdicts = judge.heard_together([one for one in judged.values() if one is not None], until_utc_ms)
        for one in verdicts:
            watches[one.source].note(one, number)
        if verdicts:
            yield Night(day, until_utc_ms, verdicts)
        if progress is not None:
            progress(number + 1, n_nights)


@dataclass
class _Watch:
    """Decides for one source which nights are worth a judgement."""

    judge: Judge
    source: str
    _era_from_utc_ms: int = -1
    _detectors: dict[str, tuple[Detector, int]] = field(default_factory=dict)
    _fed_until: dict[str, float] = field(default_factory=dict)
    _changed_since: int | None = None

    def note(self, verdict: Verdict, number: int) -> None:
        """Take in what a judgement said."""
        is_changed = verdict.leading is not None or bool(verdict.remark)
        if is_changed and self._changed_since is None:
            self._changed_since = number
        elif not is_changed:
            self._changed_since = None

    def is_due(self, until_utc_ms: int, number: int) -> bool:
        """Whether this night is worth a judgement."""
        known = self.judge.known(self.source, until_utc_ms)
        if known is None:
            return False
        era, model, cells = known
        if era.from_utc_ms != self._era_from_utc_ms:
            self._era_from_utc_ms, self._changed_since = era.from_utc_ms, None
            self._detectors, self._fed_until = {}, {}
        if self._changed_since is not None:
            since = number - self._changed_since
            return since in AGAIN or (since > AGAIN[-1] and since % WEEK == 0)
        try:
            interface: PartSeries | None = interface_series(cells, model, era)
        except AnalysisError:
            interface = None
        # A neighbour on the sink may bear it out: half of what both must show together is enough to look.
        usual = airflow_settings(model)
        of_air = replace(usual, log_bayes_limit=min(usual.log_bayes_limit, AIRFLOW_LOG_BAYES_LIMIT))
        made: list[tuple[str, Callable[[], PartSeries | None], DetectorSettings]] = [
            ("interface", lambda: interface, INTERFACE),
            ("airflow", lambda: airflow_series(cells, interface), of_air),
            ("fan", lambda: fan_series(cells), FAN_SETTINGS),
            ("idle", lambda: self.judge.idle_series(self.source, cells, until_utc_ms), IDLE_SETTINGS),
            ("apart", lambda: self.judge.apart_series(self.source, cells, until_utc_ms), APART_SETTINGS),
        ]
        # Every detector has to see the day, also where another one speaks already.
        spoken = [self._speaks(name, make, settings) for name, make, settings in made]
        return any(spoken)

    def _speaks(self, name: str, make: Callable[[], PartSeries | None], settings: DetectorSettings) -> bool:
        """Feed the newest days; whether there is nearly enough evidence for an alarm."""
        try:
            series = make()
        except AnalysisError:
            return False
        if series is None:
            return False
        rows = day_rows(series.rows, series.classes.mixtures)
        if len(rows) <= series.n_baseline:
            return False
        if len(rows) < SETTLED_ROWS:
            return True
        n_classes = len(series.classes.covariance)
        detector, known_classes = self._detectors.get(name, (None, 0))
        if detector is None or known_classes != n_classes:
            detector = Detector(
                series.n_baseline, series.baseline_standard_error, settings, series.classes.covariance
            )
            self._detectors[name], self._fed_until[name] = (detector, n_classes), -math.inf
        for row in rows:
            if row[0] > self._fed_until[name]:
                detector.add(*row)
                self._fed_until[name] = row[0]
        log_bayes, change = detector.evidence
        is_large = abs(change) >= NEARLY * settings.smallest_change
        return is_large and log_bayes > settings.log_bayes_limit - MARGIN
