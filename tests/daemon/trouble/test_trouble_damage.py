"""A database that is damaged, before and under a running service: repaired while the looking goes on."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from heatdrift.daemon.service import Service, ServiceSettings
from heatdrift.store.backup import backup
from heatdrift.store.damage import need_whole, set_aside
from heatdrift.store.errors import DamagedDataError, HeatdriftError
from heatdrift.store.machines import machines
from heatdrift.store.outbox import Outbox
from heatdrift.store.repair import repair
from heatdrift.store.writer import Writer

from .rig import Rig

PAGE_BYTES = 4096


class RepairNow:
    """Stands for the child that repairs; it takes a minute of the turned clock."""

    def __init__(self, rig: Rig, *, does_help: bool = True) -> None:
        self.rig, self.does_help = rig, does_help
        self.n_started = 0
        self._ends_at_s = 0.0
        self._status = 0

    def __call__(
        self, command: Sequence[str], environment: Mapping[str, str], deadline_s: float, now_s: float
    ) -> RepairNow:
        assert list(command[-2:]) == ["upkeep", "--repair"]
        self.n_started += 1
        self._ends_at_s = now_s + 60.0
        self._status = 2
        if self.does_help:
            try:
                repair(self.rig.path, self.rig.path.parent / "backups", self.rig.clock.wall_utc_ms())
                self._status = 0
            except HeatdriftError:
                self._status = 2
        return self

    def poll(self, now_s: float) -> int | None:
        return self._status if now_s >= self._ends_at_s else None

    def stop(self) -> int:
        return self._status


def serve(rig: Rig, seconds: float, repairs: RepairNow) -> int:
    """Let the service run as the command does, which looks at the file before it opens it."""
    stop = threading.Event()
    rig.at(seconds, stop.set)

    def open_pen() -> Writer:
        need_whole(rig.path, rig.path.parent / "backups")
        return rig.open_pen()

    settings = ServiceSettings(rig.url, hold_s=rig.hold_s, tasks=())
    try:
        return Service(rig.layout, open_pen, rig.clock, settings, start_work=repairs).run(stop)
    finally:
        for database in rig.databases:
            database.close()


def make_backup(rig: Rig) -> None:
    backup(rig.databases[-1], rig.path.parent / "backups", rig.clock.wall_utc_ms())


def scramble_rows(rig: Rig) -> None:
    """Noise in the first page of the rows of the sources, and a connection that has not seen it yet."""
    rig.databases[-1].close()
    with sqlite3.connect(rig.path) as connection:
        query = "SELECT rootpage FROM sqlite_master WHERE name = 'source_sample'"
        (page,) = connection.execute(query).fetchone()
    connection.close()
    with rig.path.open("r+b") as file:
        file.seek((page - 1) * PAGE_BYTES)
        file.write(b"\xa5" * PAGE_BYTES)


def test_damage_under_the_service(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """Not one look is missed; of what was written, all that can be read comes back."""
    caplog.set_level("INFO")
    repairs = RepairNow(rig)
    rig.at(700.0, lambda: make_backup(rig))
    rig.at(1500.0, lambda: scramble_rows(rig))
    assert serve(rig, 2400.0, repairs) == 0
    record = rig.record()
    assert repairs.n_started == 1
    assert "the database is damaged and is being repaired" in caplog.text
    assert "the database takes rows again" in caplog.text
    # The page at the root of that tree holds but a few rows, of which a backup has those before it.
    assert 0 <= rig.counter.n_looks - record.n_looks("cpu0") < 20
    assert len(set_aside(rig.path)) == 1
    database = rig.databases[-1]
    (message,) = Outbox(database, machines(database)[0].number).messages()
    database.close()
    assert message.message.subject == "the record was damaged and has been repaired"
    assert "of it could not be read" in message.message.body


def test_damage_found_at_the_start(rig: Rig, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """After a power cut; a bit turned in the log would have cost all that follows it."""
    caplog.set_level("INFO")
    kept = tmp_path / "kept"

    def power_cut() -> None:
        kept.mkdir()
        for name in (rig.path.name, f"{rig.path.name}-wal"):
            shutil.copy(rig.path.with_name(name), kept)

    rig.at(700.0, lambda: make_backup(rig))
    rig.at(2000.0, power_cut)
    assert serve(rig, 2010.0, RepairNow(rig)) == 0
    n_looks = rig.counter.n_looks
    for file in kept.iterdir():
        shutil.copy(file, rig.path.parent)
    wal = rig.path.with_name(f"{rig.path.name}-wal")
    content = bytearray(wal.read_bytes())
    content[len(content) // 3] ^= 4
    wal.write_bytes(content)
    repairs = RepairNow(rig)
    assert serve(rig, 600.0, repairs) == 0
    record = rig.record()
    assert repairs.n_started == 1
    assert "the log beside it is broken" in caplog.text
    assert record.n_looks("cpu0") > 0.8 * n_looks  # what waited when the power went had not been written
    assert (set_aside(rig.path)[0].with_name(set_aside(rig.path)[0].name + "-wal")).read_bytes() == content


def test_repair_that_does_not_help(rig: Rig) -> None:
    """At the start it is tried once; the service then ends with the reason."""
    rig.open_pen()
    rig.databases.pop().close()
    make = rig.path.parent / "backups" / "heatdrift-20260101T000000Z.db"
    make.parent.mkdir()
    make.touch()
    rig.path.write_bytes(b"")
    repairs = RepairNow(rig, does_help=False)
    with pytest.raises(DamagedDataError, match=r"is empty.*upkeep --repair"):
        serve(rig, 600.0, repairs)
    assert repairs.n_started == 1


def test_repair_that_fails_is_tried_again(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """Every ten minutes, while rows wait in memory."""
    repairs = RepairNow(rig, does_help=False)
    rig.at(700.0, lambda: make_backup(rig))
    rig.at(1500.0, lambda: scramble_rows(rig))
    rig.at(2600.0, lambda: setattr(repairs, "does_help", True))
    assert serve(rig, 4000.0, repairs) == 0
    assert 2 <= repairs.n_started <= 4
    assert "the oldest rows are being dropped" not in caplog.text
    assert rig.record().n_looks("cpu0") > rig.counter.n_looks / 2
