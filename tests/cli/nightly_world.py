"""One invented machine for all tests of a night: recorded and worked through once, copied by each."""

from __future__ import annotations

import atexit
import functools
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from heatdrift.fake_sensors.ageing import Fault, FaultMode
from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.reports.derivation import update
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.derived import DerivedStore
from heatdrift.store.reader import Reader
from heatdrift.store.writer import Writer

DAY_MS = 86_400_000
DAYS, CHANGED_ON_DAY = 24, 14
KNOCKED, POWER_SCALE = 0.2, 0.88


def world() -> FakeMachine:
    """A desktop: the cooler of its GPU is knocked loose on the day that its CPU begins to read 12 % less."""
    faults = [
        Fault(FaultMode.KNOCKED, CHANGED_ON_DAY, KNOCKED, source="gpu0"),
        Fault(FaultMode.POWER_SCALE, CHANGED_ON_DAY, POWER_SCALE - 1.0, source="cpu0"),
    ]
    return FakeMachine.of("desktop", 15, faults=faults, load_hours_a_day=2.0)


@functools.cache
def _recorded() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="hd-night-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    path = folder / "record.sqlite"
    writing = open_writer(str(path))
    record_history(Writer(writing, "uuid", "wren"), world(), START_UTC_MS, DAYS)
    reading = open_reader(str(path))
    reader = Reader(reading)
    update(reader, DerivedStore(writing, reader.machine_id), [])
    reading.close()
    writing.close()
    return path


def copy_of_world(folder: Path) -> str:
    """A copy for a test of its own: everything is derived, nothing is judged."""
    return copied(_recorded(), folder)


def copied(database: Path | str, folder: Path) -> str:
    """A copy of a database in another folder."""
    to = folder / "record.sqlite"
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(to)) as copy:
        source.backup(copy)
    return str(to)


def change(database: str, *statements: str) -> None:
    """Change rows behind the back of heatdrift."""
    with closing(sqlite3.connect(database)) as connection, connection:
        for statement in statements:
            connection.execute(statement)
