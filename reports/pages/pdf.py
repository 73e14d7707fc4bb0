"""The report of a period as a PDF for paper: the first screen in words, the pictures, the main tables."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..pictures.picture import FAINT, Picture
from . import machine_tables, plain_words
from .environment import harmless, period_words, typeset
from .first_lines import FirstLines
from .path_tables import path_tables
from .sheets import FIXED_LETTER, POINTS_PER_IN, WIDTH_IN, Sheets
from .table import Table

Document = Mapping[str, Any]

TITLE_PT, HEADING_PT, CAPTION_PT, SMALL_PT, TABLE_PT = 17.0, 13.0, 10.0, 8.5, 8.0
TABLE_LETTERS = int(WIDTH_IN * POINTS_PER_IN / TABLE_PT / FIXED_LETTER)
GUTTER = 2
LEAST_CELL = 8
HEADING_ROOM_IN = 1.2  # a heading is not left alone at the foot of a sheet


def report_pdf(
    document: Document,
    pictures: Mapping[str, Sequence[Picture]],
    *,
    first_lines: Mapping[str, FirstLines],
    path: Path,
) -> None:
    """Write a report as sheets of A4.

    Parameters
    ----------
    document
        Of schema ``heatdrift-report/1``.
    pictures
        By source, those of the machine under an empty name.
    first_lines
        By source.
    path
        Of the file, which is replaced.
    """
    name = _line(document["machine"]["name"], machine_tables.LONGEST_NAME)
    period = period_words(document["from"], document["to"])
    with Sheets(path, foot=f"heatdrift, {name}, {period}", title=f"{name}, {period}") as sheets:
        sheets.text(f"{name}: does its cooling hold?", size_pt=TITLE_PT, is_bold=True)
        sheets.text(period, color=FAINT)
        for one in document["paths"]:
            _first(sheets, first_lines[one["source"]])
        for number, one in enumerate(document["paths"], 1):
            lines = first_lines[one["source"]]
            sheets.turn()
            sheets.text(f"{one['source']} ({lines.state_word})", size_pt=TITLE_PT, is_bold=True)
            for picture in pictures.get(one["source"], ()):
                _picture(sheets, picture)
            for table in path_tables(f"path-{number}", one, lines):
                _table(sheets, table)
        sheets.turn()
        for picture in pictures.get("", ()):
            _picture(sheets, picture)
        for number, entry in enumerate(document["entries"], 1):
            _heading(sheets, f"{machine_tables.entry_name(entry)}, {entry['source']}")
            sheets.text(f"{machine_tables.sides(entry)}.", size_pt=SMALL_PT, color=FAINT)
            _table(sheets, machine_tables.comparison(f"entry-{number}", entry))
            for said in machine_tables.prices(entry):
                sheets.text(_line(said), size_pt=SMALL_PT)
        for table in (machine_tables.messages(document), machine_tables.coverage(document)):
            _table(sheets, table)
        _heading(sheets, "How it knows")
        for said in plain_words.METHOD:
            sheets.text(said, size_pt=SMALL_PT)
            sheets.gap(0.05)
        _listed(sheets, "What it cannot know", plain_words.LIMITS)
        _listed(sheets, "Before you touch anything", plain_words.CAUTIONS)
        sheets.gap(0.1)
        sheets.text(plain_words.FOOTER, size_pt=SMALL_PT, color=FAINT)


def _line(text: str, longest: int | None = None) -> str:
    """Foreign text on one line; what the font lacks is shown as a box, not left out."""
    kept = harmless(text) if longest is None else harmless(text, longest)
    return typeset(" ".join(kept.split()))


def _first(sheets: Sheets, lines: FirstLines) -> None:
    sheets.gap(0.2)
    sheets.keep(HEADING_ROOM_IN)
    sheets.text(f"{lines.source}: {lines.state_word}", size_pt=HEADING_PT, is_bold=True)
    sheets.gap(0.03)
    sheets.text(_line(lines.sentence), size_pt=11.5)
    sheets.gap(0.06)
    sheets.text("How sure", size_pt=SMALL_PT, color=FAINT)
    sheets.text(_line(lines.how_sure), size_pt=9.5)
    sheets.gap(0.06)
    sheets.text(f"What to do: {lines.in_short}", size_pt=9.5, is_bold=True)
    _numbered(sheets, lines.what_to_do)
    if lines.cautions:
        sheets.text("Mind", size_pt=SMALL_PT, color=FAINT)
        _numbered(sheets, lines.cautions, mark="-")


def _numbered(sheets: Sheets, items: Sequence[str], mark: str = "") -> None:
    for number, item in enumerate(items, 1):
        sheets.text(f"{mark or f'{number}.'} {_line(item)}", size_pt=9.5, indent_in=0.15)


def _heading(sheets: Sheets, said: str, size_pt: float = HEADING_PT) -> None:
    sheets.gap(0.2)
    sheets.keep(HEADING_ROOM_IN)
    sheets.text(_line(said), size_pt=size_pt, is_bold=True)
    sheets.gap(0.04)


def _listed(sheets: Sheets, title: str, items: Sequence[str]) -> None:
    _heading(sheets, title)
    for item in items:
        sheets.text(f"- {item}", size_pt=SMALL_PT)


def _picture(sheets: Sheets, picture: Picture) -> None:
    drawn_in = 0.0 if picture.figure is None else float(picture.figure.get_size_inches()[1])
    sheets.gap(0.15)
    sheets.keep(drawn_in + HEADING_ROOM_IN)
    sheets.text(_line(picture.title), size_pt=HEADING_PT, is_bold=True)
    if picture.figure is None:
        sheets.text(f"No drawing: {_line(picture.missing)}", size_pt=SMALL_PT)
    else:
        sheets.drawing(picture.figure)
        sheets.text(_line(picture.description), size_pt=SMALL_PT, color=FAINT)
    if picture.window:
        sheets.text(f"Shown: {_line(picture.window).rstrip('.')}.", size_pt=SMALL_PT, color=FAINT)


def _table(sheets: Sheets, table: Table) -> None:
    if table.rows:
        _heading(sheets, table.caption, CAPTION_PT)
        heading, *rows = _set(table)
        sheets.lines(heading, size_pt=TABLE_PT, color=FAINT, is_fixed=True)
        for row in rows:
            sheets.lines(row, size_pt=TABLE_PT, is_fixed=True)
    if table.note:
        sheets.gap(0.04)
        sheets.text(_line(table.note), size_pt=SMALL_PT, color=FAINT)


def _set(table: Table) -> list[list[str]]:
    """Rows as lines of fixed width, long cells wrapped in their column; the heading first."""
    cells = [[_line(cell) for cell in row] for row in (table.columns, *table.rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(table.columns))]
    while sum(widths) + GUTTER * (len(widths) - 1) > TABLE_LETTERS and max(widths) > LEAST_CELL:
        widths[widths.index(max(widths))] -= 1
    made = []
    for row in cells:
        wrapped = [textwrap.wrap(cell, width) or [""] for cell, width in zip(row, widths, strict=True)]
        lines = []
        for number in range(max(len(cell) for cell in wrapped)):
            parts = [cell[number] if number < len(cell) else "" for cell in wrapped]
            set_ = [
                part.rjust(width) if column in table.numbers else part.ljust(width)
                for column, (part, width) in enumerate(zip(parts, widths, strict=True))
            ]
            lines.append((" " * GUTTER).join(set_).rstrip())
        made.append(lines)
    return made
