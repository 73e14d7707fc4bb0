"""The report as Markdown, for who keeps notes in plain text: the same words and tables, no pictures."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from . import machine_tables, plain_words
from .environment import harmless, period_words
from .first_lines import FirstLines
from .path_tables import path_tables
from .table import Table

Document = Mapping[str, Any]

# What CommonMark or a table could take for markup, HTML included.
MARKUP = re.compile(r"([\\`*_{}\[\]<>#|~$&!])")
LIST_MARK = re.compile(r"^([-+=]|\d+[.)])(?=\s|=|$)")
ADDRESS = re.compile(r"(https?|ftp)(:)|(www)(\.)", re.IGNORECASE)  # some readers make links of bare ones


def report_markdown(document: Document, first_lines: Mapping[str, FirstLines]) -> str:
    """Write a report as Markdown.

    Parameters
    ----------
    document
        Of schema ``heatdrift-report/1``.
    first_lines
        By source.
    """
    name = plain(document["machine"]["name"], machine_tables.LONGEST_NAME)
    blocks = [
        f"# {name}, {period_words(document['from'], document['to'])}",
        "## What became of each heat path",
    ]
    for path in document["paths"]:
        blocks += _first(first_lines[path["source"]])
    for number, path in enumerate(document["paths"], 1):
        lines = first_lines[path["source"]]
        blocks.append(f"## {plain(path['source'])}")
        if len(lines.what_to_do) > 1:
            blocks += _listed("### What to do, the harmless first", lines.what_to_do, "1.")
        blocks += _listed("### Mind", lines.cautions)
        for table in path_tables(f"path-{number}", path, lines):
            blocks += _table(table)
        blocks += _listed("### What would make this surer", lines.would_settle)
    blocks.append("## What was done, and what it brought")
    for number, entry in enumerate(document["entries"], 1):
        blocks += [
            f"### {plain(machine_tables.entry_name(entry))}, {plain(entry['source'])}",
            f"{plain(machine_tables.sides(entry))}.",
            *_table(machine_tables.comparison(f"entry-{number}", entry)),
        ]
        prices = machine_tables.prices(entry)
        blocks += [plain(" ".join(prices))] if prices else []
    if not document["entries"]:
        blocks.append("No entry of the journal opens a before and after yet.")
    blocks.append("## What you were told")
    told = machine_tables.messages(document)
    blocks += _table(told) if told.rows else ["No message was made in this period."]
    blocks += ["## What was recorded", *_table(machine_tables.coverage(document))]
    blocks += ["## How it knows, and what it cannot know", *plain_words.METHOD]
    blocks += _listed("### What it cannot know", plain_words.LIMITS)
    blocks += _listed("## Before you touch anything", plain_words.CAUTIONS)
    return "\n\n".join([*blocks, plain_words.FOOTER]) + "\n"


def plain(text: str, longest: int | None = None) -> str:
    """Text on one line that no reader of Markdown takes for anything but text."""
    kept = harmless(text) if longest is None else harmless(text, longest)
    line = MARKUP.sub(r"\\\1", " ".join(kept.split()))
    line = ADDRESS.sub(lambda found: "\\".join(part for part in found.groups() if part), line)
    return LIST_MARK.sub(lambda found: f"{found[1][:-1]}\\{found[1][-1]}", line)


def _first(lines: FirstLines) -> list[str]:
    return [
        f"**{plain(lines.source)}: {lines.state_word}.** {plain(lines.sentence)}",
        f"- What to do: {plain(f'{lines.in_short} {lines.what_to_do[0]}')}\n"
        f"- How sure: {plain(lines.how_sure)}",
    ]


def _listed(title: str, items: Sequence[str], mark: str = "-") -> list[str]:
    return [title, "\n".join(f"{mark} {plain(item)}" for item in items)] if items else []


def _table(table: Table) -> list[str]:
    note = [plain(table.note)] if table.note else []
    if not table.rows:
        return note
    rules = ["---:" if column in table.numbers else "---" for column in range(len(table.columns))]
    rows = [[plain(cell) for cell in row] for row in (table.columns, *table.rows)]
    lines = [f"| {' | '.join(row)} |" for row in [rows[0], rules, *rows[1:]]]
    return [f"*{plain(table.caption)}*", "\n".join(lines), *note]
