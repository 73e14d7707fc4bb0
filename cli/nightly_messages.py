"""From the verdicts of a night to messages in the outbox."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..reports.alerts import has_gone_away, is_told_already, is_worth_telling
from ..reports.baseline import MOST_DAYS
from ..reports.eras import era_opened_by
from ..reports.judgement import Judge, Verdict
from ..reports.reference_conditions import ReferenceConditions
from ..reports.verdict_message import entry_note, message_of, recovery_message
from ..reports.verdict_outlook import outlook_sentence, path_state
from ..store.journal_entry import JournalEntry
from ..store.message import Message, Severity
from ..store.outbox import Outbox
from ..store.packing import DAY_MS, day_of
from ..store.verdicts import StoredVerdict, VerdictBook
from .history import History

TOLD_LATELY_DAYS = 28  # shorter than any repeat lock


def nightly_messages(
    history: History,
    judge: Judge,
    verdicts: Sequence[Verdict],
    until_utc_ms: int,
    conditions: ReferenceConditions,
) -> list[dict[str, Any]]:
    """Queue what the owner should hear, and say what was queued.

    Parameters
    ----------
    history, judge
        Of the machine.
    verdicts
        Of this night.
    until_utc_ms
        Up to when it judged [ms since 1970].
    conditions
        Room and power at which temperatures are quoted.

    Returns
    -------
    list of dict
        ``key``, ``severity``, ``source`` and ``subject`` of each new message.
    """
    outbox = Outbox(history.writing, history.reader.machine_id)
    book = VerdictBook(history.writing, history.reader.machine_id)
    # How long it lasts is worth a second of work only where it will be read.
    since_ms = until_utc_ms - TOLD_LATELY_DAYS * DAY_MS
    told_lately = {
        past.message.key: past.message.severity
        for past in outbox.messages()
        if past.message.made_utc_ms > since_ms and not past.reached_nobody
    }
    wanted: list[Message] = []
    day = day_of(until_utc_ms - 1).isoformat()
    for one in verdicts:
        before = book.of(one.source, before_day=day, latest=MOST_DAYS)
        wanted += _of_verdict(history, judge, one, (before, told_lately), (conditions, until_utc_ms))
        wanted += _of_entries(history, judge, one, before, (conditions, until_utc_ms))
    return [
        {
            "key": message.key,
            "severity": message.severity.value,
            "source": message.source,
            "subject": message.subject,
        }
        for message in wanted
        if outbox.queue(message)
    ]


def kinds_on_path(entries: Sequence[JournalEntry], source: str, until_utc_ms: int) -> frozenset[str]:
    """Kinds of the journal entries that concern a heat path."""
    return frozenset(
        entry.kind.value
        for entry in entries
        if entry.at_utc_ms < until_utc_ms and entry.source in ("", source)
    )


def _of_verdict(
    history: History,
    judge: Judge,
    one: Verdict,
    past: tuple[Sequence[StoredVerdict], Mapping[str, Severity]],
    now: tuple[ReferenceConditions, int],
) -> list[Message]:
    (before, told_lately), (conditions, until_utc_ms) = past, now
    kinds = kinds_on_path(history.entries, one.source, until_utc_ms)
    name = history.reader.machine_name
    if is_worth_telling(one, [past.cause for past in before]):
        message = message_of(one, made_utc_ms=until_utc_ms, machine_name=name, kinds_of_entries=kinds)
        if is_told_already(message, told_lately):
            return []
        state = path_state(
            history.reader, history.derived, judge.derivation, one, conditions, until_utc_ms=until_utc_ms
        )
        return [
            message_of(
                one,
                made_utc_ms=until_utc_ms,
                machine_name=name,
                kinds_of_entries=kinds,
                outlook_words=outlook_sentence(state.ahead),
            )
        ]
    if has_gone_away(one, [past.state for past in before]):
        gone = recovery_message(one, made_utc_ms=until_utc_ms, machine_name=name)
        return [] if gone is None else [gone]
    return []


def _of_entries(
    history: History,
    judge: Judge,
    one: Verdict,
    before: Sequence[StoredVerdict],
    now: tuple[ReferenceConditions, int],
) -> list[Message]:
    """Once an era has as many days as a baseline: did the entry that opened it do what it should?"""
    series = one.interface.series or one.airflow.series
    if series is None or len(series.rows) < MOST_DAYS or _was_compared(one, before):
        return []
    from ..reports.compare import compare  # noqa: PLC0415 - 0.1 s for what is wanted once in an era

    conditions, until_utc_ms = now
    found = []
    for entry in history.entries:
        opened = era_opened_by(judge.derivation.eras[one.source], entry)
        if opened is None or opened.from_utc_ms != one.era.from_utc_ms:
            continue
        told = compare(
            history.reader, history.derived, judge.derivation, entry, one.source, conditions=conditions
        )
        note = entry_note(told, made_utc_ms=until_utc_ms, machine_name=history.reader.machine_name)
        found += [note] if note is not None else []
    return found


def _was_compared(one: Verdict, before: Sequence[StoredVerdict]) -> bool:
    """Whether an earlier night already knew a whole baseline of this era."""
    return any(
        past.recipe.startswith(f"{one.era.from_utc_ms}/") and past.days_in_era() >= MOST_DAYS
        for past in before
    )
