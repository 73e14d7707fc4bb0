"""``heatdrift report``: what became of each heat path in a period."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from ..reports.evidence_words import sentence
from ..reports.reference_conditions import ReferenceConditions
from ..reports.verdict_outlook import MONTH_MS
from ..store.errors import SettingsError
from .export import milliseconds
from .fit import STANDARD_OUTPUT, write_json
from .history import open_history
from .options import Moment, json_file_option, machine_option, settings_options
from .report_making import make_report
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
        conditions = ReferenceConditions(**settings.sections["reference"])
        made = make_report(
            history, derivation, conditions, (begin_utc_ms, end_utc_ms), is_open_ended=to_utc is None
        )
    write_json(json_file, made.document)
    if json_file != STANDARD_OUTPUT:
        for verdict in made.verdicts:
            for line in wrap(sentence(verdict), WIDTH):
                click.echo(line)
