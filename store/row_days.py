"""How many rows the record has on each day, without unpacking what was counted before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta

import numpy as np
from sqlalchemy import Connection, func, select

from .checked_types import BRING_BACK
from .errors import DamagedDataError
from .packing import DAY_MS, TIME
from .schema import sealed_day
from .series import LATEST_UTC_MS, Series, rows_of

MOST_PACKED_DAYS = 62  # weeks are packed together, and imported weeks may overlap


def row_days(connection: Connection, series: Series, known: Mapping[str, int]) -> dict[str, int]:
    """Rows of a series by day, hot and sealed together, 0 for a day that nothing is left of.

    A sealed table whose rows are all accounted for in ``known`` is not opened.

    Parameters
    ----------
    known
        Rows by day (ISO) as they were counted before.
    """
    counts: dict[str, int] = {}
    for number_of_day, n_rows in _hot_days(connection, series):
        _count(counts, number_of_day, n_rows)
    pieces = select(sealed_day).where(
        sealed_day.c.machine_id == series.machine_id, sealed_day.c.series == series.name
    )
    summaries = select(
        sealed_day.c.id, sealed_day.c.first_day, sealed_day.c.last_day, sealed_day.c.n_rows
    ).where(sealed_day.c.machine_id == series.machine_id, sealed_day.c.series == series.name)
    unknown = []
    spans: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for row in connection.execute(summaries):
        spans.setdefault((row.first_day, row.last_day), []).append((row.id, row.n_rows))
    for (first, last), found in spans.items():
        days = _days(series, first, last)
        n_known = sum(known[day] - counts.get(day, 0) for day in days if day in known)
        if all(day in known for day in days) and n_known == sum(n for _, n in found):
            for day in days:
                counts[day] = known[day]
        else:
            unknown += [row_id for row_id, _ in found]
            counts |= {day: counts.get(day, 0) for day in days}
    if unknown:
        for piece in connection.execute(pieces.where(sealed_day.c.id.in_(unknown))):
            moments = rows_of(piece)[TIME].to_numpy()
            for day, n in zip(*np.unique(moments // DAY_MS, return_counts=True), strict=True):
                _count(counts, int(day), int(n))
    return dict(sorted(counts.items()))


def days_with_rows(connection: Connection, series: Series) -> set[int]:
    """Numbers of the UTC days, from 1970 on, that may have rows of a series; no packed table is opened.

    Raises
    ------
    DamagedDataError
        A packed table says that it reaches over more days than are ever packed together.
    """
    found = {number for number, _ in _hot_days(connection, series)}
    c = sealed_day.c
    labels = select(c.first_day, c.last_day).where(c.machine_id == series.machine_id, c.series == series.name)
    for first, last in connection.execute(labels):
        begin = (date.fromisoformat(first) - date(1970, 1, 1)).days
        found |= set(range(begin, begin + len(_days(series, first, last))))
    return found


def _hot_days(connection: Connection, series: Series) -> Iterator[tuple[int, int]]:
    """Numbers of days, and how many plain rows each has."""
    moment = series.rows.c.time_utc_ms
    number = (moment - moment % DAY_MS) / DAY_MS  # whole either way that a database divides
    query = select(number.label("day"), func.count().label("n")).where(series.is_mine).group_by(number)
    for number_of_day, n_rows in connection.execute(query):
        if not 0 <= number_of_day <= LATEST_UTC_MS // DAY_MS:
            raise DamagedDataError(f"a row of {series.name} has no possible moment", remedy=BRING_BACK)
        yield int(number_of_day), n_rows


def _count(counts: dict[str, int], day_number: int, n: int) -> None:
    day = (date(1970, 1, 1) + timedelta(days=day_number)).isoformat()
    counts[day] = counts.get(day, 0) + n


def _days(series: Series, first: str, last: str) -> list[str]:
    begin = date.fromisoformat(first)
    length = (date.fromisoformat(last) - begin).days + 1
    if not 0 < length <= MOST_PACKED_DAYS:
        what = f"a sealed table of {series.name} that reaches from {first} to {last} is none"
        raise DamagedDataError(what, remedy=BRING_BACK)
    return [(begin + timedelta(days=number)).isoformat() for number in range(length)]
