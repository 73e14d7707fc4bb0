"""Recorders of an invented card whose database is a server at the end of a wire, and what must be there."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import select

from heatdrift.daemon.clock import Clock, TurnableClock
from heatdrift.daemon.courier import Courier
from heatdrift.daemon.service import Service
from heatdrift.daemon.spooled_pen import SpooledPen, spooled_pen_factory
from heatdrift.store.database import open_reader
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Gap, ProbeSample, SourceSample
from heatdrift.store.schema import channel, probe_sample, source, source_sample, task_log
from heatdrift.store.spool import Spool
from heatdrift.store.spool_entries import Entry, Kind, content
from heatdrift.store.units import SOURCE_QUANTITIES

from .server_child import START_UTC_MS, TASK, InventedCard, layout_of, meeting, settings_of

CHILD = Path(__file__).with_name("server_child.py")
PATIENCE_S = 120.0  # generous: nothing is timed


class RememberingPen(SpooledPen):
    """A pen that remembers all that it has written."""

    def __init__(self, spool: Spool, courier: Courier, clock: Clock, given: list[Batch]) -> None:
        super().__init__(spool, courier, clock)
        self.given = given

    def write(self, batch: Batch) -> None:
        super().write(batch)
        self.given.append(batch)


class ServerRig:
    """A recorder in this process, on a clock that is turned.

    Attributes
    ----------
    card
        What it reads.
    given
        Every batch that it has written.
    """

    def __init__(self, folder: Path, url: str) -> None:
        self.url = url
        self.card = InventedCard()
        self.clock = TurnableClock(START_UTC_MS)
        self.given: list[Batch] = []
        self.spool = Spool(folder / "waiting.sqlite")
        self.courier: Courier | None = None
        self.deadline_s = 900.0
        self._events: list[tuple[float, Callable[[], object]]] = []
        self.clock.on_turn.append(self._turn)

    def at(self, seconds: float, happening: Callable[[], object]) -> None:
        """Let something happen that many seconds after now."""
        self._events.append((self.clock.monotonic_s() + seconds, happening))
        self._events.sort(key=lambda event: event[0])

    def run(
        self, seconds: float, *, first_try_s: float = 10.0, migrate: Callable[[], None] = lambda: None
    ) -> int:
        """Let a new service run for some time of the turned clock."""
        self.leave()
        stop = threading.Event()
        self.at(seconds, stop.set)
        courier = self.courier = Courier(
            self.spool,
            meeting(self.url, self.clock),
            migrate=migrate,
            pause_s=0.01,
            longest_pause_s=0.05,
            deadline_s=self.deadline_s,
        )
        factory = spooled_pen_factory(self.spool, courier, self.clock, first_try_s=first_try_s)

        def open_pen() -> SpooledPen:
            factory()
            return RememberingPen(self.spool, courier, self.clock, self.given)

        return Service(lambda: layout_of(self.card), open_pen, self.clock, settings_of(self.url)).run(stop)

    def bring_home(self) -> None:
        """Wait until all that was written down is on the server."""
        assert self.courier is not None
        self.courier.go_on()
        until_s = time.monotonic() + PATIENCE_S
        while self.spool.backlog().n_entries:
            assert time.monotonic() < until_s, self.courier.trouble
            self.courier.wake()
            time.sleep(0.01)

    def leave(self) -> None:
        """End what an earlier service left."""
        if self.courier is not None:
            self.courier.stop()
            self.courier = None
        self.spool.close()

    def _turn(self, _boot_s: float, /) -> None:
        while self._events and self._events[0][0] <= self.clock.monotonic_s():
            self._events.pop(0)[1]()


class Lives:
    """A recorder in a process of its own, which is started, killed and started again."""

    def __init__(self, folder: Path, url: str, deadline_s: float) -> None:
        self.journal = folder / "journal"
        self.spool = folder / "waiting.sqlite"
        self.log = folder / "log"
        self.pid = 0
        self.told = Told(self.journal)
        self._log = self.log.open("wb")
        command = [sys.executable, str(CHILD), url, str(self.spool), str(self.journal), str(deadline_s)]
        self._parent = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._log, text=True
        )

    def begin(self, seconds: float = 1e9) -> None:
        """Start a life, half a minute of its clock after the last row of the one before."""
        told = self.told.read_on()
        assert self._parent.stdin is not None
        assert self._parent.stdout is not None
        self._parent.stdin.write(f"{told.end_utc_ms + 30_000} {seconds}\n")
        self._parent.stdin.flush()
        self.pid = int(self._parent.stdout.readline())

    def end(self) -> int:
        """Wait for the end of a life; its exit status."""
        assert self._parent.stdout is not None
        self.pid = 0
        return int(self._parent.stdout.readline())

    def await_writes(self, n: int) -> None:
        """Wait until so much more was written."""
        goal = self._size() + n * 200  # bytes of a short line, twice
        until_s = time.monotonic() + PATIENCE_S
        while self._size() < goal:
            assert time.monotonic() < until_s, "the recorder stands still"
            time.sleep(0.002)

    def close(self) -> None:
        """End the process."""
        assert self._parent.stdin is not None
        assert self._parent.stdout is not None
        if self.pid:
            os.kill(self.pid, signal.SIGKILL)
        self._parent.stdin.close()
        self._parent.wait(PATIENCE_S)
        self._parent.stdout.close()
        self._log.close()

    def _size(self) -> int:
        return self.journal.stat().st_size if self.journal.exists() else 0


class Told:
    """What the journal tells: what was surely written, and what may have been."""

    def __init__(self, journal: Path) -> None:
        self._journal, self._n_read = journal, 0
        self.sure: list[Batch] = []
        self.possible: list[Batch] = []
        self.sure_tasks: list[str] = []
        self.possible_tasks: list[str] = []
        self.end_utc_ms = START_UTC_MS  # after every row and gap

    def read_on(self) -> Told:
        """Take what was told since."""
        if not self._journal.exists():
            return self
        with self._journal.open() as file:
            file.seek(self._n_read)
            lines = file.read().splitlines()
            self._n_read = file.tell()
        for line in lines:
            word, _, rest = line.partition(" ")
            if word == "about":
                if not rest.endswith("."):
                    continue  # it was killed while it said so, before it did so
                batch = content(Entry(0, "", 0, Kind.BATCH.value, bytes.fromhex(rest[:-1])))
                assert isinstance(batch, Batch)
                self.possible.append(batch)
                moments = [row.time_utc_ms for row in batch.sources]
                moments += [gap.to_utc_ms for gap in batch.gaps]
                self.end_utc_ms = max([self.end_utc_ms, *moments])
            elif word == "done":
                self.sure.append(self.possible[-1])
            elif word == "task":
                self.possible_tasks.append(rest)
            elif word == "noted":
                self.sure_tasks.append(self.possible_tasks[-1])
        return self


class Reckoning(NamedTuple):
    """What stands on a server, held against what was written."""

    n_written: int
    n_lost: int
    n_doubled: int
    n_invented: int


def reckon(url: str, sure: list[Batch], possible: list[Batch] | None = None) -> Reckoning:
    """Count rows and gaps that are missing, that stand there twice, and that nobody wrote.

    A row that was moved to the next millisecond, because its own was taken, counts as invented.
    """
    wanted, allowed = _rows_of(sure), set(_rows_of(sure if possible is None else possible))
    found = rows_on(url)
    return Reckoning(
        len(wanted),
        len(set(wanted) - set(found)),
        len(found) - len(set(found)),
        len(set(found) - allowed),
    )


def reckon_tasks(url: str, told: Told) -> Reckoning:
    """The same for what has no key that could keep it from standing there twice."""
    database = open_reader(url)
    try:
        with database.begin() as connection:
            found = connection.scalars(select(task_log.c.detail).where(task_log.c.task == TASK)).all()
    finally:
        database.close()
    return Reckoning(
        len(told.sure_tasks),
        len(set(told.sure_tasks) - set(found)),
        len(found) - len(set(found)),
        len(set(found) - set(told.possible_tasks)),
    )


def rows_on(url: str) -> list[Any]:
    """Every row and gap on a server, as it was written."""
    database = open_reader(url)
    try:
        with database.begin() as connection:
            values = [source_sample.c[quantity.stored_name] for quantity in SOURCE_QUANTITIES]
            row = source_sample.c
            query = select(
                row.time_utc_ms, source.c.name, *values, row.limit_reasons, row.cadence, row.n_looks,
                row.missing_reasons,
            ).join(source, source.c.id == row.source_id)  # fmt: skip
            n = len(values)
            sources = [
                SourceSample(at, name, tuple(rest[:n]), *rest[n:])
                for at, name, *rest in connection.execute(query)
            ]
            one = probe_sample.c
            probes = select(
                one.time_utc_ms, channel.c.owner, channel.c.quantity, one.value_milli, one.missing_reason
            ).join(channel, channel.c.id == one.channel_id)
            found: list[SourceSample | ProbeSample | Gap] = [
                *sources,
                *(ProbeSample(*cells) for cells in connection.execute(probes)),
            ]
        return [*found, *Reader(database).gaps()]
    finally:
        database.close()


def _rows_of(batches: list[Batch]) -> list[Any]:
    return [row for batch in batches for kind in (batch.sources, batch.probes, batch.gaps) for row in kind]
