"""The whole service beside an invented machine, with everything between them that can go wrong.

Sensors are read from the fake tree and the NVML double by the unchanged daemon and end up in a real SQLite
file, on a clock that is turned. What stands in the file afterwards is held against the machine.
"""

from __future__ import annotations

import errno
import json
import math
import os
import sqlite3
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from heatdrift.daemon.clock import TurnableClock
from heatdrift.daemon.discovery import Doors, Overrides, discover
from heatdrift.daemon.layout import Layout
from heatdrift.daemon.sensors.base import Reading
from heatdrift.daemon.sensors.kept_file import FileDoor, open_read_only
from heatdrift.daemon.sensors.nvml import NvmlLink
from heatdrift.daemon.service import Service, ServiceSettings
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.fake_sensors.sysfs_tree import SysfsTree
from heatdrift.store.database import Database, open_reader, open_writer
from heatdrift.store.reader import Reader
from heatdrift.store.records import Channel, Missing, unpack_missing
from heatdrift.store.units import QUANTITY_INDEX, SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

DOUBLE = "heatdrift.fake_sensors.nvml_double"
LONGEST_TURN_S = 60.0  # a suspended machine does not age: it cools for a minute and stands still


class MeddledFiles:
    """Files as the kernel gives them on a bad day.

    Attributes
    ----------
    errors
        Part of a path: the code with which opening and reading such files fails.
    lies
        Part of a path: what is made of the true text.
    """

    def __init__(self) -> None:
        self.errors: dict[str, int] = {}
        self.lies: dict[str, Callable[[str], str]] = {}
        self._paths: dict[int, str] = {}
        self._dead: set[int] = set()
        self.door = FileDoor(self._open, self._pread, self._close)

    def unbind(self, part: str) -> None:
        """Let the driver go: descriptors that are open now answer ENODEV for ever."""
        self._dead |= {fd for fd, path in self._paths.items() if part in path}

    def _open(self, path: str) -> int:
        real = os.path.realpath(path)
        self._fail(real)
        fd = open_read_only(path)
        self._paths[fd] = real
        self._dead.discard(fd)
        return fd

    def _pread(self, fd: int, n_bytes: int, offset: int) -> bytes:
        path = self._paths[fd]
        if fd in self._dead:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV), path)
        self._fail(path)
        text = os.pread(fd, n_bytes, offset)
        for part, lie in self.lies.items():
            if part in path:
                text = lie(text.decode()).encode()
        return text

    def _close(self, fd: int) -> None:
        del self._paths[fd]
        os.close(fd)

    def _fail(self, path: str) -> None:
        for part, code in self.errors.items():
            if part in path:
                raise OSError(code, os.strerror(code), path)


class LookCounter:
    """A group without a channel: what it counts are the looks that must be found in the rows."""

    name, min_period_s = "counter", 0.0
    channels: tuple[Channel, ...] = ()

    def __init__(self) -> None:
        self.n_looks = 0

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        self.n_looks += 1
        return ()

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return ()

    def facts(self) -> dict[str, str]:
        return {}

    def close(self) -> None:
        return


