"""``year_daemon PLAN FOLDER LIFE``: the unchanged service beside the invented laptop, for one life of it."""

from __future__ import annotations

import contextlib
import functools
import json
import os
import random
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from heatdrift.cli import wiring
from heatdrift.cli.main import without_tls
from heatdrift.cli.outbox_door import OutboxDoor
from heatdrift.cli.pulse import refuse_beside_a_recorder
from heatdrift.cli.settings import load
from heatdrift.cli.speech import configure_logging
from heatdrift.daemon.discovery import Doors
from heatdrift.daemon.notify import SilentNotifier
from heatdrift.daemon.sensors.nvml import NvmlLink
from heatdrift.daemon.signals import stop_on_signals
from heatdrift.fake_sensors.blueprint import draw_machine
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE
from heatdrift.fake_sensors.sysfs_tree import SysfsTree
from heatdrift.store.message import Lane, Message, Severity

from .year_clock import Moment, TurnedChild, YearClock, turn_scheduler
from .year_plan import (
    DAY_S,
    DEAD,
    KIND,
    LETTER,
    LETTER_AFTER_S,
    MACHINE_SEED,
    START_UTC_MS,
    Campaign,
    Life,
    is_summer_time_night,
    lives,
    segments,
)

DOUBLE = "heatdrift.fake_sensors.nvml_double"
QUIET_WRITE_S = 5.0  # an idle laptop is rewritten that often: its counters with every turn
BUSY_TIMEOUT_MS, CACHE_KIB = 5000, 256
MOST_KILL_DELAY_S = 0.02  # real: the power goes in the middle of whatever is going on


class Laptop:
    """The invented machine, its files, and what happens to it when."""

    def __init__(
        self, campaign: Campaign, life: Life, root: Path, clock: YearClock, note: Note, door: OutboxDoor
    ) -> None:
        values = draw_machine(KIND, MACHINE_SEED)
        age_days = life.from_s / DAY_S
        self.machine = FakeMachine(
            values,
            MACHINE_SEED + life.number,
            START_UTC_MS + round(life.from_s * 1000),
            (replace(campaign.fault, from_day=campaign.fault.from_day - age_days),),
            segments(life, values.habits.tasks, campaign.seed),
        )
        self.machine.advance(0.1)
        self.machine.start_utc_ms = START_UTC_MS  # which names its GPU: the same one in every life
        self.tree = SysfsTree(
            self.machine,
            root,
            sleeps=True,
            first_hwmon=life.number % 7 if life.n_updates else 0,
            kernel=life.kernel,
            nvidia_driver=life.driver,
        )
        self.stop = threading.Event()
        self.door = door
        self._life, self._clock, self._note = life, clock, note
        self._boot_s = self._began_s = clock.boot_s()
        self._written_s = -QUIET_WRITE_S
        self._events = sorted(self._plan(), key=lambda event: event[0])
        self._turn_scheduler = turn_scheduler(clock)
        clock.on_turn.append(self.turn)
        self.tree.write()

    def turn(self, boot_s: float, /) -> None:
        """Let the machine keep pace."""
        passed_s, self._boot_s = boot_s - self._boot_s, boot_s
        self.machine.advance(passed_s)
        self._clock.show()
        elapsed_s = boot_s - self._began_s
        if self.machine.segment.name != "idle" or elapsed_s - self._written_s >= QUIET_WRITE_S:
            self._written_s = elapsed_s
            self.tree.write()
        else:
            self.tree.write_counters()
        while self._events and self._events[0][0] <= self._boot_s - self._began_s:
            self._events.pop(0)[1]()
        self._turn_scheduler()

    def _plan(self) -> list[tuple[float, Callable[[], object]]]:
        life, from_s = self._life, self._life.from_s
        events: list[tuple[float, Callable[[], object]]] = []
        for session in life.sessions:
            if is_summer_time_night(session) and session.to_s < life.end_s:
                events.append((session.from_s + LETTER_AFTER_S - from_s, self._write))
        for before, after in zip(life.sessions, life.sessions[1:], strict=False):
            events.append((before.to_s - from_s, functools.partial(self._sleep, after.from_s - from_s)))
        events += [(at_s - from_s, functools.partial(self._step, by_s)) for at_s, by_s in life.steps]
        if life.end == DEAD:
            if life.end_s > life.sessions[-1].to_s:  # asleep: nothing of the service runs until then
                at_s = life.sessions[-1].to_s - from_s
                events.append((at_s, functools.partial(self._die, life.end_s - from_s)))
            else:
                events.append((life.end_s - from_s, functools.partial(self._die, None)))
        else:
            events.append((life.end_s - from_s, self._end))
        return events

    def _sleep(self, until_s: float) -> None:
        self._note.sample()
        self._note("sleep", wall_utc_ms=self._clock.wall_utc_ms())
        self._clock.suspend(until_s - (self._boot_s - self._began_s))
        self._note("awake", wall_utc_ms=self._clock.wall_utc_ms())

    def _step(self, by_s: float) -> None:
        before_ms = self._clock.wall_utc_ms()
        self._clock.step_wall(by_s)
        self._note("step", by_s=by_s, wall_utc_ms=self._clock.wall_utc_ms(), before_utc_ms=before_ms)

    def _write(self) -> None:
        """Put into the outbox, as a nightly child does, what need not wake anybody."""
        at_ms = self._clock.wall_utc_ms()
        wanted = Message(Lane.TEST, Severity.NOTE, f"{LETTER} {at_ms}", at_ms, LETTER, "Nothing is wrong.")
        self._note("letter", is_new=self.door.queue(wanted))

    def _end(self) -> None:
        self._note.sample()
        self._note("end", wall_utc_ms=self._clock.wall_utc_ms())
        self.stop.set()

    def _die(self, asleep_until_s: float | None) -> None:
        self._note.sample()
        self._note("dead", wall_utc_ms=self._clock.wall_utc_ms(), n_children=self._clock.n_children)
        rng = random.Random(f"{self._life.number}/{self._life.end_s}")
        if asleep_until_s is not None:
            os.killpg(0, signal.SIGKILL)
        threading.Thread(target=_kill_soon, args=(rng.uniform(0.0, MOST_KILL_DELAY_S),), daemon=True).start()


