"""Moves finished days out of the plain rows into packed tables, losing nothing on the way.

Each step is one transaction: the packed table is written, read back from the database and compared with the
rows, and only then are the rows deleted. A crash leaves either the rows or the packed table.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby

import pyarrow as pa
from sqlalchemy import Connection, delete, func, insert, select

from .database import Database
from .errors import DamagedDataError
from .packing import CODEC, DAY_MS, checksum, day_of, midnight_utc_ms, pack, widen
from .row_checksum import check_rows
from .schema import sealed_day
from .series import PROBES, Series, every_series, hot_rows, in_order, rows_of
from .upkeep_settings import HOT_DAYS


@dataclass(frozen=True, slots=True)
class SealResult:
    """What was moved.

    Attributes
    ----------
    n_tables
        Packed tables written.
    n_rows, n_bytes
        Rows in them, and their size.
    """

    n_tables: int = 0
    n_rows: int = 0
    n_bytes: int = 0

    def plus(self, n_rows: int, n_bytes: int) -> SealResult:
        """The same with one more table."""
        return SealResult(self.n_tables + 1, self.n_rows + n_rows, self.n_bytes + n_bytes)


def seal_finished_days(database: Database, now_utc_ms: int, hot_days: int = HOT_DAYS) -> SealResult:
    """Seal every day that ended at least ``hot_days`` days ago, of every machine.

    Parameters
    ----------
    now_utc_ms
        Now, UTC [ms since 1970].
    hot_days
        So many finished days stay plain rows that anyone can query.

    Raises
    ------
    DamagedDataError
        What was read back is not what was written; the rows were not deleted.
    """
    before_utc_ms = midnight_utc_ms(day_of(now_utc_ms) - timedelta(days=hot_days))
    result = SealResult()
    with database.begin() as connection:
        every = list(every_series(connection))
    for series in every:
        while True:
            with database.begin() as connection:
                sealed = _seal_oldest_day(connection, series, before_utc_ms)
            if sealed is None:
                break
            result = result.plus(*sealed)
    return result


def merge_sealed_weeks(database: Database, now_utc_ms: int, hot_days: int = HOT_DAYS) -> SealResult:
    """Put the sealed days of each finished ISO week into one table: smaller, and quicker to read.

    Parameters and errors are those of `seal_finished_days`.
    """
    before = day_of(now_utc_ms) - timedelta(days=hot_days)
    result = SealResult()
    for series, ids in _weeks_to_merge(database, before):
        with database.begin() as connection:
            result = result.plus(*_merge(connection, series, ids))
    return result


def _seal_oldest_day(connection: Connection, series: Series, before_utc_ms: int) -> tuple[int, int] | None:
    moment = series.rows.c.time_utc_ms
    oldest = connection.scalar(select(func.min(moment)).where(series.is_mine, moment < before_utc_ms))
    if oldest is None:
        return None
    day = day_of(oldest)
    start = midnight_utc_ms(day)
    is_in_day = (series.is_mine, moment >= start, moment < start + DAY_MS)
    check_rows(connection, series.rows, *is_in_day)
    rows = hot_rows(connection, series, start, start + DAY_MS)
    n_bytes = write_packed(connection, series, day, day, rows)
    n_deleted = connection.execute(delete(series.rows).where(*is_in_day)).rowcount
    if n_deleted != rows.num_rows:
        raise DamagedDataError(
            f"{series.name} has {n_deleted} rows on {day}, {rows.num_rows} were sealed",
            remedy="nothing was changed; let only one service write",
        )
    return rows.num_rows, n_bytes


def write_packed(
    connection: Connection, series: Series, first_day: date, last_day: date, rows: pa.Table
) -> int:
    """Write a packed table, read it back from the database and compare; returns its size [bytes]."""
    if series.name == PROBES:
        present = {str(number) for number in rows["channel_id"].unique().to_pylist()}
        channels = {number: name for number, name in series.about["channels"].items() if number in present}
        packed = pack(widen(rows), first_day, {"channels": channels})
    else:
        packed = pack(rows, first_day, series.about)
    new_id = connection.scalar(
        insert(sealed_day)
        .returning(sealed_day.c.id)
        .values(
            machine_id=series.machine_id,
            series=series.name,
            first_day=first_day.isoformat(),
            last_day=last_day.isoformat(),
            n_rows=rows.num_rows,
            checksum=checksum(packed),
            codec=CODEC,
            packed=packed,
        )
    )
    stored = connection.execute(select(sealed_day).where(sealed_day.c.id == new_id)).one()
    if not rows_of(stored).equals(rows):
        raise DamagedDataError(
            f"{series.name} from {first_day} to {last_day} did not survive packing",
            remedy="nothing was deleted; check the disk and the memory of this computer",
        )
    return len(packed)


def _weeks_to_merge(database: Database, before: date) -> list[tuple[Series, list[int]]]:
    columns = sealed_day.c
    found = []
    with database.begin() as connection:
        for series in every_series(connection):
            is_mine = (columns.machine_id == series.machine_id, columns.series == series.name)
            query = select(columns.id, columns.first_day).where(*is_mine).order_by(columns.first_day)
            for monday, group in groupby(
                connection.execute(query).all(), lambda piece: _monday_of(piece.first_day)
            ):
                ids = [piece.id for piece in group]
                if len(ids) > 1 and monday + timedelta(days=7) <= before:
                    found.append((series, ids))
    return found


def _monday_of(first_day: str) -> date:
    day = date.fromisoformat(first_day)
    return day - timedelta(days=day.weekday())


def _merge(connection: Connection, series: Series, ids: list[int]) -> tuple[int, int]:
    columns = sealed_day.c
    query = select(sealed_day).where(columns.id.in_(ids)).order_by(columns.first_day, columns.id)
    pieces = connection.execute(query).all()
    rows = in_order([rows_of(piece) for piece in pieces], series)
    first_day = date.fromisoformat(pieces[0].first_day)
    last_day = max(date.fromisoformat(piece.last_day) for piece in pieces)
    n_bytes = write_packed(connection, series, first_day, last_day, rows)
    connection.execute(delete(sealed_day).where(columns.id.in_(ids)))
    return rows.num_rows, n_bytes
