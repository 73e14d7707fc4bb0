"""The journal as a TOML file that people write: ``[[entry]]`` with time, kind, path and what they know."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from .errors import SettingsError
from .journal_entry import NUMBERS, JournalEntry, kind_of
from .owner_file import parse_toml, read_text
from .plain_text import escaped
from .units import MILLI
from .whole_file import write_whole

TEXT_FIELDS = {
    "path": "source",
    "interface": "interface",
    "currency": "currency",
    "note": "note",
    "photo": "photo_path",
}
"""Keys of the file and the fields they fill; ``path`` is the heat path, by its source."""
KEYS = ("time", "kind", *TEXT_FIELDS, "cost", *NUMBERS)
HIGHEST_COST = Decimal(10) ** 12


def load_journal(path: Path) -> list[JournalEntry]:
    """Read a journal file.

    Raises
    ------
    SettingsError
        It cannot be read, or an entry says what an entry cannot say; the entry is named by its number.
    """
    try:
        text = read_text(path)
    except FileNotFoundError as error:
        raise SettingsError(f"{path} cannot be read: there is none", remedy="give a journal file") from error
    try:
        return parse_journal(text)
    except SettingsError as error:
        raise SettingsError(f"{path}: {error.message}", remedy=error.remedy) from error


def parse_journal(text: str) -> list[JournalEntry]:
    """Read the text of a journal file; see `load_journal`."""
    try:
        document = parse_toml(text, Decimal)
    except ValueError as error:
        raise SettingsError(f"not TOML: {error}", remedy="mend that line") from error
    strangers = sorted(set(document) - {"entry"})
    if strangers:
        raise SettingsError(f"a journal has no {strangers[0]}", remedy="write tables [[entry]]")
    tables = document.get("entry", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise SettingsError("entry is no list of tables", remedy="write [[entry]] with two brackets")
    entries = []
    for number, table in enumerate(tables, 1):
        try:
            entries.append(_entry_of(table))
        except SettingsError as error:
            raise SettingsError(f"entry {number}: {error.message}", remedy=error.remedy) from error
    return entries


def save_journal(entries: Sequence[JournalEntry], path: Path) -> None:
    """Write a journal file; an older one is replaced only when the new one is complete."""
    try:
        write_whole(path, lambda whole: whole.write_text(format_journal(entries), encoding="utf-8"))
    except OSError as error:
        raise SettingsError(f"{path} cannot be written: {error.strerror}", remedy="choose another") from error


def format_journal(entries: Sequence[JournalEntry]) -> str:
    """The text of a journal file; `parse_journal` gives the same entries back."""
    return "\n".join(_table_of(entry) for entry in entries)


def moment_utc_ms(value: object) -> int:
    """A moment [ms since 1970]: RFC 3339, or a date, which means its first moment in UTC.

    Raises
    ------
    SettingsError
        It is neither, or has no time zone.
    """
    remedy = "write 2026-03-01 or 2026-03-01T18:30:00Z"
    moment = value
    if isinstance(value, str):
        try:
            moment = date.fromisoformat(value) if len(value) == 10 else datetime.fromisoformat(value)
        except ValueError as error:
            raise SettingsError(f"{value!r} is no time", remedy=remedy) from error
    if isinstance(moment, datetime):
        if moment.tzinfo is None:
            raise SettingsError(f"{value} has no time zone", remedy="end it in Z or +02:00")
        return round(moment.timestamp() * MILLI)
    if isinstance(moment, date):
        return round(datetime(moment.year, moment.month, moment.day, tzinfo=UTC).timestamp() * MILLI)
    raise SettingsError(f"{value!r} is no time", remedy=remedy)


def cost_milli(value: object) -> int:
    """A cost in thousandths; a finite number, 0 or more."""
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        exact = Decimal(value)
        if exact.is_finite() and 0 <= exact <= HIGHEST_COST:
            return round(exact * MILLI)
    raise SettingsError(f"{value} is no cost", remedy="write a number, 0 or more")


def _entry_of(table: dict[str, Any]) -> JournalEntry:
    for key in table:
        if key not in KEYS:
            near = get_close_matches(key, KEYS, 1)
            remedy = f"did you mean {near[0]}?" if near else f"it may have {', '.join(KEYS)}"
            raise SettingsError(f"an entry has no {key}", remedy=remedy)
    for key in ("time", "kind"):
        if key not in table:
            raise SettingsError(f"{key} is missing", remedy="each entry needs time and kind")
    texts = {name: _text(key, table[key]) for key, name in TEXT_FIELDS.items() if key in table}
    plain = JournalEntry(
        at_utc_ms=moment_utc_ms(table["time"]),
        kind=kind_of(table["kind"]),
        numbers={key: _number(key, table[key]) for key in NUMBERS if key in table},
        cost_milli=cost_milli(table["cost"]) if "cost" in table else None,
    )
    return replace(plain, **texts)  # type: ignore[arg-type]  # only texts


def _text(key: str, value: object) -> str:
    if not isinstance(value, str):
        raise SettingsError(f"{key} = {value} is no text", remedy="write it in quotes")
    return value


def _number(key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise SettingsError(f"{key} = {value!r} is no number", remedy="write it without quotes")
    try:
        return float(value)
    except OverflowError as error:
        raise SettingsError(f"{key} is too large a number", remedy=NUMBERS[key].meaning) from error


def _table_of(entry: JournalEntry) -> str:
    moment = datetime.fromtimestamp(entry.at_utc_ms / MILLI, UTC)
    lines = [
        "[[entry]]",
        f"time = {moment.isoformat(timespec='milliseconds').replace('+00:00', 'Z').replace('.000Z', 'Z')}",
        f"kind = {_quoted(entry.kind.value)}",
    ]
    for key, name in TEXT_FIELDS.items():
        if key == "currency" and entry.cost_milli is not None:
            lines.append(f"cost = {Decimal(entry.cost_milli) / MILLI:f}")
        if getattr(entry, name):
            lines.append(f"{key} = {_quoted(getattr(entry, name))}")
    lines += [f"{key} = {entry.numbers[key]!r}" for key in NUMBERS if key in entry.numbers]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # JSON's escapes are TOML's too; JSON leaves DEL, which TOML forbids, and what a terminal would obey.
    return escaped(json.dumps(text, ensure_ascii=False))
