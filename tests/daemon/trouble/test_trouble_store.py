"""Databases that are full, locked, read-only or not ours, before and under a running service."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from heatdrift.store.database import open_writer
from heatdrift.store.errors import (
    ForeignDatabaseError,
    NewerSchemaError,
    ReadOnlyDatabaseError,
    StoreError,
)

from .rig import Rig


def pragma(rig: Rig, text: str) -> int:
    """Set or ask something of the recorder's own connection."""
    with rig.databases[-1].sqlite_connection() as connection:
        return sum(connection.execute(f"PRAGMA {text}").fetchone() or (0,))


def fill(rig: Rig) -> None:
    pragma(rig, f"max_page_count = {pragma(rig, 'page_count')}")


def lock(rig: Rig, for_s: float = 600.0) -> None:
    stranger = sqlite3.connect(rig.path, isolation_level=None)
    stranger.execute("BEGIN IMMEDIATE")

    def free() -> None:
        stranger.execute("ROLLBACK")
        stranger.close()

    rig.at(for_s, free)


TROUBLES: dict[str, tuple[Callable[[Rig], object], Callable[[Rig], object], str]] = {
    "full": (fill, lambda rig: pragma(rig, "max_page_count = 1000000"), "has no room left on its disk"),
    "locked": (lock, lambda _rig: None, "another process holds it"),
    "read-only": (
        lambda rig: pragma(rig, "query_only = ON"),
        lambda rig: pragma(rig, "query_only = OFF"),
        "cannot be written",
    ),
}


@pytest.mark.parametrize("name", TROUBLES)
def test_rows_wait_out_trouble(rig: Rig, name: str, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    begin, end, words = TROUBLES[name]
    rig.at(300.0, lambda: begin(rig))
    rig.at(900.0, lambda: end(rig))
    assert rig.run(1200.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    assert record.gaps == []
    warnings = [r.getMessage() for r in caplog.records if "rows wait in memory" in r.getMessage()]
    assert len(warnings) == 1
    assert words in warnings[0]
    assert caplog.text.count("the database takes rows again") == 1


def test_trouble_longer_than_rows_can_wait(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """The oldest rows make room, and a gap says from when to when."""
    rig.hold_s = 600.0
    rig.at(400.0, lambda: fill(rig))
    rig.at(1500.0, lambda: pragma(rig, "max_page_count = 1000000"))
    assert rig.run(1800.0) == 0
    record = rig.record()
    (gap,) = record.gaps
    assert 0 < record.n_looks("cpu0") < rig.counter.n_looks
    start_ms = rig.machine.start_utc_ms
    span_s = (gap.from_utc_ms - start_ms) / 1000, (gap.to_utc_ms - start_ms) / 1000
    assert record.between("cpu0", *span_s).empty
    # Nothing was written from the 300th to the 1500th second, and ten minutes fit into memory; at either end
    # as much again as the ring holds back, and a mean.
    assert span_s[1] - span_s[0] == pytest.approx(600, abs=80)
    assert "the oldest rows are being dropped" in caplog.text
    assert "has no room left" in gap.detail


def test_sensor_that_comes_while_the_file_is_locked(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """It cannot be registered then, so that its rows could not be written; ten minutes later it can."""

    def dock() -> None:
        device = rig.tree.sys_root / "devices/platform/dock/0-0050"
        hwmon = device / "hwmon/hwmon30"
        hwmon.mkdir(parents=True)
        (hwmon / "name").write_text("jc42\n")
        (hwmon / "temp1_input").write_text("38000\n")
        (hwmon / "device").symlink_to(device)
        (rig.tree.sys_root / "class/hwmon/hwmon30").symlink_to(hwmon)
        lock(rig, 300.0)
        rig.clock.suspend(30.0)  # it came while the machine slept: looked for soon after

    rig.at(60.0, dock)
    assert rig.run(1000.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    assert set(record.probes["dimm0"]["temperature_c"]) == {38.0}
    assert caplog.text.count("new sensors wait, because they cannot be registered now") == 1


def test_locked_at_the_start(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    rig.open_pen()
    rig.databases.pop().close()
    stranger = sqlite3.connect(rig.path, isolation_level=None)
    stranger.execute("BEGIN IMMEDIATE")
    rig.at(100.0, stranger.close)
    assert rig.run(400.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks > 0
    assert "cannot be opened yet, trying on" in caplog.text
    assert "is held by another process" in caplog.text


def foreign_database(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipes (cake TEXT)")
    connection.close()


def newer_schema(path: Path) -> None:
    database = open_writer(f"sqlite:///{path}")
    database.close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()


@pytest.mark.parametrize(
    ("make", "error", "words"),
    [
        (foreign_database, ForeignDatabaseError, "another program.*name another file"),
        (
            lambda path: path.write_text("Dear diary, " * 100),
            ForeignDatabaseError,
            "is not a database.*name another file",
        ),
        (newer_schema, NewerSchemaError, "has schema 9999.*update heatdrift"),
    ],
    ids=["foreign", "no database", "newer schema"],
)
def test_database_that_is_not_ours_to_write(
    rig: Rig, make: Callable[[Path], object], error: type[StoreError], words: str
) -> None:
    rig.path.parent.mkdir()
    make(rig.path)
    before = rig.path.read_bytes()
    with pytest.raises(error, match=words):
        rig.run(60.0)
    assert rig.path.read_bytes() == before
    assert rig.counter.n_looks == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own, of 2 MB and twenty files."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m,nr_inodes=20", "tmpfs", str(disk)]
    mounted = subprocess.run(mount, capture_output=True, check=False) if shutil.which("mount") else None
    if mounted is None or mounted.returncode != 0:
        pytest.skip("no file system can be mounted here")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_disk_that_is_full_at_the_start(rig: Rig, small_disk: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Not even a file can be made; the service waits for room instead of giving up."""
    rig.url = f"sqlite:///{small_disk / 'heatdrift.db'}"
    ballast = small_disk / "ballast"
    ballast.mkdir()
    with pytest.raises(OSError, match="No space"):
        for number in range(100):
            (ballast / str(number)).touch()
    rig.at(100.0, lambda: shutil.rmtree(ballast))
    assert rig.run(400.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks > 0
    assert "cannot be opened yet, trying on" in caplog.text
    assert "No space left on device" in caplog.text


def test_disk_that_fills_up_and_is_freed(
    rig: Rig, small_disk: Path, caplog: pytest.LogCaptureFixture
) -> None:
    rig.url = f"sqlite:///{small_disk / 'store' / 'heatdrift.db'}"
    ballast = small_disk / "ballast"

    def fill_up() -> None:
        with pytest.raises(OSError, match="No space"), ballast.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))

    caplog.set_level("INFO")
    rig.at(300.0, fill_up)
    rig.at(900.0, ballast.unlink)
    assert rig.run(1200.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    assert record.gaps == []
    assert "has no room left on its disk" in caplog.text
    assert "the database takes rows again" in caplog.text


def test_disk_that_cannot_be_written(rig: Rig, small_disk: Path) -> None:
    rig.url = f"sqlite:///{small_disk / 'store' / 'heatdrift.db'}"
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(ReadOnlyDatabaseError, match="cannot be written"):
        rig.run(60.0)
    assert rig.counter.n_looks == 0
