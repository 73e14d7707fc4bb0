"""A pen for a database on a server: it writes into the spool, and the courier does the rest.

Nothing that is asked of it ever waits for the server. What the service wants to know (facts, past runs, the
newest row) stands in the spool as well, kept up with every write and learned from the server where the spool
is new.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping

from ..store.errors import (
    DatabaseBusyError,
    ForeignDatabaseError,
    NewerSchemaError,
    SchemaOutdatedError,
    SettingsError,
    StoreError,
)
from ..store.records import Batch, Channel
from ..store.spool import Spool
from ..store.spool_entries import Sighting, StateNote, TaskNote, clean, draft
from .clock import Clock
from .courier import Courier

# At a start the server may well answer in time; else the record begins without it.
FIRST_TRY_S = 10.0
# The nightly work reads the server: it would judge a day of which half still waits here.
MOST_BEHIND_MS = 30 * 60_000
STOPPING_S = 2.0  # for what is on its way; the whole stop has five seconds
NOT_OURS = (SchemaOutdatedError, ForeignDatabaseError, NewerSchemaError, SettingsError)


class SpooledPen:
    """Writes for a server.

    Parameters
    ----------
    spool
        Open.
    courier
        Carries what stands in it.
    clock
        Time.
    """

    def __init__(self, spool: Spool, courier: Courier, clock: Clock) -> None:
        self._spool = spool
        self._courier = courier
        self._clock = clock
        self._sources: list[tuple[str, str]] = []
        self._channels: list[tuple[str, Channel]] = []

    def register_source(self, name: str, kind: str, at_utc_ms: int) -> None:
        """Make a source known; it is written down with the next rows."""
        self._sources.append((name, kind))

    def register_channel(self, found: Channel, owner: str, at_utc_ms: int) -> None:
        """Note which channel a source or probe is read from; it is written down with the next rows."""
        self._channels.append((owner, found))

    def write(self, batch: Batch) -> None:
        """Write a batch down: all of it or nothing."""
        now_ms = self._clock.wall_utc_ms()
        drafts = [draft(batch, now_ms)]
        if self._sources or self._channels:
            sighting = Sighting(now_ms, tuple(self._sources), tuple(self._channels))
            drafts.insert(0, draft(sighting, now_ms))
        known = {f"fact:{clean(change.subject)}": clean(change.after) for change in batch.changes}
        known |= {f"source:{name}": kind for name, kind in self._sources}
        if batch.sources:
            known["last_sample_utc_ms"] = str(max(sample.time_utc_ms for sample in batch.sources))
        self._spool.append(drafts, known)
        self._sources, self._channels = [], []
        self._courier.wake()

    def note_task(self, task: str, at_utc_ms: int, ok: bool, detail: str = "") -> None:
        """Note that a scheduled task ran."""
        known = {f"task:{task}": str(at_utc_ms)} | ({f"good:{task}": str(at_utc_ms)} if ok else {})
        self._spool.append([draft(TaskNote(task, at_utc_ms, ok, detail), at_utc_ms)], known)
        self._courier.wake()

    def last_task_utc_ms(self, task: str, only_ok: bool = True) -> int | None:
        """When a task last ran, UTC [ms since 1970]; None if it never did.

        Raises
        ------
        StoreError
            The server is away or far behind: nothing that reads it makes sense now.
        """
        if self._courier.trouble is not None or not self._courier.has_met:
            raise StoreError("the server does not answer", remedy="rows wait here until it does")
        since_ms = self._spool.backlog().since_utc_ms
        if since_ms is not None and self._clock.wall_utc_ms() - since_ms > MOST_BEHIND_MS:
            raise DatabaseBusyError("rows are still on their way to the server", remedy="wait for them")
        found = self._spool.known().get(f"{'good' if only_ok else 'task'}:{task}")
        return None if found is None else int(found)

    def put_state(self, values: Mapping[str, str], at_utc_ms: int) -> None:
        """Leave what the service knows about itself."""
        known = {"state": json.dumps(dict(values)), "state_at_utc_ms": str(at_utc_ms)}
        self._spool.append([draft(StateNote(values, at_utc_ms), at_utc_ms)], known)
        self._courier.wake()

    def facts(self) -> dict[str, str]:
        """The latest known value of every identity fact."""
        return self._known_as("fact:")

    def source_names(self, kind: str) -> list[str]:
        """Every source of a kind that is known of this machine."""
        return sorted(name for name, found in self._known_as("source:").items() if found == kind)

    def last_sample_utc_ms(self, until_utc_ms: int | None = None) -> int | None:
        """Moment of the newest source sample [ms since 1970]; None where it is later than a given one."""
        known = self._spool.known()
        found = known.get("last_sample_utc_ms")
        if found is None and "met" not in known:
            # The server may know more: the courier explains the silence before now when it meets it.
            self._spool.learn({"blind_since_utc_ms": str(self._clock.wall_utc_ms())}, is_newer=False)
        if found is None or (until_utc_ms is not None and int(found) > until_utc_ms):
            return None
        return int(found)

    def checkpoint(self) -> None:
        """Give what is on its way a moment to arrive; what does not is delivered after the next start."""
        self._courier.settle(STOPPING_S)
        self._spool.checkpoint()

    def release(self) -> None:
        """Let a child be the one who writes on the server."""
        self._courier.rest()

    def take(self) -> None:
        """Deliver again."""
        self._courier.go_on()

    def _known_as(self, prefix: str) -> dict[str, str]:
        known = self._spool.known()
        return {name.removeprefix(prefix): value for name, value in known.items() if name.startswith(prefix)}


def spooled_pen_factory(
    spool: Spool, courier: Courier, clock: Clock, *, first_try_s: float = FIRST_TRY_S
) -> Callable[[], SpooledPen]:
    """What opens the spool, and looks whether the server is there and ours.

    Parameters
    ----------
    first_try_s
        How long a start waits for the server [s].
    """

    def open_pen() -> SpooledPen:
        spool.open()
        error = courier.first_try(first_try_s)
        if isinstance(error, NOT_OURS):
            raise error
        courier.record()
        return SpooledPen(spool, courier, clock)

    return open_pen
