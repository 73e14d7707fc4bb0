"""A series is what is sealed together, one source or all probes of a machine; here hot and sealed are one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from sqlalchemy import ColumnElement, Connection, Row, Table, func, select

from .checked_types import BRING_BACK
from .errors import DamagedDataError
from .packing import (
    CODEC,
    DAY_MS,
    PROBE_SCHEMA,
    SOURCE_SCHEMA,
    TIME,
    completed,
    day_of,
    midnight_utc_ms,
    narrow,
    table_of,
    unpack,
)
from .schema import channel, machine, probe_sample, sealed_day, source, source_sample

PROBES = "probes"  # the series of all probes and fans of a machine together
ROWS_AT_ONCE = 10_000
LATEST_UTC_MS = 253_402_300_799_999  # the end of 9999


@dataclass(frozen=True, slots=True)
class Series:
    """One series: whose it is, and how its rows are found, ordered and typed.

    ``about`` says in a packed table what it is, so that it can be read without the database.
    """

    machine_id: int
    name: str
    about: dict[str, Any]
    rows: Table
    is_mine: ColumnElement[bool]
    schema: pa.Schema

    @property
    def order(self) -> list[str]:
        """The columns that give the rows their order."""
        return [TIME, "channel_id"] if self.name == PROBES else [TIME]


def every_series(connection: Connection) -> Iterator[Series]:
    """Every series of every machine."""
    for machine_id in connection.scalars(select(machine.c.id).order_by(machine.c.id)).all():
        yield from source_series(connection, machine_id)
        yield probe_series(connection, machine_id)


def source_series(connection: Connection, machine_id: int) -> list[Series]:
    """One series for each source of a machine."""
    query = select(source.c.id, source.c.name, source.c.kind).where(source.c.machine_id == machine_id)
    return [
        Series(
            machine_id,
            row.name,
            {"source": row.name, "kind": row.kind},
            source_sample,
            source_sample.c.source_id == row.id,
            SOURCE_SCHEMA,
        )
        for row in connection.execute(query.order_by(source.c.id))
    ]


def probe_series(connection: Connection, machine_id: int) -> Series:
    """The one series of all probes and fans of a machine."""
    query = select(channel.c.id, channel.c.owner, channel.c.quantity).where(
        channel.c.machine_id == machine_id
    )
    owners = {str(row.id): f"{row.owner}.{row.quantity}" for row in connection.execute(query)}
    is_mine = probe_sample.c.channel_id.in_([int(number) for number in owners])
    return Series(machine_id, PROBES, {"channels": owners}, probe_sample, is_mine, PROBE_SCHEMA)


def hot_rows(connection: Connection, series: Series, from_utc_ms: int, to_utc_ms: int) -> pa.Table:
    """Rows that are not sealed, from the first moment up to, not including, the second."""
    moment = series.rows.c.time_utc_ms
    columns = [series.rows.c[name] for name in series.schema.names]
    query = select(*columns).where(series.is_mine, moment >= from_utc_ms, moment < to_utc_ms)
    order = [series.rows.c[name] for name in series.order]
    # The driver's own tuples: two weeks of many probes are half a million rows, all whole numbers. A piece at
    # a time, for as objects they take ten times the room that they take in a table.
    cursor = connection.execute(query.order_by(*order)).cursor
    parts = [table_of([], series.schema)]
    while cursor is not None and (rows := cursor.fetchmany(ROWS_AT_ONCE)):
        try:
            parts.append(table_of(rows, series.schema))
        except (pa.ArrowException, OverflowError, TypeError) as error:
            raise DamagedDataError(
                f"a row of {series.name} in the database holds what is no number of ours", remedy=BRING_BACK
            ) from error
    return pa.concat_tables(parts)


def all_rows(connection: Connection, series: Series, from_utc_ms: int, to_utc_ms: int) -> pa.Table:
    """Hot and sealed rows of a stretch as one table, in order.

    Raises
    ------
    DamagedDataError
        A packed table in the stretch is not what was sealed.
    """
    pieces = select(sealed_day).where(
        sealed_day.c.machine_id == series.machine_id,
        sealed_day.c.series == series.name,
        sealed_day.c.first_day <= day_of(min(to_utc_ms, LATEST_UTC_MS)).isoformat(),
        sealed_day.c.last_day >= day_of(from_utc_ms).isoformat(),
    )
    parts: list[pa.Table] = []
    for piece in connection.execute(pieces.order_by(sealed_day.c.first_day, sealed_day.c.id)):
        rows = rows_of(piece)
        first, last = (midnight_utc_ms(date.fromisoformat(day)) for day in (piece.first_day, piece.last_day))
        if first < from_utc_ms or last + DAY_MS > to_utc_ms:
            moment = rows[TIME]
            rows = rows.filter(pc.and_(pc.greater_equal(moment, from_utc_ms), pc.less(moment, to_utc_ms)))
        parts.append(rows)
    parts.append(hot_rows(connection, series, from_utc_ms, to_utc_ms))
    return pa.concat_tables(parts) if _follow_each_other(parts) else in_order(parts, series)


def _follow_each_other(parts: list[pa.Table]) -> bool:
    """Whether each part begins after the one before has ended: sorting a year costs as much as reading it."""
    edges = [(part[TIME][0].as_py(), part[TIME][-1].as_py()) for part in parts if part.num_rows]
    return all(before[1] < after[0] for before, after in pairwise(edges))


def in_order(parts: list[pa.Table], series: Series) -> pa.Table:
    """Overlapping parts as one table; two rows of one moment (the clock was set back) end up 1 ms apart."""
    table = pa.concat_tables(parts).sort_by([(name, "ascending") for name in reversed(series.order)])
    moments = table[TIME].to_numpy().copy()
    channels = table["channel_id"].to_numpy() if series.name == PROBES else np.zeros(len(moments), np.int32)
    for channel_id in np.unique(channels):
        own = np.flatnonzero(channels == channel_id)
        steps = np.arange(len(own))
        moments[own] = np.maximum.accumulate(moments[own] - steps) + steps
    table = table.set_column(table.column_names.index(TIME), TIME, pa.array(moments))
    return table.sort_by([(name, "ascending") for name in series.order])


def edges_utc_ms(connection: Connection, series: Series) -> tuple[int, int] | None:
    """Moments that enclose every row of a series, whole days where they are sealed; None without rows."""
    moment = series.rows.c.time_utc_ms
    # One at a time each is looked up; SQLite counts through all rows for both in one go.
    hot = [connection.scalar(select(edge(moment)).where(series.is_mine)) for edge in (func.min, func.max)]
    days = sealed_day.c
    sealed = connection.execute(
        select(func.min(days.first_day), func.max(days.last_day)).where(
            days.machine_id == series.machine_id, days.series == series.name
        )
    ).one()
    known = [value for value in hot if value is not None]
    if sealed[0] is not None:
        first, last = (midnight_utc_ms(date.fromisoformat(day)) for day in sealed)
        known += [first, last + DAY_MS - 1]
    return (min(known), max(known)) if known else None


def rows_of(sealed: Row[Any]) -> pa.Table:
    """The rows in one row of `sealed_day`, as they were.

    Raises
    ------
    DamagedDataError
        The bytes are not those that were sealed, or a later heatdrift packed them.
    """
    what = f"{sealed.series}, {sealed.first_day} to {sealed.last_day}"
    if sealed.codec != CODEC:
        raise DamagedDataError(f"{what}, is packed as {sealed.codec}", remedy="update heatdrift")
    try:
        table = unpack(sealed.packed, sealed.checksum, what)
        rows = narrow(table) if sealed.series == PROBES else completed(table, SOURCE_SCHEMA)
    except (pa.ArrowException, ArithmeticError, LookupError, TypeError, ValueError, OSError) as error:
        raise DamagedDataError(f"the sealed rows of {what} are no table", remedy=BRING_BACK) from error
    if rows.num_rows and not _is_possible(rows[TIME]):
        raise DamagedDataError(f"the sealed rows of {what} have no possible moments", remedy=BRING_BACK)
    return rows


def _is_possible(moments: pa.ChunkedArray) -> bool:
    edges = pc.min_max(moments)
    return bool(
        moments.null_count == 0 and 0 <= edges["min"].as_py() <= edges["max"].as_py() <= LATEST_UTC_MS
    )
