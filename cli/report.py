"""``heatdrift report``: what became of each heat path in a period, as a page, a table or a document."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import click

from ..reports.monthly_settings import MonthlySettings
from ..reports.reference_conditions import ReferenceConditions
from ..reports.verdict_outlook import MONTH_MS
from ..store.errors import SettingsError
from .export import milliseconds
from .fit import STANDARD_OUTPUT
from .history import open_history
from .knobs import built
from .monthly_reports import month_span_utc_ms, write_missing_months
from .options import Command, Moment, exit_code_option, json_file_option, machine_option, settings_options
from .report_making import MadeReport, make_report
from .report_writing import FORMATS, write_report
from .settings import Settings
from .speech import say
from .tables import WIDTH, wrap
from .verdict import exit_code

EPILOG = """\b
Example:
  heatdrift report --month 2026-03
  heatdrift report --month 2026-03 --pdf march.pdf
  heatdrift report --json - --to 2026-04-01
"""


def _file_option(name: str, what: str) -> Callable[[Command], Command]:
    return click.option(
        f"--{name}",
        f"{name}_file",
        metavar="FILE",
        type=click.Path(path_type=Path, dir_okay=False, allow_dash=name != "pdf"),
        help=what,
    )


@click.command("report", epilog=EPILOG)
@_file_option("html", "Write it as one page; this is what happens when no format is named.")
@_file_option("pdf", "Write it as A4 pages.")
@_file_option("markdown", "Write its sentences and tables as Markdown.")
@_file_option("csv", "Write the value of every day as a table.")
@json_file_option("Write it")
@click.option("--month", metavar="YYYY-MM", help="One calendar month (UTC).")
@click.option("--from", "from_utc", type=Moment(), help="First moment, RFC 3339 or YYYY-MM-DD (UTC).")
@click.option("--to", "to_utc", type=Moment(), help="Up to this moment; nothing later is used.")
@click.option(
    "--monthly",
    "is_monthly",
    is_flag=True,
    help="Write every finished month that is missing into the folder of reports, as the service does.",
)
@exit_code_option()
@machine_option
@settings_options
@click.pass_context
def command(
    ctx: click.Context,
    *,
    settings: Settings,
    machine: str | None,
    month: str | None,
    from_utc: datetime | None,
    to_utc: datetime | None,
    is_monthly: bool,
    wants_exit_code: bool,
    html_file: Path | None,
    pdf_file: Path | None,
    markdown_file: Path | None,
    csv_file: Path | None,
    json_file: Path | None,
) -> None:
    """Report on a period: each heat path, what changed, since when, and why most likely.

    Without dates it is the last month of the record. The verdict rests on what was known at the end of the
    period; what was done to the machine until then is compared with before, with all that was recorded since.
    A file named - is standard output.
    """
    named = dict(zip(FORMATS, (html_file, pdf_file, markdown_file, csv_file, json_file), strict=True))
    wanted = {name: path for name, path in named.items() if path is not None}
    conditions = ReferenceConditions(**settings.sections["reference"])
    if is_monthly:
        if wanted or month or from_utc or to_utc:
            raise click.UsageError("--monthly knows its months and its folder by itself")
        monthly = MonthlySettings(**built("monthly", settings.sections["monthly"]))
        with open_history(settings, machine) as history:
            written = write_missing_months(
                history, settings.database, conditions, monthly, time.time_ns() // 1_000_000
            )
        for path in written:
            say(f"written: {path}")
        if not written:
            say("no finished month is missing")
        return
    if month and (from_utc or to_utc):
        raise click.UsageError("--month is a period by itself, without --from and --to")
    with open_history(settings, machine) as history:
        derivation = history.update()
        record = history.reader.span_utc_ms()
        assert record is not None  # else the update had refused
        begin_utc_ms, end_utc_ms = _span(month, from_utc, to_utc, record)
        made = make_report(
            history,
            derivation,
            conditions,
            (begin_utc_ms, end_utc_ms),
            is_open_ended=not month and to_utc is None,
        )
        if not wanted:
            wanted = {"html": Path(_file_name(made))}
        for name, path in wanted.items():
            write_report(made, name, path)
    if STANDARD_OUTPUT not in wanted.values():
        for one in made.lines.values():
            for line in wrap(one.sentence, WIDTH):
                say(line)
        for path in wanted.values():
            say(f"written: {path}")
    if wants_exit_code:
        ctx.exit(exit_code(made.verdicts))


def _span(
    month: str | None, from_utc: datetime | None, to_utc: datetime | None, record: tuple[int, int]
) -> tuple[int, int]:
    """The period asked for, else the last month of the record [ms since 1970]."""
    if month:
        return month_span_utc_ms(month)
    end_utc_ms = milliseconds(to_utc) or record[1] + 1
    begin_utc_ms = milliseconds(from_utc) or max(end_utc_ms - MONTH_MS, record[0])
    if begin_utc_ms >= end_utc_ms:
        raise SettingsError("the period ends before it begins", remedy="correct --from and --to")
    return begin_utc_ms, end_utc_ms


def _file_name(made: MadeReport) -> str:
    last = datetime.fromtimestamp((made.span_utc_ms[1] - 1) / 1000, UTC)
    return f"heatdrift-report-{last:%Y-%m-%d}.html"
