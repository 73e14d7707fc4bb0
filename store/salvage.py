"""Takes over into a sound database what can still be read, and be trusted, of a damaged one.

Plain rows and packed tables carry checksums, so that each stands for itself. All other tables carry none: of
them a whole table is taken where SQLite finds nothing wrong with its pages.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .faults import translated
from .labels import Label, label_of
from .packing import CODEC
from .page_scan import Cells, scan
from .row_checksum import row_checksum
from .schema import metadata, sealed_day
from .soundness import ROW_TABLES, connect_still, structure_fault

# Their rows never change once they are there: what a backup has of them holds, the rest is added.
LASTING = ("machine", "source", "channel", "boot", "gap", "identity_change")
BATCH = 5000


@dataclass(frozen=True, slots=True)
class Salvage:
    """What was taken over.

    Attributes
    ----------
    n_rows, n_tables
        Plain rows and packed tables that the sound database did not have.
    n_unreadable
        Rows and packed tables that were there and are not what was written; at least one for each table that
        has a broken page.
    left_out
        Tables without checksums whose pages are broken: they are as the sound database had them.
    """

    n_rows: int
    n_tables: int
    n_unreadable: int
    left_out: tuple[str, ...]


def salvage(image: Path, target: Path) -> Salvage:
    """Take over everything from a damaged file into a sound one of the same record.

    Parameters
    ----------
    image
        The damaged file; nobody writes it.
    target
        The sound one, of this version's schema: a backup, or empty tables.
    """
    with translated(str(target), target):
        into = sqlite3.connect(target, isolation_level=None)
        source = connect_still(image)
        try:
            into.execute("BEGIN IMMEDIATE")
            left_out = tuple(_take_unchecked(source, into))
            n_before = into.total_changes
            n_bad = _take_rows(source, image, into)
            n_rows, n_before = into.total_changes - n_before, into.total_changes
            n_bad += _take_packed(source, image, into)
            n_tables = into.total_changes - n_before
            into.execute("COMMIT")
        finally:
            source.close()
            into.close()
    return Salvage(n_rows, n_tables, n_bad, left_out)


def salvage_pages(pages: Path, target: Path) -> int:
    """Take plain rows over from loose pages, one after the other in a file; returns how many were new."""
    with translated(str(target), target):
        into = sqlite3.connect(target, isolation_level=None)
        try:
            into.execute("BEGIN IMMEDIATE")
            n_before = into.total_changes
            _scan_rows(pages, into, set(ROW_TABLES))
            n_rows = into.total_changes - n_before
            into.execute("COMMIT")
        finally:
            into.close()
    return n_rows


def _take_unchecked(source: sqlite3.Connection, into: sqlite3.Connection) -> Iterator[str]:
    """Tables without checksums, each as a whole or not at all; yields the names of those left out."""
    for table in metadata.sorted_tables:
        if table.name in ROW_TABLES or table.name == sealed_day.name:
            continue
        names = [column.name for column in table.columns]
        rows = None if structure_fault(source, table.name) else _whole(source, table.name, names)
        if rows is None:
            yield table.name
            continue
        if table.name not in LASTING:
            into.execute(f"DELETE FROM {table.name}")  # noqa: S608 - the names are those of our own tables
        _insert(into, table.name, names, rows)


def _whole(source: sqlite3.Connection, table: str, names: list[str]) -> list[Any] | None:
    try:
        return source.execute(f"SELECT {', '.join(names)} FROM {table}").fetchall()  # noqa: S608
    except (sqlite3.DatabaseError, UnicodeDecodeError):
        return None


def _insert(into: sqlite3.Connection, table: str, names: list[str], rows: list[Any]) -> None:
    marks = ", ".join("?" * len(names))
    statement = f"INSERT OR IGNORE INTO {table} ({', '.join(names)}) VALUES ({marks})"  # noqa: S608
    into.executemany(statement, rows)


def _take_rows(source: sqlite3.Connection, image: Path, into: sqlite3.Connection) -> int:
    """Plain rows; returns how many are not what was written."""
    n_bad = 0
    broken = {name for name in ROW_TABLES if structure_fault(source, name)}
    for name in ROW_TABLES:
        columns = [column.name for column in metadata.tables[name].columns]
        rows = _whole(source, name, columns) if name not in broken else None
        if rows is None:
            broken.add(name)
            continue
        good = [row for row in rows if row[-1] == row_checksum(row[:-1])]
        n_bad += len(rows) - len(good)
        _insert_known(into, name, columns, good)
    # A page of noise shows no row that could be counted.
    return n_bad + (max(1, _scan_rows(image, into, broken)) if broken else 0)


def _scan_rows(image: Path, into: sqlite3.Connection, broken: set[str]) -> int:
    by_width = {len(metadata.tables[name].columns): name for name in broken}
    found: dict[str, list[Cells]] = {name: [] for name in broken}
    n_bad = 0
    for cells in scan(image, is_table=False):
        if cells is None:
            n_bad += 1
            continue
        name = by_width.get(len(cells))
        if name is None or not all(cell is None or type(cell) is int for cell in cells):
            continue
        if cells[-1] == row_checksum(cells[:-1]):
            found[name].append(cells)
        else:
            n_bad += 1
    for name, rows in found.items():
        _insert_known(into, name, [column.name for column in metadata.tables[name].columns], rows)
    return n_bad


def _insert_known(into: sqlite3.Connection, table: str, names: list[str], rows: list[Any]) -> None:
    """Insert the rows whose source or channel is known; without it nobody could say what they are."""
    owner, place = ("source", 0) if names[0] == "source_id" else ("channel", 1)
    known = {number for (number,) in into.execute(f"SELECT id FROM {owner}")}  # noqa: S608
    for start in range(0, len(rows), BATCH):
        _insert(into, table, names, [row for row in rows[start : start + BATCH] if row[place] in known])


def _take_packed(source: sqlite3.Connection, image: Path, into: sqlite3.Connection) -> int:
    """Packed tables; returns how many are not what was written."""
    names = [column.name for column in sealed_day.columns if column.name != "id"]
    there = set(into.execute("SELECT series, first_day, last_day, checksum FROM sealed_day"))
    known = {number for (number,) in into.execute("SELECT id FROM machine")}
    rows = None if structure_fault(source, sealed_day.name) else _whole(source, sealed_day.name, names)
    is_broken = rows is None
    if rows is None:
        # Its number is not in the record of a row that has one: the first cell is empty.
        rows = [cells[1:] for cells in scan(image, is_table=True) if cells and len(cells) == len(names) + 1]
    n_bad = int(is_broken)
    for row in rows:
        machine_id, *label, stated, _, packed = row
        if not isinstance(packed, bytes) or machine_id not in known:
            continue
        checksum = hashlib.sha256(packed).hexdigest()
        # A bit that turned in the checksum itself spoils one letter of it.
        if sum(a != b for a, b in zip(checksum, str(stated), strict=False)) > 1:
            n_bad += 1
            continue
        series, first_day, last_day, n = label_of(packed, Label(*label))
        if (series, first_day, last_day, checksum) not in there:
            there.add((series, first_day, last_day, checksum))
            values = [machine_id, series, first_day, last_day, n, checksum, CODEC, packed]
            _insert(into, sealed_day.name, names, [values])
    return n_bad
