"""A table of a page, in words: made once, printed as HTML, Markdown or PDF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under headings.

    Attributes
    ----------
    key
        Unique on its page: letters, digits and hyphens.
    caption
        What it shows.
    columns
        Headings; the first column names the row.
    rows
        Each as long as ``columns``.
    numbers
        Columns that are set to the right.
    note
        What one has to know to read it.
    """

    key: str
    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()
    note: str = ""


def interval(ci95: Sequence[float] | None, digits: int, sign: str = "") -> str:
    """As ``9 to 15``; empty where there is none."""
    return "" if ci95 is None else f"{number(ci95[0], digits, sign)} to {number(ci95[1], digits, sign)}"


def with_interval(
    value: float | None,
    ci95: Sequence[float] | None,
    unit: str,
    digits: int,
    sign: str = "",
) -> str:
    """As ``12 % (9 to 15)``, or that it is not known."""
    if value is None:
        return NOT_KNOWN
    said = f"{number(value, digits, sign)} {unit}".rstrip()
    return f"{said} ({interval(ci95, digits, sign)})" if ci95 is not None else said


def number(value: float, digits: int, sign: str = "") -> str:
    """A number whose minus is a minus and whose zero has no sign."""
    said = f"{value:{sign}.{digits}f}"
    if float(said) == 0.0:
        said = said.lstrip("+-")
    return said.replace("-", "\N{MINUS SIGN}")
