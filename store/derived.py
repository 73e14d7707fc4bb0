"""What is derived from the record of one machine, and how to see that it is out of date.

Every row here can be made again; so nothing is migrated, kept or repaired, only replaced.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from sqlalchemy import ColumnElement, Connection, Select, Table, delete, select

from .database import Database
from .derived_types import (
    CELL_FIELDS,
    CELL_TYPES,
    STEP_FIELDS,
    STEP_TYPES,
    sealed_text,
    typed,
    unpacked_windows,
    unsealed_text,
)
from .packing import DAY_MS, TIME, day_of
from .row_days import row_days
from .schema import day_fit, era_fit, load_step, settled_window, verdict
from .series import LATEST_UTC_MS, source_series

__all__ = ["CELL_FIELDS", "DERIVED", "STEP_FIELDS", "DayMark", "DerivedDay", "DerivedStore", "EraFit"]

DERIVED = (load_step, settled_window, era_fit, day_fit, verdict)


@dataclass(frozen=True, slots=True)
class DayMark:
    """What a day was derived from: the recipe, and how many rows the record had."""

    recipe: str
    n_rows: int


@dataclass(frozen=True, slots=True)
class EraFit:
    """What all days of an era share, as JSON; ``is_final`` once later days change nothing in it."""

    recipe: str
    is_final: bool
    body: str


@dataclass(frozen=True, slots=True, eq=False)
class DerivedDay:
    """Everything that is derived from one day of one source.

    Attributes
    ----------
    day
        ISO date, UTC.
    windows
        Settled windows of the day, index ``time_utc``.
    steps
        Columns `STEP_FIELDS`.
    cells
        Columns `CELL_FIELDS`.
    """

    day: str
    mark: DayMark
    windows: pd.DataFrame
    steps: pd.DataFrame
    cells: pd.DataFrame


class DerivedStore:
    """Reads and replaces the derived rows of one machine."""

    def __init__(self, database: Database, machine_id: int) -> None:
        self._database = database
        self._machine_id = machine_id

    def marks(self, source: str) -> dict[str, DayMark]:
        """What each day of a source was derived from."""
        c = settled_window.c
        query = select(c.day, c.recipe, c.n_rows).where(*self._mine(settled_window, source))
        with self._database.begin() as connection:
            return {row.day: DayMark(row.recipe, row.n_rows) for row in connection.execute(query)}

    def row_days(self, source: str, known: Mapping[str, DayMark]) -> dict[str, int]:
        """Rows of the record by day, 0 for one that nothing is left of between sealed ones.

        Sealed tables whose rows are all accounted for in ``known`` are not opened again.
        """
        with self._database.begin() as connection:
            series = next((s for s in source_series(connection, self._machine_id) if s.name == source), None)
            if series is None:
                return {}
            return row_days(connection, series, {day: mark.n_rows for day, mark in known.items()})

    def replace_days(self, source: str, days: Sequence[DerivedDay]) -> None:
        """Put what was derived of some days in the place of what was there."""
        if not days:
            return
        names = [day.day for day in days]
        steps = pd.concat([day.steps for day in days]) if days else pd.DataFrame()
        cells = pd.concat([day.cells for day in days]) if days else pd.DataFrame()
        mine = {"machine_id": self._machine_id, "source": source}
        with self._database.begin() as connection:
            for day in days:
                first_ms = _midnight_ms(day.day)
                at = load_step.c.at_utc_ms
                connection.execute(
                    delete(load_step).where(
                        *self._mine(load_step, source), at >= first_ms, at < first_ms + DAY_MS
                    )
                )
            for table in (settled_window, day_fit):
                connection.execute(delete(table).where(*self._mine(table, source), table.c.day.in_(names)))
            connection.execute(
                settled_window.insert(),
                [
                    mine
                    | {"day": day.day, "recipe": day.mark.recipe, "n_rows": day.mark.n_rows}
                    | {"n_windows": len(day.windows), "packed": _packed(day.windows)}
                    for day in days
                ],
            )
            for table, frame in ((load_step, steps), (day_fit, cells)):
                if len(frame):
                    connection.execute(table.insert(), [mine | row for row in _records(frame)])

    def era_fits(self, source: str) -> dict[int, EraFit]:
        """By the beginning of the era [ms since 1970]; only those that are as they were written."""
        c = era_fit.c
        query = select(c.from_utc_ms, c.recipe, c.is_final, c.body).where(*self._mine(era_fit, source))
        with self._database.begin() as connection:
            rows = connection.execute(query).all()
        whole = {row.from_utc_ms: (row.recipe, row.is_final, unsealed_text(row.body)) for row in rows}
        # One that was changed, or that an earlier heatdrift wrote without a seal, is made again.
        return {
            at: EraFit(recipe, final, body) for at, (recipe, final, body) in whole.items() if body is not None
        }

    def replace_era_fits(self, source: str, fits: Mapping[int, EraFit]) -> None:
        """Put these in the place of all that were there."""
        with self._database.begin() as connection:
            connection.execute(delete(era_fit).where(*self._mine(era_fit, source)))
            rows = [
                {"machine_id": self._machine_id, "source": source, "from_utc_ms": from_utc_ms}
                | {"recipe": fit.recipe, "is_final": fit.is_final, "body": sealed_text(fit.body)}
                for from_utc_ms, fit in fits.items()
            ]
            if rows:
                connection.execute(era_fit.insert(), rows)

    def load_steps(self, source: str, from_utc_ms: int = 0, to_utc_ms: int = LATEST_UTC_MS) -> pd.DataFrame:
        """Load steps of a stretch: columns `STEP_FIELDS`, by time."""
        at = load_step.c.at_utc_ms
        query = select(*(load_step.c[name] for name in STEP_FIELDS)).where(
            *self._mine(load_step, source), at >= from_utc_ms, at < to_utc_ms
        )
        with self._database.begin() as connection:
            rows = _tuples(connection, query.order_by(at))
        return typed(rows, STEP_FIELDS, STEP_TYPES)

    def windows(self, source: str, from_utc_ms: int = 0, to_utc_ms: int = LATEST_UTC_MS) -> pd.DataFrame:
        """Settled windows of a stretch, index ``time_utc``; columns as `settled_windows` gives them."""
        c = settled_window.c
        last_day = day_of(min(to_utc_ms, LATEST_UTC_MS) - 1).isoformat()
        query = select(c.packed).where(
            *self._mine(settled_window, source),
            c.n_windows > 0,
            c.day >= day_of(from_utc_ms).isoformat(),
            c.day <= last_day,
        )
        with self._database.begin() as connection:
            packed = [row.packed for row in connection.execute(query.order_by(c.day))]
        if not packed:
            return pd.DataFrame(index=_moments(np.empty(0, np.int64)))
        table = unpacked_windows(packed)
        frame: pd.DataFrame = table.drop_columns([TIME]).to_pandas().astype(float)
        times_ms = table[TIME].to_numpy()
        frame.index = _moments(times_ms)
        begin, end = np.searchsorted(times_ms, [from_utc_ms, to_utc_ms])
        return frame.iloc[begin:end]

    def cells(self, source: str, from_day: str = "", to_day: str = "9999") -> pd.DataFrame:
        """Day fits by workload class, from one day up to, not including, the other: columns `CELL_FIELDS`."""
        query = select(*(day_fit.c[name] for name in CELL_FIELDS)).where(
            *self._mine(day_fit, source), day_fit.c.day >= from_day, day_fit.c.day < to_day
        )
        with self._database.begin() as connection:
            rows = _tuples(connection, query.order_by(day_fit.c.day))
        return typed(rows, CELL_FIELDS, CELL_TYPES)

    def forget(self) -> None:
        """Throw away everything derived of this machine, so that it is made again."""
        with self._database.begin() as connection:
            for table in DERIVED:
                connection.execute(delete(table).where(table.c.machine_id == self._machine_id))

    def _mine(self, table: Table, source: str) -> tuple[ColumnElement[bool], ...]:
        return table.c.machine_id == self._machine_id, table.c.source == source


def _midnight_ms(day: str) -> int:
    return (date.fromisoformat(day) - date(1970, 1, 1)).days * DAY_MS


def _tuples(connection: Connection, query: Select[Any]) -> list[tuple[Any, ...]]:
    """Rows as the driver gives them: a shell around each doubles the time that years of cells take."""
    cursor = connection.execute(query).cursor
    return [] if cursor is None else list(cursor.fetchall())


def _records(frame: pd.DataFrame) -> list[dict[str, object]]:
    """Rows as a database takes them: NULL for what is missing."""
    columns = [column.astype(object).where(column.notna(), None).tolist() for _, column in frame.items()]
    names = list(frame.columns)
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def _packed(windows: pd.DataFrame) -> bytes:
    """An Arrow file: the windows' columns change with fans and sources, and nobody searches in them."""
    if not len(windows):
        return b""
    moments = pd.DatetimeIndex(windows.index).as_unit("ms").asi8
    columns = np.ascontiguousarray(windows.to_numpy(np.float32).T)
    table = pa.table([pa.array(moments), *map(pa.array, columns)], [TIME, *windows.columns])
    sink = pa.BufferOutputStream()
    with pa.ipc.new_file(sink, table.schema, options=pa.ipc.IpcWriteOptions(compression="zstd")) as writer:
        writer.write_table(table)
    return bytes(sink.getvalue())


def _moments(utc_ms: np.ndarray[tuple[int], np.dtype[np.int64]]) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(utc_ms.astype("datetime64[ms]"), name="time_utc").tz_localize("UTC")
