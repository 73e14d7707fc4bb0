"""``heatdrift report``: what became of each heat path in a period."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import click

from ..reports.compare import compare
from ..reports.eras import era_opened_by
from ..reports.evidence_words import sentence
from ..reports.judgement import Judge
from ..reports.reference_conditions import ReferenceConditions
from ..reports.report_document import report_document
from ..reports.verdict_document import moment
from ..reports.verdict_outlook import MONTH_MS
from ..store.errors import SettingsError
from ..store.message import StoredMessage
from ..store.outbox import Outbox
from .compare_text import as_document
from .export import milliseconds
from .fit import STANDARD_OUTPUT, write_json
from .history import open_history
from .options import Moment, json_file_option, machine_option, settings_options
from .settings import Settings
from .tables import WIDTH, wrap

EPILOG = """\b
Example:
  heatdrift report --json march.json --to 2026-04-01
"""


@click.command("report", epilog=EPILOG)
@json_file_option("Write the report", required=True)
@click.option("--from", "from_utc", type=Moment(), help="First moment, RFC 3339 or YYYY-MM-DD (UTC).")
@click.option("--to", "to_utc", type=Moment(), help="Up to this moment; nothing later is used.")
@machine_option
@settings_options
def command(
    *,
    settings: Settings,
    machine: str | None,
    json_file: Path,
    from_utc: datetime | None,
    to_utc: datetime | None,
) -> None:
    """Report on a period: each heat path, what changed, since when, and why most likely.

    Without dates it is the last month of the record. The verdict rests on what was known at the end of the
    period; what was done to the machine until then is compared with before, with all that was recorded since.
    """
    with open_history(settings, machine) as history:
        derivation = history.update()
        record = history.reader.span_utc_ms()
        assert record is not None  # else the update had refused
        end_utc_ms = milliseconds(to_utc) or record[1] + 1
        begin_utc_ms = milliseconds(from_utc) or max(end_utc_ms - MONTH_MS, record[0])
        if begin_utc_ms >= end_utc_ms:
            raise SettingsError("the period ends before it begins", remedy="correct --from and --to")
        verdicts = Judge(history.reader, history.derived, derivation).verdicts(end_utc_ms)
        conditions = ReferenceConditions(**settings.sections["reference"])
        document = report_document(
            history.reader,
            history.derived,
            derivation,
            verdicts,
            span_utc_ms=(begin_utc_ms, end_utc_ms),
            conditions=conditions,
        )
        document["entries"] = [
            as_document(
                compare(history.reader, history.derived, derivation, entry, source, conditions=conditions)
            )
            for entry in history.entries
            for source, eras in derivation.eras.items()
            if entry.at_utc_ms < end_utc_ms and era_opened_by(eras, entry) is not None
        ]
        document["messages"] = [
            _told(one)
            for one in Outbox(history.writing, history.reader.machine_id).messages()
            # What a day showed is told at the midnight after it.
            if begin_utc_ms < one.message.made_utc_ms
            and (to_utc is None or one.message.made_utc_ms <= end_utc_ms)
        ]
    write_json(json_file, document)
    if json_file != STANDARD_OUTPUT:
        for verdict in verdicts:
            for line in wrap(sentence(verdict), WIDTH):
                click.echo(line)


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
