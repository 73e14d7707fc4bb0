"""The one pen: whole batches, each in one transaction."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from sqlalchemy import Connection, Table, func, select

from .database import Database
from .errors import StoreError
from .records import Batch, Channel
from .rows import Row, event_rows, insert_new, insert_samples, probe_rows, source_rows
from .schema import channel, identity_change, machine, service_state, source, source_sample, task_log


class Writer:
    """Writes the rows of one machine.

    Parameters
    ----------
    database
        From `open_writer`.
    machine_uuid
        Identity of the machine; its rows are found by it for ever.
    machine_name
        What its owner calls it; the latest name holds.
    """

    def __init__(self, database: Database, machine_uuid: str, machine_name: str, at_utc_ms: int = 0) -> None:
        self._database = database
        self._has_pen = True
        self._machine = machine_uuid, machine_name, at_utc_ms
        self._source_ids: dict[str, int] = {}
        self._channel_ids: dict[tuple[str, str], int] = {}
        self._known: dict[tuple[str, str], tuple[str | Channel, int]] = {}
        self._file: int | None = None
        self._register_machine()

    def _register_machine(self) -> None:
        machine_uuid, machine_name, at_utc_ms = self._machine
        with self._begin() as connection:
            identity = {"uuid": machine_uuid}
            seen = {"name": machine_name}
            self.machine_id = self._register(connection, machine, identity, seen, at_utc_ms)

    def register_source(self, name: str, kind: str, at_utc_ms: int) -> None:
        """Make a source known; needed once before its first sample.

        Parameters
        ----------
        name, kind
            ``gpu0``, ``gpu``.
        at_utc_ms
            Now, UTC [ms since 1970].
        """
        with self._begin() as connection:
            identity = {"machine_id": self.machine_id, "name": name}
            seen = {"kind": kind, "last_seen_utc_ms": at_utc_ms}
            self._source_ids[name] = self._register(connection, source, identity, seen, at_utc_ms)
        self._known[name, ""] = kind, at_utc_ms

    def register_channel(self, found: Channel, owner: str, at_utc_ms: int) -> None:
        """Note which channel a source or probe is read from; a probe needs it before its first sample."""
        with self._begin() as connection:
            identity = {
                "machine_id": self.machine_id,
                "key": found.key,
                "owner": owner,
                "quantity": found.quantity,
            }
            seen = {
                "door": found.door,
                "label": found.label,
                "driver": found.driver,
                "method": found.method,
                "device": found.device,
                "last_seen_utc_ms": at_utc_ms,
            }
            row_id = self._register(connection, channel, identity, seen, at_utc_ms)
            self._channel_ids[owner, found.quantity] = row_id
        self._known[owner, found.quantity] = found, at_utc_ms

    def write(self, batch: Batch) -> None:
        """Write a batch: all of it or nothing. Writing the same batch again changes nothing.

        A row that falls on a moment already taken by another row (the clock was set back) moves on to the
        next free millisecond; no row is lost.

        Raises
        ------
        DiskFullError, DatabaseBusyError, StoreError
            Nothing was written; hold the batch and try again.
        """
        samples = source_rows(batch.sources, self._source_ids)
        probes = probe_rows(batch.probes, self._channel_ids)
        with self._begin() as connection:
            insert_samples(self._database, connection, samples, probes)
            for table, rows in event_rows(batch, self.machine_id):
                insert_new(self._database, connection, table, rows)

    def note_task(self, task: str, at_utc_ms: int, ok: bool, detail: str = "") -> None:
        """Note that a scheduled task ran; what is due is worked out from these notes."""
        row = {"task": task, "at_utc_ms": at_utc_ms, "ok": ok, "detail": detail}
        with self._begin() as connection:
            connection.execute(task_log.insert(), row | {"machine_id": self.machine_id})

    def last_task_utc_ms(self, task: str, only_ok: bool = True) -> int | None:
        """When a task last ran, UTC [ms since 1970]; None if it never did."""
        query = select(func.max(task_log.c.at_utc_ms)).where(
            task_log.c.machine_id == self.machine_id, task_log.c.task == task
        )
        if only_ok:
            query = query.where(task_log.c.ok)
        with self._begin() as connection:
            found: int | None = connection.scalar(query)
        return found

    def put_state(self, values: Mapping[str, str], at_utc_ms: int) -> None:
        """Leave what the service knows about itself for `heatdrift status`; each key keeps its last value."""
        if not values:
            return
        rows = [
            {"machine_id": self.machine_id, "key": key, "value": value, "at_utc_ms": at_utc_ms}
            for key, value in values.items()
        ]
        statement = self._database.insert(service_state)
        statement = statement.on_conflict_do_update(
            index_elements=["machine_id", "key"],
            set_={"value": statement.excluded.value, "at_utc_ms": statement.excluded.at_utc_ms},
        )
        with self._begin() as connection:
            connection.execute(statement, rows)

    def facts(self) -> dict[str, str]:
        """The latest known value of every identity fact of this machine."""
        latest = (
            select(func.max(identity_change.c.id))
            .where(identity_change.c.machine_id == self.machine_id)
            .group_by(identity_change.c.subject)
        )
        change = identity_change.c
        with self._begin() as connection:
            found = connection.execute(select(change.subject, change.after).where(change.id.in_(latest)))
            return {row.subject: row.after for row in found}

    def last_fact(self, subject: str) -> str | None:
        """The latest known value of one identity fact, None if it was never seen."""
        return self.facts().get(subject)

    def source_names(self, kind: str) -> list[str]:
        """Every source of a kind that this machine ever had."""
        query = select(source.c.name).where(source.c.machine_id == self.machine_id, source.c.kind == kind)
        with self._begin() as connection:
            return list(connection.scalars(query.order_by(source.c.name)))

    def last_sample_utc_ms(self, until_utc_ms: int | None = None) -> int | None:
        """Moment of the latest hot source sample, UTC [ms since 1970]; none later than a given one counts."""
        # One look-up a source, because only a key's first column can be jumped to.
        of_machine = select(source.c.id).where(source.c.machine_id == self.machine_id)
        latest = select(func.max(source_sample.c.time_utc_ms))
        if until_utc_ms is not None:
            latest = latest.where(source_sample.c.time_utc_ms <= until_utc_ms)
        with self._begin() as connection:
            moments = [
                connection.scalar(latest.where(source_sample.c.source_id == source_id))
                for source_id in connection.scalars(of_machine).all()
            ]
        return max((moment for moment in moments if moment is not None), default=None)

    def checkpoint(self) -> None:
        """Copy the WAL back into the file and cut it short; without effect on a server."""
        self._need_pen()
        if self._database.is_sqlite:
            with self._database.sqlite_connection() as connection:
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def release(self) -> None:
        """Lay the pen down: close the connection, so that another process can be the one writer."""
        self._has_pen = False
        self._file = self._file_number()
        self._database.close()

    def take(self) -> None:
        """Take the pen back after `release`; a file that a repair put there is told anew what it needs.

        Raises
        ------
        StoreError
            The database cannot be opened now; the pen stays down.
        """
        with self._database.begin():
            pass
        self._has_pen = True
        if self._file_number() == self._file:
            return
        try:
            self._register_machine()
            for (owner, _), (known, at_utc_ms) in list(self._known.items()):
                if isinstance(known, Channel):
                    self.register_channel(known, owner, at_utc_ms)
                else:
                    self.register_source(owner, known, at_utc_ms)
        except StoreError:
            self._has_pen = False
            raise
        self._file = self._file_number()

    def _file_number(self) -> int | None:
        path = self._database.path
        return path.stat().st_ino if path is not None and path.exists() else None

    @contextmanager
    def _begin(self) -> Iterator[Connection]:
        self._need_pen()
        with self._database.begin() as connection:
            yield connection

    def _need_pen(self) -> None:
        if not self._has_pen:
            raise StoreError("the pen was laid down", remedy="call take() first")

    def _register(
        self, connection: Connection, table: Table, identity: Row, seen: Row, at_utc_ms: int
    ) -> int:
        is_same = [table.c[name] == value for name, value in identity.items()]
        query = select(table.c.id).where(*is_same)
        found = connection.scalar(query)
        if found is None:
            row = identity | seen | {"first_seen_utc_ms": at_utc_ms}
            insert_new(self._database, connection, table, [row])
            found = connection.scalar(query)
        else:
            connection.execute(table.update().where(*is_same).values(seen))
        return int(found or 0)
