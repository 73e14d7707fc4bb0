"""The history of one machine as frames: hot and sealed rows as one, in real units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from sqlalchemy import Row, select

from .database import Database
from .errors import SettingsError, StoreError
from .packing import TIME
from .records import Boot, Channel, Gap, GapReason, IdentityChange
from .row_days import days_with_rows
from .schema import boot, channel, gap, identity_change, machine, source
from .series import LATEST_UTC_MS, all_rows, edges_utc_ms, probe_series, source_series
from .units import MILLI, SOURCE_QUANTITIES

Frames = dict[tuple[str, str], pd.DataFrame]


@dataclass(frozen=True, slots=True)
class SourceEntry:
    """A source that was ever registered: name and kind (``gpu0``, ``gpu``)."""

    name: str
    kind: str


@dataclass(frozen=True, slots=True)
class ProbeEntry:
    """One quantity of a probe or fan; a fan may have two."""

    name: str
    quantity: str


class Reader:
    """Reads the history of one machine.

    Parameters
    ----------
    database
        From `open_reader`.
    machine_wanted
        UUID or name; None where the database holds one machine.

    Raises
    ------
    SettingsError
        No such machine, or several and none was named.
    StoreError
        Nothing was recorded yet.
    """

    def __init__(self, database: Database, machine_wanted: str | None = None) -> None:
        self._database = database
        with database.begin() as connection:
            every = connection.execute(select(machine.c.id, machine.c.uuid, machine.c.name)).all()
        if not every:
            raise StoreError(
                "the database holds no machine yet", remedy="record with `heatdrift run`, or import a table"
            )
        found = [row for row in every if machine_wanted in (None, row.uuid, row.name)]
        if len(found) != 1:
            names = ", ".join(sorted(f"{row.name} ({row.uuid})" for row in every))
            wanted = f"{machine_wanted} is not one" if machine_wanted else "not one"
            raise SettingsError(f"{wanted} machine of {names}", remedy="name one machine by its UUID")
        self._kept: dict[str, tuple[int, int, pd.DataFrame]] | None = None
        self.machine_id: int = found[0].id
        self.machine_uuid: str = found[0].uuid
        self.machine_name: str = found[0].name

    def sources(self) -> list[SourceEntry]:
        """Every source that was ever registered, in that order."""
        query = select(source.c.name, source.c.kind).where(source.c.machine_id == self.machine_id)
        with self._database.begin() as connection:
            return [SourceEntry(*row) for row in connection.execute(query.order_by(source.c.id))]

    def probes(self) -> list[ProbeEntry]:
        """Every quantity of every probe and fan that was ever registered, in that order."""
        names = {entry.name for entry in self.sources()}
        rows = self._channel_rows()
        return list(dict.fromkeys(ProbeEntry(r.owner, r.quantity) for r in rows if r.owner not in names))

    def channels(self) -> list[tuple[str, Channel]]:
        """Every channel with the source or probe that it belongs, or once belonged, to."""
        return [
            (r.owner, Channel(r.key, r.quantity, r.door, r.label, r.driver, r.method, r.device))
            for r in self._channel_rows()
        ]

    def keep_frames(self) -> None:
        """Keep the first frame that is read of each source, for who looks at one month many times.

        Nobody may write into what he is given from then on.
        """
        self._kept = {}

    def source_frame(self, name: str, from_utc_ms: int = 0, to_utc_ms: int = LATEST_UTC_MS) -> pd.DataFrame:
        """Everything that was recorded of one source.

        Parameters
        ----------
        name
            ``gpu0``, say.
        from_utc_ms, to_utc_ms
            From the first moment up to, not including, the second, UTC [ms since 1970].

        Returns
        -------
        DataFrame
            Index ``time_utc``, increasing, in UTC with a resolution of 1 ms. One float column for each
            of `SOURCE_QUANTITIES` in its own unit, NaN where it was not had; ``limit_reasons`` (Int64, raw
            bits), ``cadence`` (a `Cadence`), ``n_looks`` and ``missing_reasons`` (see `unpack_missing`).
        """
        kept = None if self._kept is None else self._kept.get(name)
        if kept is not None and kept[0] <= from_utc_ms and to_utc_ms <= kept[1]:
            ends = pd.to_datetime([from_utc_ms, to_utc_ms], unit="ms", utc=True)
            begin, end = kept[2].index.searchsorted(ends)
            return kept[2].iloc[begin:end]
        with self._database.begin() as connection:
            series = next((s for s in source_series(connection, self.machine_id) if s.name == name), None)
            if series is None:
                raise SettingsError(f"no source is called {name}", remedy="see `heatdrift status`")
            table = all_rows(connection, series, from_utc_ms, to_utc_ms)
        # One block for all floats: filled piece by piece, a year is never held twice.
        values = np.empty((len(SOURCE_QUANTITIES), table.num_rows))
        for row, quantity in zip(values, SOURCE_QUANTITIES, strict=True):
            _fill(row, table[quantity.stored_name])
        frame = pd.DataFrame(
            values.T, index=_index(table), columns=[q.name for q in SOURCE_QUANTITIES], copy=False
        )
        frame["limit_reasons"] = pd.arrays.IntegerArray(
            pc.fill_null(table["limit_reasons"], 0).to_numpy().copy(),
            table["limit_reasons"].is_null().to_numpy().copy(),
        )
        frame["cadence"] = table["cadence"].to_numpy().astype(np.int8)
        frame["n_looks"] = table["n_looks"].to_numpy()
        frame["missing_reasons"] = table["missing_reasons"].to_numpy()
        if self._kept is not None:
            self._kept.setdefault(name, (from_utc_ms, to_utc_ms, frame))
        return frame

    def probe_frame(self, name: str, from_utc_ms: int = 0, to_utc_ms: int = LATEST_UTC_MS) -> pd.DataFrame:
        """Everything that was recorded of one probe or fan.

        Returns
        -------
        DataFrame
            Index as in `source_frame`, each moment once. For each quantity of the probe a float column of
            that name, NaN where it was not had, and ``<quantity>_missing_reason``, a `Missing` code or 0.
        """
        frames = self.probe_frames(from_utc_ms, to_utc_ms)
        mine = [
            frame.rename(columns={"value": quantity, "missing_reason": f"{quantity}_missing_reason"})
            for (owner, quantity), frame in frames.items()
            if owner == name
        ]
        if not mine:
            raise SettingsError(f"no probe is called {name}", remedy="see `heatdrift status`")
        return mine[0] if len(mine) == 1 else pd.concat(mine, axis=1).sort_index()

    def probe_frames(self, from_utc_ms: int = 0, to_utc_ms: int = LATEST_UTC_MS) -> Frames:
        """All probes and fans at once, by (name, quantity): columns ``value`` and ``missing_reason``.

        A probe that was read from several channels in turn is one here.
        """
        entries, rows = self.probes(), self._channel_rows()
        with self._database.begin() as connection:
            table = all_rows(connection, probe_series(connection, self.machine_id), from_utc_ms, to_utc_ms)
        frames: Frames = {}
        for entry in entries:
            ids = [row.id for row in rows if (row.owner, row.quantity) == (entry.name, entry.quantity)]
            one = table.filter(pc.is_in(table["channel_id"], pa.array(ids, pa.int32())))
            columns = {
                "value": _in_unit(one["value_milli"]),
                "missing_reason": one["missing_reason"].to_numpy().astype(np.int8),
            }
            frame = pd.DataFrame(columns, index=_index(one))
            frames[entry.name, entry.quantity] = frame[~frame.index.duplicated()]
        return frames

    def span_utc_ms(self) -> tuple[int, int] | None:
        """Moments that enclose every row [ms since 1970]; None where nothing was recorded."""
        with self._database.begin() as connection:
            every = [*source_series(connection, self.machine_id), probe_series(connection, self.machine_id)]
            known = [edges for series in every if (edges := edges_utc_ms(connection, series))]
        return (min(edges[0] for edges in known), max(edges[1] for edges in known)) if known else None

    def days(self) -> list[int]:
        """Numbers of the UTC days, from 1970 on, on which something may have been recorded, in order.

        A clock that was once wrong by years leaves few days far from all others, and nothing between.
        """
        with self._database.begin() as connection:
            every = [*source_series(connection, self.machine_id), probe_series(connection, self.machine_id)]
            return sorted(set().union(*(days_with_rows(connection, series) for series in every)))

    def gaps(self) -> list[Gap]:
        """Every gap, by its beginning."""
        c = gap.c
        query = select(c.from_utc_ms, c.to_utc_ms, c.reason, c.source, c.detail)
        with self._database.begin() as connection:
            rows = connection.execute(query.where(c.machine_id == self.machine_id).order_by(c.from_utc_ms))
            return [Gap(r.from_utc_ms, r.to_utc_ms, GapReason(r.reason), r.source, r.detail) for r in rows]

    def identity_changes(self) -> list[IdentityChange]:
        """Every identity change, in the order in which they were seen."""
        c = identity_change.c
        query = select(c.at_utc_ms, c.subject, c.before, c.after)
        with self._database.begin() as connection:
            rows = connection.execute(query.where(c.machine_id == self.machine_id).order_by(c.id))
            return [IdentityChange(*row) for row in rows]

    def boots(self) -> list[Boot]:
        """Every boot, by its first moment."""
        query = select(boot.c.boot_id, boot.c.first_seen_utc_ms).where(boot.c.machine_id == self.machine_id)
        with self._database.begin() as connection:
            return [Boot(*row) for row in connection.execute(query.order_by(boot.c.first_seen_utc_ms))]

    def _channel_rows(self) -> list[Row[Any]]:
        query = select(channel).where(channel.c.machine_id == self.machine_id).order_by(channel.c.id)
        with self._database.begin() as connection:
            return list(connection.execute(query))


def _in_unit(stored: pa.ChunkedArray) -> np.ndarray[Any, np.dtype[np.float64]]:
    values = np.empty(len(stored))
    _fill(values, stored)
    return values


def _fill(values: np.ndarray[Any, np.dtype[np.float64]], stored: pa.ChunkedArray) -> None:
    """Write stored thousandths into ``values`` in their unit, NaN for NULL."""
    start = 0
    for chunk in stored.chunks:
        room = values[start : start + len(chunk)]
        start += len(chunk)
        if chunk.null_count == len(chunk):
            room[:] = np.nan
        else:
            np.divide(chunk.to_numpy(zero_copy_only=False), MILLI, out=room)  # NULL arrives as NaN


def _index(table: pa.Table) -> pd.DatetimeIndex:
    moments = table[TIME].to_numpy().astype("datetime64[ms]")
    return pd.DatetimeIndex(moments, name="time_utc").tz_localize("UTC")
