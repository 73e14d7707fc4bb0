"""A checksum in every plain row: SQLite has none, and a bit that a disk turned would look measured."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, select

from .errors import REPAIR_REMEDY, DamagedDataError

MASK = 0xFFFFFF  # 24 bits: three bytes a row, and one damaged row in sixteen million passes


def row_checksum(cells: Sequence[int | None]) -> int:
    """The checksum of a row: the lower 24 bits of the CRC-32 of its cells as Python writes them.

    Parameters
    ----------
    cells
        All cells but the checksum, in the order of the table: whole numbers, None where there is nothing.
    """
    return zlib.crc32(repr(tuple(cells)).encode()) & MASK


def first_damaged(rows: Iterable[Sequence[Any]]) -> Sequence[Any] | None:
    """The first row whose checksum, its last cell, is not that of the others.

    None there is damage as well: one bit in the head of a SQLite row moves all its cells by one place.
    """
    crc32 = zlib.crc32
    for row in rows:
        if row[-1] != crc32(repr(tuple(row[:-1])).encode()) & MASK:
            return row
    return None


def check_rows(connection: Connection, table: Table, *conditions: ColumnElement[bool]) -> None:
    """Hold plain rows against their checksums.

    Raises
    ------
    DamagedDataError
        A row is not what was written.
    """
    cursor = connection.execute(select(*table.c).where(*conditions)).cursor
    bad = None if cursor is None else first_damaged(iter(cursor.fetchone, None))
    if bad is not None:
        raise DamagedDataError(
            f"a row of {table.name} is not what was written ({bad[0]}, {bad[1]})",
            remedy=REPAIR_REMEDY,
        )
