"""Writes a report in the format asked for; a file is whole or not there."""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path

from ..reports.compare import Comparison
from ..reports.pages.compare_page import compare_page
from ..reports.pages.day_table import day_table
from ..reports.pages.markdown import report_markdown
from ..reports.pages.report_page import report_page
from ..reports.pictures.comparison import comparison_pictures
from ..reports.pictures.coverage import coverage_picture
from ..reports.pictures.path_pictures import path_pictures
from ..reports.pictures.picture import Picture
from ..reports.pictures.work_pictures import work_pictures
from ..store.errors import SettingsError
from ..store.summary import summary
from ..store.whole_file import write_whole
from .compare_text import as_document
from .fit import STANDARD_OUTPUT, json_text
from .history import History
from .report_making import MadeReport
from .speech import say_document
from .status_text import costs
from .wording import size_text

FORMATS = ("html", "pdf", "markdown", "csv", "json")


def write_report(made: MadeReport, name: str, path: Path) -> None:
    """Write one format.

    Parameters
    ----------
    made
        The report.
    name
        One of `FORMATS`.
    path
        Where to; ``-`` for standard output.

    Raises
    ------
    SettingsError
        It cannot be written there.
    """
    if name == "pdf":
        from ..reports.pages.pdf import report_pdf  # noqa: PLC0415 - its fonts are loaded by nobody else

        pictures = pictures_of(made)
        _write(path, lambda whole: report_pdf(made.document, pictures, first_lines=made.lines, path=whole))
        return
    texts: Mapping[str, Callable[[], str]] = {
        "html": lambda: html_of(made),
        "markdown": lambda: report_markdown(made.document, made.lines),
        "csv": lambda: _csv(made),
        "json": lambda: json_text(made.document),
    }
    text = texts[name]()
    if path == STANDARD_OUTPUT:
        say_document(text)
        return
    _write(path, lambda whole: whole.write_text(text, encoding="utf-8"))


def html_of(made: MadeReport) -> str:
    """The page of a report."""
    return report_page(
        made.document,
        pictures_of(made),
        first_lines=made.lines,
        own_cost=own_cost(made.history),
        notes=_notes_of(made.history),
    )


def _notes_of(history: History) -> dict[int, str]:
    """What the owner wrote beside journal entries, by their number."""
    return {entry.entry_id: entry.note for entry in history.entries if entry.entry_id is not None}


def own_cost(history: History) -> dict[str, str]:
    """What the service itself took, in words; empty where none has run on this record."""
    found = summary(history.writing, time.time_ns() // 1_000_000, history.reader.machine_uuid)
    cost = costs(found)
    words = {}
    if "cpu_pct" in cost:
        words["processor"] = f"{cost['cpu_pct']:.2f} % of one core"
    memory = cost.get("pss_bytes", cost.get("rss_bytes"))
    if memory is not None:
        words["memory"] = size_text(int(memory + cost.get("children_pss_bytes", 0.0)))
    if "written_bytes" in cost:
        words["written to disk since it started"] = size_text(int(cost["written_bytes"]))
    if found.size_bytes:
        words["database"] = size_text(found.size_bytes)
    return words


@lru_cache(maxsize=1)
def pictures_of(made: MadeReport) -> dict[str, list[Picture]]:
    """All pictures by source; those of the machine under an empty name."""
    history, derivation = made.history, made.derivation
    begin_utc_ms, end_utc_ms = made.span_utc_ms
    span = {"from_utc_ms": begin_utc_ms, "to_utc_ms": end_utc_ms}
    found: dict[str, list[Picture]] = {}
    for one in made.verdicts:
        entries = [
            entry
            for entry in history.entries
            if entry.source in ("", one.source) and entry.at_utc_ms < end_utc_ms
        ]
        found[one.source] = [
            *path_pictures(
                history.reader,
                history.derived,
                derivation,
                one,
                made.states[one.source],
                entries,
                made.conditions,
                **span,
            ),
            *work_pictures(history.reader, history.derived, derivation, one, **span),
        ]
    found[""] = [coverage_picture(history.reader, history.derived, **span)]
    return found


def write_comparison(history: History, comparisons: Sequence[Comparison], path: Path) -> None:
    """Write before and after as one page.

    Raises
    ------
    SettingsError
        It cannot be written there.
    """
    page = compare_page(
        {"comparisons": [as_document(one) for one in comparisons]},
        {one.source: comparison_pictures(history.reader, one) for one in comparisons},
        machine_name=history.reader.machine_name,
        notes=_notes_of(history),
    )
    _write(path, lambda whole: whole.write_text(page, encoding="utf-8"))


def _write(path: Path, write: Callable[[Path], object]) -> None:
    try:
        write_whole(path, write)
    except OSError as error:
        raise SettingsError(
            f"{path} cannot be written: {error.strerror}", remedy="name another file, or make room"
        ) from error


def _csv(made: MadeReport) -> str:
    written = io.StringIO()
    day_table(made.verdicts).to_csv(written, index=False)
    return written.getvalue()
