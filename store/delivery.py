"""Brings what waited in the spool into the database, each entry exactly once.

How far it came is written in the same transaction as the rows: the life and the number of the newest entry,
in `service_state`. Whoever delivers next reads it first, with the row locked, so that neither a commit whose
answer was lost nor a service that was killed and started again writes anything twice. A spool that was
brought back from a backup begins a new life; what it delivers again falls on rows that are there already.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields, replace
from itertools import groupby
from typing import Any

from sqlalchemy import Connection, func, select

from .database import Database, open_writer, parse_url, sqlite_path
from .errors import DamagedDataError, RefusedRowsError
from .message import Message
from .outbox import queue
from .records import Batch, Gap, GapReason
from .rows import insert_new
from .schema import channel, service_state, source, task_log
from .spool_entries import Content, Entry, Kind, Sighting, StateNote, TaskNote, content
from .writer import Writer

log = logging.getLogger(__name__)

MARK = "delivered"
CONNECT_S = 300  # a connection is some five answers, and a server may take half a minute for each
Places = dict[tuple[str, str], str]
"""Key of the channel that each owner's quantity is read from."""


def open_patiently(url: str, on_connect: Callable[[Any], None]) -> Database:
    """Open a database for a deliverer, which has time: no other work waits for it.

    Parameters
    ----------
    url, on_connect
        See `open_writer`.
    """
    parsed = parse_url(url)
    if sqlite_path(parsed) is None and "connect_timeout" not in parsed.query:
        parsed = parsed.update_query_dict({"connect_timeout": str(CONNECT_S)})
    return open_writer(parsed.render_as_string(hide_password=False), on_connect=on_connect)


