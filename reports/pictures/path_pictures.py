"""All pictures of one heat path, in the order in which an owner asks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ...store.derived import DerivedStore
from ...store.errors import AnalysisError
from ...store.journal_entry import JournalEntry
from ...store.packing import DAY_MS
from ...store.reader import Reader
from ..derivation import Derivation
from ..judged_part import NOW_DAYS
from ..reference_conditions import ReferenceConditions
from ..verdict import Verdict
from ..verdict_outlook import PathState, creep_of
from .answers import answers_picture, gather_answers
from .day_axis import span_words
from .monthly_temperature import monthly_temperature_picture
from .outlook_fan import outlook_picture
from .picture import Picture
from .resistance import resistance_picture
from .step_answers import Span


def path_pictures(  # noqa: PLR0917 - what a report knows of a path, in the order in which it was found
    reader: Reader,
    derived: DerivedStore,
    derivation: Derivation,
    verdict: Verdict,
    state: PathState,
    entries: Sequence[JournalEntry],
    conditions: ReferenceConditions,
    *,
    from_utc_ms: int,
    to_utc_ms: int,
) -> list[Picture]:
    """Draw one heat path; what cannot be drawn says why.

    Parameters
    ----------
    reader, derived, derivation
        Of the machine, up to date.
    verdict, state
        Of one source, as it stood at the end of the stretch.
    entries
        The journal.
    conditions
        Room and power at which temperatures are quoted.
    from_utc_ms, to_utc_ms
        The stretch that is reported [ms since 1970].
    """
    span = {"from_utc_ms": from_utc_ms, "to_utc_ms": to_utc_ms}
    source = verdict.source
    questions: list[tuple[str, str, Callable[[], Picture]]] = [
        (
            "resistance",
            f"Have the parts of {source} changed?",
            lambda: resistance_picture(verdict, entries, **span),
        ),
        (
            "answers",
            f"Where along the path of {source} does it sit?",
            lambda: _answers(reader, derived, derivation, verdict, to_utc_ms),
        ),
        (
            "monthly",
            f"How warm would {source} be at your room and load?",
            lambda: monthly_temperature_picture(verdict, state, conditions, **span),
        ),
        (
            "outlook",
            f"How long until {source} reaches its limit?",
            lambda: outlook_picture(verdict, state, creep_of(derived, verdict), **span),
        ),
    ]
    found = []
    for name, question, draw in questions:
        try:
            found.append(draw())
        except AnalysisError as reason:
            window = span_words(from_utc_ms, to_utc_ms)
            found.append(Picture(f"{source}-{name}", question, window, "", None, str(reason)))
    return found


def _answers(
    reader: Reader, derived: DerivedStore, derivation: Derivation, verdict: Verdict, to_utc_ms: int
) -> Picture:
    then, now = answer_spans(verdict, to_utc_ms)
    model = verdict.model
    if model is None:
        raise AnalysisError("no day with readings yet", remedy="go on recording")
    answers = gather_answers(reader, derived, derivation, model, then_utc_ms=then, now_utc_ms=now)
    return answers_picture(verdict, answers, then_utc_ms=then, now_utc_ms=now)


def answer_spans(verdict: Verdict, to_utc_ms: int) -> tuple[Span, Span]:
    """The days of the baseline, and the last thirty after it.

    Raises
    ------
    AnalysisError
        There is no baseline, or no day after it.
    """
    series = verdict.interface.series or verdict.airflow.series
    if series is None:
        raise AnalysisError(verdict.interface.reason or verdict.airflow.reason)
    begin, end = (round(day.timestamp() * 1000) for day in (series.baseline.from_day, series.baseline.to_day))
    after = end + DAY_MS
    if to_utc_ms <= after:
        raise AnalysisError("no day after the baseline yet", remedy="go on recording")
    return (begin, after), (max(after, to_utc_ms - NOW_DAYS * DAY_MS), to_utc_ms)
