"""Long work in child processes, one at a time, while the looking goes on."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable, Mapping, Sequence

from ..store.errors import EXIT_DAMAGED, StoreError
from .children import Child, Work
from .clock import Clock
from .due import Task, is_due
from .pen import Scribe
from .service_settings import REPAIR

log = logging.getLogger(__name__)

AT_ANY_LOAD_S = 6 * 3600.0  # work waits this long for a quiet machine, then it is done all the same
REPAIR_REST_S = 600.0  # what a repair did not help may be the disk itself, and rows wait for an hour
RESTS_S = 20 * 3600.0  # after a success, whatever a wrong clock makes of its date
DATABASE_VARIABLE = "HEATDRIFT_DATABASE"

StartWork = Callable[[Sequence[str], Mapping[str, str], float, float], Work]


class Errands:
    """Starts what is due, lends it the pen and takes it back.

    Parameters
    ----------
    tasks
        What may become due.
    database_url
        Handed to the child in its environment, because it may hold a password.
    deadline_s
        How long a child may take [s].
    start
        Starts a child.
    """

    def __init__(
        self, tasks: Sequence[Task], database_url: str, deadline_s: float, start: StartWork = Child
    ) -> None:
        self._tasks = tuple(tasks)
        self._environment = {DATABASE_VARIABLE: database_url}
        self._deadline_s = deadline_s
        self._start = start
        self._wanted_since_s: dict[str, float] = {}
        self._done_at_s: dict[str, float] = {}
        self._running: tuple[Task, Work] | None = None
        self._wants_repair = False
        self._repaired_at_s: float | None = None

    def check(self, scribe: Scribe, clock: Clock, never_since_utc_ms: int) -> None:
        """Note what is due."""
        if scribe.is_lent:
            return
        now_s, now_ms = clock.boot_s(), clock.wall_utc_ms()
        for task in self._tasks:
            done_s = self._done_at_s.get(task.name)
            if done_s is not None and now_s - done_s < RESTS_S:
                continue
            try:
                if is_due(task, scribe.pen, now_ms, never_since_utc_ms):
                    self._wanted_since_s.setdefault(task.name, now_s)
            except StoreError as error:
                log.debug("what is due cannot be told now: %s", error)
                return

    def advance(self, scribe: Scribe, clock: Clock, *, is_quiet: bool) -> None:
        """Start the next child when the machine is quiet; see whether the running one has ended."""
        if self._running is not None:
            task, work = self._running
            status = work.poll(clock.monotonic_s())
            if status is not None:
                self._running = None
                self._settle(task, status, scribe, clock)
            return
        if (self._wants_repair or scribe.is_damaged) and self._may_repair(clock.boot_s()):
            self._wants_repair = False
            self._repaired_at_s = clock.boot_s()
            log.warning("the database is damaged and is being repaired; rows wait in memory meanwhile")
            self._lend(REPAIR, scribe, clock)
            return
        for task in self._tasks:
            since_s = self._wanted_since_s.get(task.name)
            if since_s is not None and (is_quiet or clock.boot_s() - since_s > AT_ANY_LOAD_S):
                del self._wanted_since_s[task.name]
                self._begin(task, scribe, clock)
                return

    def run_now(self, task: Task, clock: Clock) -> Work:
        """Start a child at once; the caller has no pen that it could want."""
        command = [sys.executable, "-m", "heatdrift", *task.arguments]
        return self._start(command, self._environment, self._deadline_s, clock.monotonic_s())

    def stop(self, scribe: Scribe, clock: Clock) -> None:
        """End the running child; what it had not committed is undone by the database."""
        if self._running is not None:
            task, work = self._running
            self._running = None
            log.info("%s: ended early, it will be done again", task.name)
            self._settle(task, work.stop() or 1, scribe, clock)

    def _begin(self, task: Task, scribe: Scribe, clock: Clock) -> None:
        if not scribe.flush(clock.monotonic_s()):
            self._wanted_since_s[task.name] = clock.boot_s()  # the database is in trouble; later
            return
        if self._lend(task, scribe, clock):
            log.info("%s: started; rows wait in memory meanwhile", task.name)

    def _lend(self, task: Task, scribe: Scribe, clock: Clock) -> bool:
        scribe.lend()
        try:
            self._running = task, self.run_now(task, clock)
        except OSError as error:
            log.warning("%s: cannot be started: %s", task.name, error)
            scribe.take_back(clock.monotonic_s())
        return self._running is not None

    def _may_repair(self, now_s: float) -> bool:
        return self._repaired_at_s is None or now_s - self._repaired_at_s >= REPAIR_REST_S

    def _settle(self, task: Task, status: int, scribe: Scribe, clock: Clock) -> None:
        if status:
            log.warning("%s: failed with status %d; tried again in an hour", task.name, status)
        else:
            log.info("%s: done", task.name)
            self._done_at_s[task.name] = clock.boot_s()
        self._wants_repair |= status == EXIT_DAMAGED and task is not REPAIR
        scribe.take_back(clock.monotonic_s())
        if task is REPAIR and status == 0:
            return  # the repair itself noted what it did
        detail = "" if status == 0 else f"exit status {status}"
        try:
            scribe.pen.note_task(task.name, clock.wall_utc_ms(), status == 0, detail)
        except StoreError as error:
            log.warning("%s: its end could not be noted: %s", task.name, error)