class Deliverer(Writer):
    """A writer that takes entries of a spool, and knows which it has taken.

    Parameters
    ----------
    database
        From `open_writer`.
    machine_uuid, machine_name, at_utc_ms
        See `Writer`.
    places
        What earlier deliverers registered.

    Attributes
    ----------
    places
        The same, with what this one registered.
    """

    def __init__(
        self,
        database: Database,
        machine_uuid: str,
        machine_name: str,
        at_utc_ms: int,
        places: Mapping[tuple[str, str], str] | None = None,
    ) -> None:
        self.database = database
        self.places: Places = dict(places or {})
        self._open: Connection | None = None
        super().__init__(database, machine_uuid, machine_name, at_utc_ms)
        with self._begin() as connection:
            mark = {"machine_id": self.machine_id, "key": MARK, "value": "", "at_utc_ms": at_utc_ms}
            insert_new(database, connection, service_state, [mark])
            self._recall(connection)

    def deliver(self, entries: Sequence[Entry], set_aside: Callable[[int], None]) -> None:
        """Write entries, all of them or none; those that were written before change nothing.

        Parameters
        ----------
        entries
            The oldest of the spool, in order.
        set_aside
            Told the number of each entry that says nothing, before anything is committed.

        Raises
        ------
        RefusedRowsError
            Something among it is not taken: deliver the entries one by one.
        StoreError
            Nothing was written. What is known of the channels may be wrong now: make a new deliverer.
        """
        mine = (service_state.c.machine_id == self.machine_id, service_state.c.key == MARK)
        with self._begin() as connection:
            life, _, number = (
                connection.scalar(select(service_state.c.value).where(*mine).with_for_update()) or ""
            ).partition(":")

            def is_new(one: Entry) -> bool:
                return one.life != life or one.number > int(number)

            # What was seen is said again: a spool from a backup may not know that it ever was.
            wanted = [one for one in entries if is_new(one) or one.kind == Kind.SIGHTING.value]
            self._open = connection
            try:
                for one in _merged(_readable(wanted, set_aside)):
                    self._apply(one, connection)
            except (ValueError, TypeError, OverflowError) as error:  # the driver cannot even say it
                raise RefusedRowsError(f"rows cannot be written ({error})", remedy="report this") from error
            finally:
                self._open = None
            newest = entries[-1]
            if is_new(newest):
                said = {"value": f"{newest.life}:{newest.number}", "at_utc_ms": newest.at_utc_ms}
                connection.execute(service_state.update().where(*mine).values(said))

    def explain_silence(self, until_utc_ms: int) -> None:
        """Note that nothing was recorded between the newest row and a start that did not know of it."""
        last_ms = self.last_sample_utc_ms(until_utc_ms)
        if last_ms is not None and last_ms < until_utc_ms:
            self.write(
                Batch(
                    gaps=(Gap(last_ms, until_utc_ms, GapReason.STOPPED, "", "the service was not running"),)
                )
            )

    def source_kinds(self) -> dict[str, str]:
        """Every source that this machine ever had, with its kind."""
        query = select(source.c.name, source.c.kind).where(source.c.machine_id == self.machine_id)
        with self._begin() as connection:
            return {row.name: row.kind for row in connection.execute(query)}

    def task_times(self) -> dict[str, tuple[int | None, int]]:
        """When each task last went well, None where it never did, and when it last ran [ms since 1970]."""
        newest = func.max(task_log.c.at_utc_ms)
        query = (
            select(task_log.c.task, newest.filter(task_log.c.ok), newest)
            .where(task_log.c.machine_id == self.machine_id)
            .group_by(task_log.c.task)
        )
        with self._begin() as connection:
            return {task: (good, last) for task, good, last in connection.execute(query)}

    @contextmanager
    def _begin(self) -> Iterator[Connection]:
        if self._open is not None:  # part of a delivery
            yield self._open
            return
        with super()._begin() as connection:
            yield connection

    def _apply(self, one: Content, connection: Connection) -> None:
        match one:
            case Sighting():
                self._register_all(one, connection)
            case Batch():
                self.write(self._settled(one))
            case StateNote():
                self.put_state(one.values, one.at_utc_ms)
            case TaskNote():
                self.note_task(one.task, one.at_utc_ms, one.ok, one.detail)
            case Message():
                queue(connection, self.machine_id, one)

    def _settled(self, batch: Batch) -> Batch:
        """A batch whose changes are told against what the database knows.

        A service that starts with an empty spool and without its server sees every fact for the first time.
        """
        if all(change.before is not None for change in batch.changes):
            return batch
        facts = self.facts()
        changes = (
            replace(change, before=facts.get(change.subject)) if change.before is None else change
            for change in batch.changes
        )
        return replace(batch, changes=tuple(one for one in changes if one.before != one.after))

    def _register_all(self, found: Sighting, connection: Connection) -> None:
        """Do what `register_source` and `register_channel` do, in few statements: a server may be slow."""
        common = {"machine_id": self.machine_id, "first_seen_utc_ms": found.at_utc_ms}
        common |= {"last_seen_utc_ms": found.at_utc_ms}
        sources = [common | {"name": name, "kind": kind} for name, kind in found.sources]
        channels = [
            common
            | {"key": one.key, "owner": owner, "quantity": one.quantity, "door": one.door}
            | {"label": one.label, "driver": one.driver, "method": one.method, "device": one.device}
            for owner, one in found.channels
        ]
        for table, rows, identity in (
            (source, sources, ["machine_id", "name"]),
            (channel, channels, ["machine_id", "key", "owner", "quantity"]),
        ):
            if rows:
                insert = self._database.insert(table)
                seen = {
                    name: insert.excluded[name]
                    for name in rows[0]
                    if name not in identity and name != "first_seen_utc_ms"
                }
                connection.execute(insert.on_conflict_do_update(index_elements=identity, set_=seen), rows)
        self.places |= {(owner, one.quantity): one.key for owner, one in found.channels}
        self._recall(connection)

    def _recall(self, connection: Connection) -> None:
        sources = select(source.c.name, source.c.id).where(source.c.machine_id == self.machine_id)
        self._source_ids = {row.name: row.id for row in connection.execute(sources)}
        columns = channel.c
        channels = select(columns.owner, columns.quantity, columns.key, columns.id).where(
            columns.machine_id == self.machine_id
        )
        found = connection.execute(channels.order_by(columns.last_seen_utc_ms)).all()
        # Where nobody knows which channel a probe was read from, it was the one that was seen last.
        mine = [row for row in found if self.places.get((row.owner, row.quantity)) == row.key]
        self._channel_ids = {(row.owner, row.quantity): row.id for row in (*found, *mine)}


def _readable(entries: Iterable[Entry], set_aside: Callable[[int], None]) -> Iterator[Content]:
    for one in entries:
        try:
            yield content(one)
        except DamagedDataError as error:
            log.error("%s; it is kept, and what comes after it goes on", error.message)
            set_aside(one.number)


def _merged(contents: Iterable[Content]) -> Iterator[Content]:
    """The same in fewer pieces: neighbouring batches as one, of what was said about the service the last."""
    for is_plain, run in groupby(contents, key=lambda one: isinstance(one, Batch | StateNote)):
        pieces = list(run)
        if not is_plain:
            yield from pieces
            continue
        batches = [one for one in pieces if isinstance(one, Batch)]
        notes = [one for one in pieces if isinstance(one, StateNote)]
        if batches:
            kinds = (field.name for field in fields(Batch))
            yield Batch(*(tuple(row for one in batches for row in getattr(one, kind)) for kind in kinds))
        if notes:
            values = {key: value for one in notes for key, value in one.values.items()}
            yield StateNote(values, notes[-1].at_utc_ms)