def _kill_soon(delay_s: float) -> None:
    time.sleep(delay_s)
    os.killpg(0, signal.SIGKILL)


class Note:
    """What is noted for afterwards, a line of JSON each, on the disk before anything else happens."""

    def __init__(self, path: Path, clock: YearClock, began_s: float) -> None:
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        self._clock, self._from_s, self._boot_s = clock, began_s, clock.boot_s()
        self._cpu_s = time.process_time()

    def __call__(self, event: str, **values: object) -> None:
        day = (self._from_s + self._clock.boot_s() - self._boot_s) / DAY_S
        line = json.dumps({"event": event, "day": round(day, 5), **values})
        os.write(self._file, line.encode() + b"\n")

    def sample(self) -> None:
        """Note what this process holds now."""
        rollup = Path("/proc/self/smaps_rollup").read_text(encoding="ascii")
        memory = {line.split()[0]: int(line.split()[1]) for line in rollup.splitlines()[1:]}
        self(
            "sample",
            pss_kb=memory["Pss:"],
            private_kb=memory["Private_Dirty:"],
            n_files=count("/proc/self/fd"),
            n_threads=count("/proc/self/task"),
            n_processes=len(children()),
            cpu_s=round(time.process_time() - self._cpu_s, 2),
        )


def children() -> list[int]:
    """Processes that this one started and that are still there."""
    found: list[int] = []
    for task in Path("/proc/self/task").iterdir():
        with contextlib.suppress(OSError):
            found += map(int, (task / "children").read_text(encoding="ascii").split())
    return found


def count(folder: str) -> int:
    """Entries of a folder."""
    return sum(1 for _ in Path(folder).iterdir())


def held() -> dict[str, int]:
    """Handles, threads and children of this process."""
    return {
        "n_files": count("/proc/self/fd"),
        "n_threads": threading.active_count(),
        "n_processes": len(children()),
    }


def main(campaign: Campaign, folder: Path, root: Path, number: int) -> None:
    """Live one life."""
    life = lives(campaign)[number]
    clock = YearClock(
        START_UTC_MS + round((life.from_s + life.wrong_by_s) * 1000),
        f"boot-{number}",
        Moment(folder / "moment"),
    )
    note = Note(folder / "notes.jsonl", clock, life.from_s)
    settings = load(environment=os.environ)
    refuse_beside_a_recorder(settings.database, wiring.identity(settings), os.getpid())
    door = OutboxDoor(settings.database, wiring.identity(settings), BUSY_TIMEOUT_MS, CACHE_KIB)
    laptop = Laptop(campaign, life, root, clock, note, door)
    os.environ[STATE_VARIABLE] = str(laptop.tree.nvml_state)
    link = NvmlLink(library=DOUBLE)
    doors = Doors(laptop.tree.sys_root, laptop.tree.proc_root, link, use_portable=False)
    start = functools.partial(
        TurnedChild, clock, lambda what, status: note("child", what=what, status=status)
    )
    before = held()
    note("boot", number=number, wall_utc_ms=clock.wall_utc_ms())
    stop_on_signals(laptop.stop)
    service = wiring.service(settings, doors, clock, SilentNotifier(), start_work=start)
    service.run(laptop.stop)
    link.close()
    note("stopped", before=before, after=held())


if __name__ == "__main__":
    configure_logging(True)
    with without_tls():
        form, seed, n_days, place, memory, which = sys.argv[1:]
        chosen = Campaign.long if form == "long" else Campaign.short
        main(chosen(int(seed), int(n_days)), Path(place), Path(memory), int(which))
