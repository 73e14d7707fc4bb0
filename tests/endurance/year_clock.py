"""Time that is turned, for a service and for everything that it starts."""

from __future__ import annotations

import mmap
import struct
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

import apscheduler.schedulers.base
import apscheduler.triggers.interval
from apscheduler.schedulers.background import BackgroundScheduler

from heatdrift.daemon import coarse
from heatdrift.daemon.children import Child
from heatdrift.daemon.clock import TurnableClock

CHILD = "heatdrift.tests.endurance.year_child"
CHILD_SPEED = 10.0  # turned seconds in a real one while a child process is at work
PATIENCE_S = 60.0  # real: a thread that has not had its turn by then will not have it


class Moment:
    """What the laptop's wall clock shows, for every process that wants to know [ms since 1970]."""

    def __init__(self, path: Path) -> None:
        self.path = path
        if not path.exists():
            path.write_bytes(bytes(8))
        with path.open("r+b") as file:
            self._memory = mmap.mmap(file.fileno(), 8)

    def show(self, wall_utc_ms: int) -> None:
        """Show another one."""
        struct.pack_into("q", self._memory, 0, wall_utc_ms)

    def wall_utc_ms(self) -> int:
        """Read it."""
        return int(struct.unpack_from("q", self._memory, 0)[0])


class YearClock(TurnableClock):
    """A clock that is turned by whoever waits, and that keeps real time (ten times faster) for children.

    Attributes
    ----------
    n_children
        Child processes at work.
    """

    def __init__(self, wall_utc_ms: int, boot_id: str, moment: Moment) -> None:
        super().__init__(wall_utc_ms)
        self.moment = moment
        self.n_children = 0
        self._boot_id = boot_id
        self.show()

    def boot_id(self) -> str:
        return self._boot_id

    def step_wall(self, seconds: float) -> None:
        super().step_wall(seconds)
        self.show()

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        if stop.is_set():
            return True
        if self.n_children:
            time.sleep(max(0.0, seconds) / CHILD_SPEED)
        self.turn(max(0.0, seconds))
        return stop.is_set()

    def show(self) -> None:
        """Let the other processes see it."""
        self.moment.show(self.wall_utc_ms())


class TurnedScheduler(BackgroundScheduler):  # type: ignore[misc]
    """The scheduler of the service, in its own thread, woken when the turned clock says so."""

    clock: YearClock
    newest: TurnedScheduler

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._is_stale = threading.Event()
        self._is_done = threading.Event()
        self._due_s = 0.0
        type(self).newest = self

    def wakeup(self) -> None:
        self._is_done.clear()
        self._is_stale.set()
        super().wakeup()

    def _process_jobs(self) -> float | None:
        self._is_stale.clear()
        wait_s: float | None = super()._process_jobs()
        self._due_s = self.clock.monotonic_s() + (float("inf") if wait_s is None else wait_s)
        if not self._is_stale.is_set():
            self._is_done.set()
        return wait_s

    def turn(self) -> None:
        """Have done what is due by now."""
        if not self.running:
            return
        if self.clock.monotonic_s() >= self._due_s:
            self.wakeup()
        if not self._is_done.wait(PATIENCE_S):
            raise AssertionError("the thread of the scheduler is stuck")


def turn_scheduler(clock: YearClock) -> Callable[[], None]:
    """Let the scheduler of this process live by a turned clock; returns what gives it its turn."""

    class TurnedDatetime(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> TurnedDatetime:
            return cls.fromtimestamp(clock.wall_utc_ms() / 1000, tz)

    TurnedScheduler.clock = clock
    for module in (apscheduler.schedulers.base, apscheduler.triggers.interval):
        module.datetime = TurnedDatetime
    vars(coarse)[BackgroundScheduler.__name__] = TurnedScheduler

    def turn() -> None:
        scheduler = getattr(TurnedScheduler, "newest", None)
        if scheduler is not None:
            scheduler.turn()

    return turn


class TurnedChild(Child):
    """A child process of the service whose time is the turned one."""

    def __init__(
        self,
        clock: YearClock,
        ended: Callable[[str, int], None],
        command: Sequence[str],
        environment: Mapping[str, str],
        deadline_s: float,
        now_s: float,
    ) -> None:
        python, _, _, *arguments = command  # python -m heatdrift ...
        turned = [python, "-m", CHILD, str(clock.moment.path), *arguments]
        super().__init__(turned, environment, deadline_s, now_s)
        self._clock, self._ended, self._what = clock, ended, " ".join(arguments)
        self._is_counted = True
        clock.n_children += 1

    def poll(self, now_s: float) -> int | None:
        status = super().poll(now_s)
        if status is not None:
            self._settle(status)
        return status

    def stop(self) -> int:
        status = super().stop()
        self._settle(status)
        return status

    def _settle(self, status: int) -> None:
        if self._is_counted:
            self._is_counted = False
            self._clock.n_children -= 1
            self._ended(self._what, status)
