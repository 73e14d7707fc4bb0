"""Plain columns that fit a terminal, a pipe and a mail alike."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

WIDTH = 80
GUTTER = "  "
TIE = "\u00a0"  # a space at which no line is broken; printed as a plain one


def columns(rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> list[str]:
    """Set rows in columns; the last column wraps inside its own space.

    Parameters
    ----------
    rows
        All with the same number of cells; the first is usually the heading.
    right
        Columns that are set to the right, as numbers are.
    """
    if not rows:
        return []
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    before = sum(widths[:-1]) + len(GUTTER) * (len(widths) - 1)
    room = max(20, WIDTH - before)
    lines = []
    for row in rows:
        cells = [
            cell.rjust(width) if index in right else cell.ljust(width)
            for index, (cell, width) in enumerate(zip(row[:-1], widths[:-1], strict=True))
        ]
        last = row[-1].rjust(widths[-1]) if len(row) - 1 in right else row[-1]
        wrapped = wrap(last, room)
        lines.append(GUTTER.join([*cells, wrapped[0]]).rstrip())
        lines += [" " * before + more for more in wrapped[1:]]
    return lines


def labelled(label: str, text: str, indent: int = 12) -> list[str]:
    """A line that starts with a label; what does not fit goes on below the text."""
    wrapped = wrap(text, WIDTH - indent) or [""]
    return [f"{label:<{indent}}{wrapped[0]}".rstrip(), *(" " * indent + more for more in wrapped[1:])]


def wrap(text: str, width: int) -> list[str]:
    """Break a text at spaces; a path or key longer than a line stays whole, so that it can be copied."""
    if len(text) <= width:
        return [text.replace(TIE, " ")]
    lines = textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False)
    return [line.replace(TIE, " ") for line in lines] or [""]


def listed(items: Iterable[str]) -> str:
    """Join items to a list that `wrap` breaks only between them."""
    return ", ".join(item.replace(" ", TIE) for item in items)
