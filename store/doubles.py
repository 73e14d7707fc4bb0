"""Takes out what stands twice after two copies of one record were put together: rows, whole packed tables."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, bindparam, delete, select

from .database import Database
from .packing import DAY_MS, midnight_utc_ms
from .schema import sealed_day
from .series import PROBES, Series, every_series, hot_rows, rows_of


def remove_doubles(database: Database) -> int:
    """Delete packed tables whose every row is in another one, then plain rows that are in a packed table.

    Returns how many plain rows were deleted. Only what is the same to the last cell counts as the same.
    """
    n_removed = 0
    with database.begin() as connection:
        for series in every_series(connection):
            _remove_pieces(connection, series)
            n_removed += _remove_rows(connection, series)
    return n_removed


def _pieces(connection: Connection, series: Series) -> list[Row[Any]]:
    query = select(sealed_day.c.id, sealed_day.c.first_day, sealed_day.c.last_day, sealed_day.c.n_rows).where(
        sealed_day.c.machine_id == series.machine_id, sealed_day.c.series == series.name
    )
    return list(connection.execute(query.order_by(sealed_day.c.first_day, sealed_day.c.id)))


def _rows(connection: Connection, number: int) -> set[tuple[int | None, ...]]:
    piece = connection.execute(select(sealed_day).where(sealed_day.c.id == number)).one()
    table = rows_of(piece)
    return set(zip(*(table[name].to_pylist() for name in table.column_names), strict=True))


def _remove_pieces(connection: Connection, series: Series) -> None:
    pieces = _pieces(connection, series)
    gone: set[int] = set()
    for large in sorted(pieces, key=lambda piece: -piece.n_rows):
        inside = [
            small
            for small in pieces
            if small.id != large.id
            and not {small.id, large.id} & gone
            and large.first_day <= small.first_day <= small.last_day <= large.last_day
        ]
        if not inside:
            continue
        there = _rows(connection, large.id)
        gone |= {small.id for small in inside if _rows(connection, small.id) <= there}
    if gone:
        connection.execute(delete(sealed_day).where(sealed_day.c.id.in_(gone)))


def _remove_rows(connection: Connection, series: Series) -> int:
    n_removed = 0
    for piece in _pieces(connection, series):
        start, last = (midnight_utc_ms(date.fromisoformat(day)) for day in (piece.first_day, piece.last_day))
        hot = hot_rows(connection, series, start, last + DAY_MS)
        if not hot.num_rows:
            continue
        there = _rows(connection, piece.id)
        rows = zip(*(hot[name].to_pylist() for name in hot.column_names), strict=True)
        places = [hot.column_names.index(name) for name in series.order]
        doubles = [{f"of_{place}": cells[place] for place in places} for cells in rows if cells in there]
        if doubles:
            same = [
                series.rows.c[name] == bindparam(f"of_{place}")
                for name, place in zip(series.order, places, strict=True)
            ]
            # The number of a channel says whose it is.
            mine = [] if series.name == PROBES else [series.is_mine]
            connection.execute(delete(series.rows).where(*mine, *same), doubles)
        n_removed += len(doubles)
    return n_removed
