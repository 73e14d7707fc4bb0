"""Copies a whole database into an empty one, from any backend to any other.

A backup of a PostgreSQL database is therefore a plain SQLite file that every command can open, and moving
house either way is the same call.
"""

from __future__ import annotations

from sqlalchemy import Connection, Table, func, inspect, select, text

from .database import Database
from .errors import DamagedDataError, StoreError
from .row_checksum import row_checksum
from .schema import metadata

CHECKSUM = "checksum"
CHUNK_ROWS = 5000  # a few MB in memory, whatever the size of the database


def copy_into(source: Database, target: Database) -> int:
    """Copy every row; returns how many.

    Parameters
    ----------
    source
        From `open_reader`; read in one transaction, so that the copy shows one moment. An older one, opened
        unchecked, gives what it has; what came later stays empty.
    target
        From `open_writer`, freshly made.

    Raises
    ------
    StoreError
        ``target`` already holds a machine.
    DamagedDataError
        The copy has another number of rows; it was rolled back.
    """
    n_rows = 0
    with source.begin() as reading, target.begin() as writing:
        if writing.scalar(select(func.count()).select_from(metadata.tables["machine"])):
            raise StoreError(f"{target.url_for_people} is not empty", remedy="name a new one")
        there = inspect(reading)
        known = set(there.get_table_names())
        for table in metadata.sorted_tables:
            if table.name in known:
                names = {column["name"] for column in there.get_columns(table.name)}
                n_rows += _copy_table(reading, writing, table, names)
            if not target.is_sqlite and "id" in table.c:
                _move_sequence_on(writing, table)
    return n_rows


def _copy_table(reading: Connection, writing: Connection, table: Table, names: set[str]) -> int:
    query = select(*(c for c in table.columns if c.name in names)).order_by(*table.primary_key.columns)
    streamed = reading.execution_options(yield_per=CHUNK_ROWS).execute(query)
    # Rows from before there were checksums get theirs on the way; without one they would count as damaged.
    lacks_checksum = CHECKSUM in table.c and CHECKSUM not in names
    n_read = 0
    for rows in streamed.partitions():
        found = [dict(row._mapping) for row in rows]
        if lacks_checksum:
            found = [row | {CHECKSUM: row_checksum(list(row.values()))} for row in found]
        writing.execute(table.insert(), found)
        n_read += len(rows)
    n_written = writing.scalar(select(func.count()).select_from(table))
    if n_written != n_read:
        raise DamagedDataError(
            f"{n_written} of {n_read} rows of {table.name} arrived", remedy="check the disk, then try again"
        )
    return n_read


def _move_sequence_on(writing: Connection, table: Table) -> None:
    sequence = func.pg_get_serial_sequence(text(f"'{table.name}'"), text("'id'"))
    last = select(func.coalesce(func.max(table.c.id), 1)).scalar_subquery()
    writing.execute(select(func.setval(sequence, last)))