class Rig:
    """An invented laptop, its recorder, and a list of what happens when.

    Attributes
    ----------
    files
        Where its files are meddled with.
    gpus, nvml
        What is changed of the states of its GPUs and of NVML as a whole, as the double knows them.
    overrides
        The owner's.
    hold_s
        How long rows may wait for the database [s].
    databases
        Every database that was opened for writing.
    """

    def __init__(self, root: Path, *, has_nvml: bool = False, deadline_s: float = 5.0) -> None:
        self.root = root
        self.url = f"sqlite:///{root / 'store' / 'heatdrift.db'}"
        self.machine = FakeMachine.shown("laptop", 1)
        self.tree = SysfsTree(self.machine, root)
        self.files = MeddledFiles()
        self.clock = TurnableClock(self.machine.start_utc_ms)
        self.link = NvmlLink(library=DOUBLE, deadline_s=deadline_s) if has_nvml else None
        self.gpus: list[dict[str, object]] = [{}]
        self.nvml: dict[str, object] = {}
        self.overrides = Overrides()
        self.hold_s = 3600.0
        self.databases: list[Database] = []
        self.counter = LookCounter()
        self._events: list[tuple[float, Callable[[], object]]] = []
        self._seen_boot_s = self.clock.boot_s()
        self._least: dict[tuple[str, str], float] = {}
        self._most: dict[tuple[str, str], float] = {}
        self.clock.on_turn.append(self._turn)
        self._show()

    def at(self, seconds: float, happening: Callable[[], object]) -> None:
        """Let something happen that many seconds after now."""
        self._events.append((self.clock.monotonic_s() + seconds, happening))
        self._events.sort(key=lambda event: event[0])

    def run(self, seconds: float) -> int:
        """Let the service run for some time of the turned clock."""
        stop = threading.Event()
        self.at(seconds, stop.set)
        self._show()
        settings = ServiceSettings(self.url, hold_s=self.hold_s, tasks=())
        try:
            return Service(self.layout, self.open_pen, self.clock, settings).run(stop)
        finally:
            for database in self.databases:
                database.close()

    def layout(self) -> Layout:
        """What is found now."""
        doors = Doors(self.tree.sys_root, self.tree.proc_root, self.link, False, self.files.door)
        found = discover(doors, self.overrides)
        return replace(found, groups=(*found.groups, self.counter))

    def open_pen(self) -> Writer:
        """Open the file for writing, without patience: waiting for it would be in real time."""
        database = open_writer(self.url, busy_timeout_ms=1)
        self.databases.append(database)
        return Writer(database, "machine-1", "machine", self.clock.wall_utc_ms())

    def close(self) -> None:
        """Give everything back."""
        if self.link is not None:
            self.link.close()
        self.tree.close()

    @property
    def path(self) -> Path:
        """The file."""
        return Path(self.url.removeprefix("sqlite:///"))

    def record(self) -> Record:
        """Everything that was stored, after it was held against the machine."""
        return Record(self)

    def bounds(self, source: str, quantity: str) -> tuple[float, float]:
        """Between what a sensor of the machine can have said so far."""
        # One degree of rounding and noise; two per cent and half a watt for a meter's noise and its mean.
        slack = 1.0 if quantity == "temperature_c" else 0.5 + 0.02 * self._most[source, quantity]
        return self._least[source, quantity] - slack, self._most[source, quantity] + slack

    def _turn(self, boot_s: float, /) -> None:
        passed_s, self._seen_boot_s = boot_s - self._seen_boot_s, boot_s
        self.machine.advance(min(passed_s, LONGEST_TURN_S))
        self._show()
        now_s = self.clock.monotonic_s()
        is_changed = False
        while self._events and self._events[0][0] <= now_s:
            self._events.pop(0)[1]()  # which may turn the clock itself
            is_changed = True
        if is_changed:
            self._show()

    def _show(self) -> None:
        self.tree.write()
        if self.nvml or any(self.gpus) or len(self.gpus) != 1:
            state = json.loads(self.tree.nvml_state.read_text())
            state["gpus"] = [state["gpus"][0] | changed for changed in self.gpus]
            fresh = self.root / "fresh.json"
            fresh.write_text(json.dumps(state | self.nvml))
            fresh.replace(self.tree.nvml_state)
        for source, truth in self.machine.truth().sources.items():
            said = {
                "temperature_c": truth.temperature_c + truth.temperature_offset_k,
                "power_w": truth.power_w * truth.power_scale,
            }
            for quantity, value in said.items():
                place = source, quantity
                self._least[place] = min(value, self._least.get(place, math.inf))
                self._most[place] = max(value, self._most.get(place, -math.inf))


class Record:
    """What stands in the file: whole, each empty place with its reason, no value that the machine had not."""

    def __init__(self, rig: Rig) -> None:
        database = open_reader(rig.url)
        try:
            reader = Reader(database)
            self.sources = {entry.name: reader.source_frame(entry.name) for entry in reader.sources()}
            self.probes = {name: reader.probe_frame(name) for name in {p.name for p in reader.probes()}}
            self.gaps, self.changes, self.channels = (
                reader.gaps(),
                reader.identity_changes(),
                reader.channels(),
            )
        finally:
            database.close()
        with sqlite3.connect(rig.path) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        connection.close()
        self.start_utc = pd.Timestamp(rig.machine.start_utc_ms, unit="ms", tz="UTC")
        for name, frame in self.sources.items():
            assert frame.index.is_monotonic_increasing and frame.index.is_unique
            assert (frame["n_looks"] > 0).all()
            for quantity in SOURCE_QUANTITIES:
                reasons = self.reasons(name, quantity.name)
                assert [reason is None for reason in reasons] == frame[quantity.name].notna().tolist()
            for quantity_name in ("temperature_c", "power_w"):
                least, most = rig.bounds(name.replace("gpu1", "gpu0"), quantity_name)
                had = frame[quantity_name].dropna()
                assert had.between(least, most).all(), (name, quantity_name, had.min(), had.max())
        for frame in self.probes.values():
            for column in [name for name in map(str, frame) if not name.endswith("_missing_reason")]:
                told = frame[f"{column}_missing_reason"].fillna(0) != 0
                assert (told == frame[column].isna()).all()

    def n_looks(self, source: str) -> int:
        """Looks in all rows of a source."""
        return int(self.sources[source]["n_looks"].sum())

    def between(self, source: str, from_s: float, to_s: float) -> pd.DataFrame:
        """Rows of a source from some seconds after the start up to others."""
        frame = self.sources[source]
        return frame.loc[
            self.start_utc + pd.Timedelta(from_s, "s") : self.start_utc + pd.Timedelta(to_s, "s")
        ]

    def reasons(
        self, source: str, quantity: str, from_s: float = 0.0, to_s: float = math.inf
    ) -> list[Missing | None]:
        """Why a quantity is empty, row by row; None where it is not."""
        frame = self.sources[source] if to_s == math.inf else self.between(source, from_s, to_s)
        index = QUANTITY_INDEX[quantity]
        return [unpack_missing(packed)[index] for packed in frame["missing_reasons"].tolist()]
