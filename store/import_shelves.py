"""Puts a day of imported rows where it belongs: among the plain rows, or sealed at once."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
from sqlalchemy import Connection, Row, delete, select

from .database import Database
from .import_joining import Joined, joined, with_cadence
from .packing import DAY_MS, TIME, midnight_utc_ms
from .rows import insert_samples
from .schema import channel, sealed_day, source
from .sealing import write_packed
from .series import PROBES, Series, all_rows, hot_rows, in_order, probe_series, rows_of, source_series


@dataclass(frozen=True, slots=True)
class Shelved:
    """What became of rows: added, added to (a value they did not have), there already, contradicted."""

    n_added: int = 0
    n_completed: int = 0
    n_already: int = 0
    n_conflicts: int = 0

    def plus(self, other: Shelved) -> Shelved:
        """Both together."""
        return Shelved(
            self.n_added + other.n_added,
            self.n_completed + other.n_completed,
            self.n_already + other.n_already,
            self.n_conflicts + other.n_conflicts,
        )


def shelve_day(
    database: Database, machine_id: int, name: str, day: date, coming: pa.Table, *, hot_from: date
) -> Shelved:
    """Put rows of one series and UTC day into the store, in one transaction.

    Parameters
    ----------
    name
        A source, or `PROBES`.
    coming
        Of `SOURCE_SCHEMA` or `PROBE_SCHEMA`, all on ``day``, in any order.
    hot_from
        Days before this one are sealed at once, as the nightly work would.
    """
    start = midnight_utc_ms(day)
    with database.begin() as connection:
        series = _series(connection, machine_id, name)
        there = all_rows(connection, series, start, start + DAY_MS)
        n_twins, n_contrary = 0, 0
        if name == PROBES:
            coming, n_twins, n_contrary = _without_twins(connection, machine_id, there, coming)
        result = joined(there, coming)
        is_changed = result.is_new | result.is_completed
        if is_changed.any():
            rows = _dated(result, name)
            if day >= hot_from and not _pieces(connection, series, day):
                _put_hot(database, connection, series, rows, result)
            elif result.is_completed.any():
                _reseal(connection, series, day, rows, result)
            else:
                added = rows.filter(pa.array(result.is_new))
                write_packed(connection, series, day, day, _ordered(added, series))
    return Shelved(
        int(result.is_new.sum()),
        int(result.is_completed.sum()),
        result.n_already + n_twins,
        result.n_conflicts + n_contrary,
    )


def _series(connection: Connection, machine_id: int, name: str) -> Series:
    if name == PROBES:
        return probe_series(connection, machine_id)
    return next(series for series in source_series(connection, machine_id) if series.name == name)


def _without_twins(
    connection: Connection, machine_id: int, there: pa.Table, coming: pa.Table
) -> tuple[pa.Table, int, int]:
    """Leave out probe rows that are there already under the number of another channel of the same probe.

    Returns what is left, how many were the same and how many had another value.
    """
    c = channel.c
    query = select(c.id, c.owner, c.quantity).where(c.machine_id == machine_id).order_by(c.id)
    firsts: dict[tuple[str, str], int] = {}
    first_of = {
        row.id: firsts.setdefault((row.owner, row.quantity), row.id) for row in connection.execute(query)
    }

    def keys(table: pa.Table) -> npt.NDArray[np.int64]:
        numbers, places = np.unique(table["channel_id"].to_numpy(), return_inverse=True)
        same = np.array([first_of[number] for number in numbers.tolist()], np.int64)
        # Within a day, so that both fit one whole number.
        moments = np.asarray(table[TIME].to_numpy(), np.int64) % DAY_MS
        return moments * (max(first_of, default=0) + 1) + same[places]

    own = np.isin(there["channel_id"].to_numpy(), coming["channel_id"].to_numpy())
    others = there.filter(pa.array(~own))
    if not others.num_rows or not coming.num_rows:
        return coming, 0, 0
    known, wanted = keys(others), keys(coming)
    order = np.argsort(known, kind="stable")
    places = order[np.minimum(np.searchsorted(known[order], wanted), len(order) - 1)]
    is_twin = known[places] == wanted
    is_same = np.asarray(
        pc.fill_null(pc.equal(others["value_milli"].take(pa.array(places)), coming["value_milli"]), False)
    )
    left = coming.filter(pa.array(~is_twin))
    return left, int((is_twin & is_same).sum()), int((is_twin & ~is_same).sum())


def _dated(result: Joined, name: str) -> pa.Table:
    """The joined rows; the new ones among them with their cadence."""
    if name == PROBES or not result.is_new.any():
        return result.rows
    guessed = with_cadence(result.rows)["cadence"].to_numpy()
    known = result.rows["cadence"].to_numpy()
    cadence = pa.array(np.where(result.is_new, guessed, known).astype(np.int32))
    return result.rows.set_column(result.rows.column_names.index("cadence"), "cadence", cadence)


def _ordered(rows: pa.Table, series: Series) -> pa.Table:
    return rows.sort_by([(name, "ascending") for name in series.order])


def _pieces(connection: Connection, series: Series, day: date) -> list[Row[Any]]:
    columns = sealed_day.c
    query = select(sealed_day).where(
        columns.machine_id == series.machine_id,
        columns.series == series.name,
        columns.first_day <= day.isoformat(),
        columns.last_day >= day.isoformat(),
    )
    return list(connection.execute(query.order_by(columns.first_day, columns.id)))


def _put_hot(
    database: Database, connection: Connection, series: Series, rows: pa.Table, result: Joined
) -> None:
    if result.is_completed.any():
        old = rows.filter(pa.array(result.is_completed))
        keys = [series.rows.c[name] for name in series.order]
        for values in zip(*(old[name].to_pylist() for name in series.order), strict=True):
            same = [key == value for key, value in zip(keys, values, strict=True)]
            connection.execute(delete(series.rows).where(series.is_mine, *same))
    changed = rows.filter(pa.array(result.is_new | result.is_completed))
    cells = list(zip(*(changed[name].to_pylist() for name in series.schema.names), strict=True))
    if series.name == PROBES:
        insert_samples(database, connection, [], cells)
    else:
        is_named = (source.c.machine_id == series.machine_id, source.c.name == series.name)
        source_id = connection.scalar(select(source.c.id).where(*is_named))
        insert_samples(database, connection, [(source_id, *row) for row in cells], [])


def _reseal(connection: Connection, series: Series, day: date, rows: pa.Table, result: Joined) -> None:
    """Write the sealed pieces that hold a day anew, with what was added to its rows."""
    start = midnight_utc_ms(day)
    pieces = _pieces(connection, series, day)
    moments = [rows_of(piece) for piece in pieces]
    others = [part.filter(_outside(part, start)) for part in moments]
    whole = in_order([*others, rows], series)
    first = min([day, *(date.fromisoformat(piece.first_day) for piece in pieces)])
    last = max([day, *(date.fromisoformat(piece.last_day) for piece in pieces)])
    if pieces:
        ids = [piece.id for piece in pieces]
        connection.execute(delete(sealed_day).where(sealed_day.c.id.in_(ids)))
    if hot_rows(connection, series, start, start + DAY_MS).num_rows:
        moment = series.rows.c.time_utc_ms
        mine = (series.is_mine, moment >= start, moment < start + DAY_MS)
        connection.execute(delete(series.rows).where(*mine))
    write_packed(connection, series, first, last, whole)


def _outside(part: pa.Table, start_utc_ms: int) -> pa.Array:
    moments = part[TIME].to_numpy()
    return pa.array((moments < start_utc_ms) | (moments >= start_utc_ms + DAY_MS))
