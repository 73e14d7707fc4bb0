"""Makes the report of a period from a history: the document, and what pages and pictures are drawn from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..reports.compare import compare
from ..reports.derivation import Derivation
from ..reports.eras import era_opened_by
from ..reports.judgement import Judge, Verdict
from ..reports.pages.first_lines import FirstLines, first_lines
from ..reports.pages.index_page import one_line_finding, worst_state
from ..reports.reference_conditions import ReferenceConditions
from ..reports.report_document import report_document
from ..reports.verdict_document import moment
from ..reports.verdict_outlook import PathState, path_state
from ..store.message import StoredMessage
from ..store.outbox import Outbox
from .compare_text import as_document
from .history import History
from .nightly_messages import kinds_on_path


@dataclass(frozen=True, slots=True, eq=False)
class MadeReport:
    """A report before it is written down.

    Attributes
    ----------
    document
        As programs get it, schema ``heatdrift-report/1``.
    verdicts
        At the end of the period.
    states
        The same in kelvin and days, by source.
    lines
        What is said of each source before anything else.
    span_utc_ms
        The period [ms since 1970].
    """

    history: History
    derivation: Derivation
    conditions: ReferenceConditions
    span_utc_ms: tuple[int, int]
    verdicts: list[Verdict]
    states: dict[str, PathState]
    lines: dict[str, FirstLines]
    document: dict[str, Any]


def make_report(
    history: History,
    derivation: Derivation,
    conditions: ReferenceConditions,
    span_utc_ms: tuple[int, int],
    *,
    is_open_ended: bool = False,
) -> MadeReport:
    """Judge as it was known at the end of a period, and put everything into a document.

    Parameters
    ----------
    history, derivation
        Of the machine, up to date.
    conditions
        Room and power at which temperatures are quoted.
    span_utc_ms
        The period [ms since 1970].
    is_open_ended
        Whether the period goes on: messages that were made after its last reading belong to it as well.
    """
    begin_utc_ms, end_utc_ms = span_utc_ms
    reader, derived = history.reader, history.derived
    verdicts = Judge(reader, derived, derivation).verdicts(end_utc_ms)
    states = {
        one.source: path_state(reader, derived, derivation, one, conditions, until_utc_ms=end_utc_ms)
        for one in verdicts
    }
    reader.keep_frames()
    document = report_document(reader, derived, verdicts, span_utc_ms=span_utc_ms, states=states)
    document["entries"] = [
        as_document(compare(reader, derived, derivation, entry, source, conditions=conditions))
        for entry in history.entries
        for source, eras in derivation.eras.items()
        if entry.at_utc_ms < end_utc_ms and era_opened_by(eras, entry) is not None
    ]
    document["messages"] = [
        _told(one)
        for one in Outbox(history.writing, reader.machine_id).messages()
        # What a day showed is told at the midnight after it.
        if begin_utc_ms < one.message.made_utc_ms and (is_open_ended or one.message.made_utc_ms <= end_utc_ms)
    ]
    lines = {
        one.source: first_lines(
            one,
            states[one.source].ahead,
            conditions,
            kinds_on_path(history.entries, one.source, end_utc_ms),
        )
        for one in verdicts
    }
    for path in document["paths"]:
        path["sentence"] = lines[path["source"]].sentence
    document["state"] = worst_state(list(lines.values()))
    document["finding"] = one_line_finding(list(lines.values()))
    return MadeReport(history, derivation, conditions, span_utc_ms, verdicts, states, lines, document)


def _told(one: StoredMessage) -> dict[str, Any]:
    """A message to the owner and how far it came; its channels by the names that give no address away."""
    message = one.message
    return {
        "made": moment(message.made_utc_ms),
        "lane": message.lane.value,
        "severity": message.severity.value,
        "source": message.source or None,
        "subject": message.subject,
        "is_settled": one.due_utc_ms is None,
        "deliveries": [
            {"channel": delivery.channel, "state": delivery.state.value, "at": moment(delivery.at_utc_ms)}
            for delivery in one.deliveries
        ],
    }
