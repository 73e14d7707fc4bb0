"""The folder of monthly reports: which months are missing, and an index over those that are there."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

from ..reports.monthly_settings import MonthlySettings
from ..reports.pages.first_lines import NOT_JUDGED
from ..reports.pages.index_page import MonthEntry, index_page
from ..reports.reference_conditions import ReferenceConditions
from ..reports.verdict_document import moment
from ..store.database import parse_url, sqlite_path
from ..store.errors import SettingsError, StoreError
from ..store.message import Lane, Message, Severity
from ..store.outbox import Outbox
from ..store.owner_file import read_text
from ..store.sqlite_file import make_folder
from ..store.whole_file import write_whole
from .history import History
from .places import user_folder
from .report_making import MadeReport, make_report
from .report_writing import write_report

MONTH = re.compile(r"(\d{4})-(0[1-9]|1[0-2])")
UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")
MOST_AT_ONCE = 12  # a record that was brought in from elsewhere may hold years


def write_missing_months(
    history: History,
    database: str,
    conditions: ReferenceConditions,
    settings: MonthlySettings,
    now_utc_ms: int,
) -> list[Path]:
    """Write the report of every finished month that has none yet, the oldest first, and the index.

    Parameters
    ----------
    history
        Of the machine.
    database
        URL or path; the folder lies beside it unless the settings name one.
    conditions
        Room and power at which temperatures are quoted.
    settings
        Where to, and whether to tell.
    now_utc_ms
        The moment [ms since 1970].

    Returns
    -------
    list of Path
        The pages written.
    """
    derivation = history.update()
    record = history.reader.span_utc_ms()
    assert record is not None  # the update refuses an empty record
    folder = report_folder(settings, database) / _safe(history.reader.machine_name)
    months = [one for one in finished_months(record, now_utc_ms) if not (folder / f"{one}.html").exists()]
    written: list[Path] = []
    try:
        make_folder(folder)
        for month in months[-MOST_AT_ONCE:]:
            made = make_report(history, derivation, conditions, month_span_utc_ms(month))
            write_report(made, "json", folder / f"{month}.json")
            if settings.is_sent and month == months[-1]:
                Outbox(history.writing, history.reader.machine_id).queue(_message(made, month, now_utc_ms))
            # The page last: where it is there, the month is done, and a message that was queued before a
            # power cut is not queued again.
            write_report(made, "html", folder / f"{month}.html")
            written.append(folder / f"{month}.html")
        _write_index(folder)
    except OSError as error:
        raise StoreError(
            f"the report cannot be written to {folder}: {error.strerror}",
            remedy="make room, or the folder writable",
        ) from error
    return written


def _write_index(folder: Path) -> None:
    """Write the index where it is not what it should be: the last writer may have been killed before it."""
    entries, index = _entries(folder), folder / "index.html"
    if not entries:
        return
    page = index_page(entries)
    if not index.exists() or index.read_text(encoding="utf-8", errors="replace") != page:
        write_whole(index, lambda whole: whole.write_text(page, encoding="utf-8"))


def report_folder(settings: MonthlySettings, database: str) -> Path:
    """Where monthly reports go."""
    if settings.report_folder is not None:
        return settings.report_folder
    file = sqlite_path(parse_url(database))
    return (file.parent if file is not None else user_folder()) / "reports"


def finished_months(record_utc_ms: tuple[int, int], now_utc_ms: int) -> list[str]:
    """Calendar months (UTC) of which something was recorded and which are over, the oldest first."""
    found: list[str] = []
    begin_utc_ms = record_utc_ms[0]
    while begin_utc_ms <= record_utc_ms[1]:
        name = f"{datetime.fromtimestamp(begin_utc_ms / 1000, UTC):%Y-%m}"
        _, begin_utc_ms = month_span_utc_ms(name)
        if begin_utc_ms > now_utc_ms:
            break
        found.append(name)
    return found


def month_span_utc_ms(month: str) -> tuple[int, int]:
    """First moment of a calendar month and of the next, UTC [ms since 1970].

    Raises
    ------
    SettingsError
        That is no month.
    """
    known = MONTH.fullmatch(month)
    if known is None or int(known[1]) < 1970:
        raise SettingsError(f"{month!r} is no month", remedy="write it as 2026-03")
    year, number = int(known[1]), int(known[2])
    following = (year, number + 1) if number < 12 else (year + 1, 1)
    if following[0] > 9999:
        raise SettingsError(f"{month!r} is too far away", remedy="write it as 2026-03")
    begin, end = (datetime(*first, 1, tzinfo=UTC) for first in ((year, number), following))
    return round(begin.timestamp() * 1000), round(end.timestamp() * 1000)


def _entries(folder: Path) -> list[MonthEntry]:
    """Every month in the folder, the newest first, by the documents beside the pages."""
    found = []
    for page in sorted(folder.glob("*.html"), reverse=True):
        if MONTH.fullmatch(page.stem) is None:
            continue
        begin_utc_ms, end_utc_ms = month_span_utc_ms(page.stem)
        machine = state = finding = ""
        try:
            document = json.loads(read_text(page.with_suffix(".json")))
            said = document["machine"]["name"], document["state"], document["finding"]
            if all(isinstance(one, str) for one in said):
                machine, state, finding = said
        except (OSError, SettingsError, ValueError, KeyError, TypeError, RecursionError):
            pass  # lost, or somebody else's: the page still stands
        found.append(
            MonthEntry(
                page.name, machine, moment(begin_utc_ms), moment(end_utc_ms), state or NOT_JUDGED, finding
            )
        )
    return found


def _message(made: MadeReport, month: str, now_utc_ms: int) -> Message:
    """The first lines of a report, for the channels of the messages."""
    lines = [one.sentence for one in made.lines.values()]
    name = made.history.reader.machine_name
    return Message(
        Lane.REPORT,
        Severity.NOTE,
        f"report {month}",
        now_utc_ms,
        f"{name}: report of {month}",
        "\n\n".join([*lines, "The whole report lies in the folder of reports of that machine."]),
    )


def _safe(name: str) -> str:
    """A machine's name as the name of a folder."""
    return UNSAFE.sub("-", name).strip("-.") or "machine"
