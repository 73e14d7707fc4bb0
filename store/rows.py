"""From records to rows of the tables, and how rows find their place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, select

from .database import Database
from .errors import RefusedRowsError
from .records import Batch, ProbeSample, SourceSample
from .row_checksum import row_checksum
from .sample_tables import VALUE_COLUMNS
from .schema import boot, gap, identity_change, probe_sample, source_sample

SOURCE_COLUMNS = (
    "source_id",
    "time_utc_ms",
    *VALUE_COLUMNS,
    "limit_reasons",
    "cadence",
    "n_looks",
    "missing_reasons",
)
PROBE_COLUMNS = ("time_utc_ms", "channel_id", "value_milli", "missing_reason")
Row = dict[str, Any]
Cells = tuple[int | None, ...]
"""One row of samples: its cells in the order of `SOURCE_COLUMNS` or `PROBE_COLUMNS`."""


def source_rows(samples: Sequence[SourceSample], ids: Mapping[str, int]) -> list[Cells]:
    """Rows of `source_sample`; ``ids`` has the number of every registered source."""
    rows: list[Cells] = []
    for time_utc_ms, name, values, limit_reasons, cadence, n_looks, missing_reasons in samples:
        if name not in ids:
            raise RefusedRowsError(f"source {name} is not registered", remedy="call register_source first")
        rows.append((ids[name], time_utc_ms, *values, limit_reasons, int(cadence), n_looks, missing_reasons))
    return rows


def probe_rows(samples: Sequence[ProbeSample], ids: Mapping[tuple[str, str], int]) -> list[Cells]:
    """Rows of `probe_sample`; ``ids`` has the number of every registered (probe, quantity)."""
    rows: list[Cells] = []
    for time_utc_ms, probe, quantity, value, missing_reason in samples:
        channel_id = ids.get((probe, quantity))
        if channel_id is None:
            raise RefusedRowsError(
                f"probe {probe} has no registered channel for {quantity}",
                remedy="call register_channel first",
            )
        rows.append((time_utc_ms, channel_id, value, missing_reason))
    return rows


def event_rows(batch: Batch, machine_id: int) -> list[tuple[Table, list[Row]]]:
    """Rows of the gaps, boots and changes in a batch, each with its table."""
    gaps = [
        {
            "machine_id": machine_id,
            "from_utc_ms": found.from_utc_ms,
            "to_utc_ms": found.to_utc_ms,
            "reason": found.reason.value,
            "source": found.source,
            "detail": found.detail,
        }
        for found in batch.gaps
    ]
    boots = [
        {"machine_id": machine_id, "boot_id": found.boot_id, "first_seen_utc_ms": found.first_seen_utc_ms}
        for found in batch.boots
    ]
    changes = [
        {
            "machine_id": machine_id,
            "subject": found.subject,
            "at_utc_ms": found.at_utc_ms,
            "before": found.before,
            "after": found.after,
        }
        for found in batch.changes
    ]
    return [(gap, gaps), (boot, boots), (identity_change, changes)]


def insert_samples(
    database: Database, connection: Connection, source_samples: list[Cells], probe_samples: list[Cells]
) -> None:
    """Insert samples so that each is there exactly once.

    A row whose moment is taken by a different row (the clock was set back) moves on to the next free
    millisecond; the same row again changes nothing.
    """
    for table, columns, series, rows in (
        (source_sample, SOURCE_COLUMNS, "source_id", source_samples),
        (probe_sample, PROBE_COLUMNS, "channel_id", probe_samples),
    ):
        if rows and _insert_cells(connection, table, columns, rows) != len(rows):
            for row in rows:
                _place(database, connection, table, series, dict(zip(columns, row, strict=True)))


def insert_new(database: Database, connection: Connection, table: Table, rows: list[Row]) -> int:
    """Insert the rows whose key is not there yet; returns how many those were."""
    if not rows:
        return 0
    return connection.execute(database.insert(table).on_conflict_do_nothing(), rows).rowcount


def _insert_cells(connection: Connection, table: Table, columns: Sequence[str], rows: list[Cells]) -> int:
    """Do what `insert_new` does at a third of its cost: the driver takes the tuples as they are."""
    marker = "?" if connection.dialect.name == "sqlite" else "%s"
    names, markers = ", ".join((*columns, "checksum")), ", ".join([marker] * (len(columns) + 1))
    # The names are those of our own tables.
    statement = f"INSERT INTO {table.name} ({names}) VALUES ({markers}) ON CONFLICT DO NOTHING"  # noqa: S608
    return connection.exec_driver_sql(statement, [(*row, row_checksum(row)) for row in rows]).rowcount


def _place(database: Database, connection: Connection, table: Table, series: str, row: Row) -> None:
    wanted = {name: value for name, value in row.items() if name != "time_utc_ms"}
    query = select(*(table.c[name] for name in wanted)).where(table.c[series] == row[series])
    at_utc_ms = row["time_utc_ms"]
    while True:
        stored = connection.execute(query.where(table.c.time_utc_ms == at_utc_ms)).first()
        if stored is None:
            moved = row | {"time_utc_ms": at_utc_ms}
            checked = moved | {"checksum": row_checksum(tuple(moved.values()))}
            insert_new(database, connection, table, [checked])
            return
        if tuple(stored) == tuple(wanted.values()):
            return
        at_utc_ms += 1
