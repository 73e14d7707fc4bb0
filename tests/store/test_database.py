"""Opening: made where missing, refused in words where it is not ours to write."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from sqlalchemy import create_engine, select, text

from heatdrift.store import errors
from heatdrift.store.database import Database, open_reader, open_writer, parse_url
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Cadence, SourceSample
from heatdrift.store.schema import alembic_version, machine, task_log
from heatdrift.store.sqlite_file import APPLICATION_ID, has_wal_reset_fix
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer


def file_of(url: str) -> Path:
    return Path(url.removeprefix("sqlite:///"))


def batch(first: int, n_rows: int = 12) -> Batch:
    values = (61_000, *[None] * (len(SOURCE_QUANTITIES) - 1))
    rows = range(first, first + n_rows)
    return Batch(tuple(SourceSample(i * 1000, "gpu0", values, None, Cadence.STEP, 1, 0) for i in rows))


def filled(url: str, n_batches: int = 1) -> None:
    database = open_writer(url)
    writer = Writer(database, "u", "desk")
    writer.register_source("gpu0", "gpu", 0)
    for number in range(n_batches):
        writer.write(batch(number * 12))
    database.close()


def test_a_reader_cannot_write(database: Database, database_url: str) -> None:
    reading = open_reader(database_url)
    with pytest.raises(errors.ReadOnlyDatabaseError), reading.begin() as connection:
        connection.execute(machine.insert().values(uuid="u", name="n", first_seen_utc_ms=0))
    reading.close()


def test_opening_again_keeps_what_is_there(database_url: str) -> None:
    filled(database_url)
    filled(database_url)
    reading = open_reader(database_url)
    assert len(Reader(reading).source_frame("gpu0")) == 12
    reading.close()


def test_a_reader_makes_no_database(sqlite_url: str, postgres_url: str) -> None:
    with pytest.raises(errors.StoreError, match="there is no database"):
        open_reader(sqlite_url)
    assert not file_of(sqlite_url).exists()
    with pytest.raises(errors.StoreError, match="holds nothing yet"):
        open_reader(postgres_url)


@pytest.mark.parametrize("opening", [open_reader, open_writer])
def test_a_newer_or_older_schema_is_refused_and_left_alone(
    database: Database, database_url: str, opening: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    with database.begin() as connection:
        connection.execute(alembic_version.update().values(version_num="9999"))
    database.close()
    with pytest.raises(errors.NewerSchemaError, match=r"9999.*update heatdrift"):
        opening(database_url)  # type: ignore[operator]
    monkeypatch.setattr("heatdrift.store.database.REVISIONS", ("9999", "10000"))
    with pytest.raises(errors.SchemaOutdatedError, match="heatdrift upkeep"):
        opening(database_url)  # type: ignore[operator]
    with database.begin() as connection:
        assert connection.scalar(select(alembic_version.c.version_num)) == "9999"


@pytest.mark.parametrize("opening", [open_reader, open_writer])
def test_a_foreign_sqlite_database_is_refused_and_left_alone(sqlite_url: str, opening: object) -> None:
    path = file_of(sqlite_url)
    path.parent.mkdir()
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE machine (id)")
    other.commit()
    other.close()
    before = path.read_bytes()
    with pytest.raises(errors.ForeignDatabaseError, match="another program"):
        opening(sqlite_url)  # type: ignore[operator]
    path.write_text("dear diary, " * 1000)
    with pytest.raises(errors.ForeignDatabaseError, match="is not a database"):
        opening(sqlite_url)  # type: ignore[operator]
    path.write_bytes(before)
    assert sorted(p.name for p in path.parent.iterdir()) == [path.name]


@pytest.mark.parametrize(
    "tables", ["CREATE TABLE cats (id int)", "CREATE TABLE alembic_version (version_num text)"]
)
def test_a_foreign_postgresql_schema_is_refused(postgres_url: str, tables: str) -> None:
    engine = create_engine(postgres_url)
    with engine.begin() as connection:
        connection.execute(text(tables))
        if "alembic" in tables:
            connection.execute(text("INSERT INTO alembic_version VALUES ('abc')"))
    engine.dispose()
    with pytest.raises(errors.ForeignDatabaseError, match="another program"):
        open_writer(postgres_url)


def test_a_server_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(errors.StoreError, match="cannot be reached") as caught:
        open_writer(f"postgresql://me:secret@/x?host={tmp_path}")
    assert "secret" not in str(caught.value)


def test_a_locked_database_is_busy_not_broken(sqlite_url: str) -> None:
    filled(sqlite_url)
    database = open_writer(sqlite_url)
    writer = Writer(database, "u", "desk")
    writer.register_source("gpu0", "gpu", 0)
    with database.sqlite_connection() as connection:
        connection.execute("PRAGMA busy_timeout = 50")  # else this test waits ten seconds for nothing
    other = sqlite3.connect(file_of(sqlite_url), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(errors.DatabaseBusyError, match="another process"):
        writer.write(batch(1000))
    other.execute("ROLLBACK")
    other.close()
    writer.write(batch(1000))
    assert len(Reader(database).source_frame("gpu0")) == 24
    database.close()


def test_a_full_disk_loses_nothing_and_writing_resumes(sqlite_url: str) -> None:
    database = open_writer(sqlite_url)
    writer = Writer(database, "u", "desk")
    writer.register_source("gpu0", "gpu", 0)
    writer.write(batch(0))
    with database.sqlite_connection() as connection:
        n_pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {n_pages + 4}")
    written = 12
    with pytest.raises(errors.DiskFullError, match="no room"):
        for number in range(1, 1000):
            writer.write(batch(number * 500, 500))
            written += 500
    assert len(Reader(database).source_frame("gpu0")) == written
    with database.sqlite_connection() as connection:
        connection.execute("PRAGMA max_page_count = 1000000")
    writer.write(batch(10_000_000, 500))
    assert len(Reader(database).source_frame("gpu0")) == written + 500
    database.close()


def test_a_really_full_disk(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=700k", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip(f"no file system can be mounted here: {mounted.stderr.decode().strip()}")
    try:
        database = open_writer(f"sqlite:///{disk / 'h.db'}")
        writer = Writer(database, "u", "desk")
        writer.register_source("gpu0", "gpu", 0)
        written = 0
        with pytest.raises(errors.DiskFullError):
            for number in range(1000):
                writer.write(batch(number * 500, 500))
                written += 500
        assert written > 0
        assert len(Reader(database).source_frame("gpu0")) == written
        subprocess.run(["mount", "-o", "remount,size=4m", str(disk)], check=True)
        writer.write(batch(10_000_000, 500))
        assert len(Reader(database).source_frame("gpu0")) == written + 500
        database.close()
    finally:
        subprocess.run(["umount", str(disk)], check=True)


UNPRIVILEGED = """
import os, sys
from sqlalchemy import create_engine
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.errors import HeatdriftError
from heatdrift.store.reader import Reader
create_engine("sqlite://")  # loads the dialect: where the interpreter lies may be out of reach in a moment
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
url = "sqlite:///" + sys.argv[2]
try:
    database = (open_writer if sys.argv[1] == "write" else open_reader)(url)
    print(len(Reader(database).source_frame("gpu0")))
except HeatdriftError as error:
    print(type(error).__name__, error)
"""


def as_nobody(mode: str, path: Path) -> str:
    command = [sys.executable, "-c", UNPRIVILEGED, mode, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"cannot run as another user: {done.stderr[-200:]}")
    return done.stdout


@pytest.fixture
def shared_file() -> Iterator[Path]:
    """A database that another user may read but not write, in a folder of the same kind."""
    if os.geteuid() != 0:
        pytest.skip("needs root, to become another user")
    with tempfile.TemporaryDirectory(prefix="hd-shared-", dir="/tmp") as folder:  # pytest's own are private
        Path(folder).chmod(0o755)
        path = Path(folder) / "heatdrift.db"
        filled(f"sqlite:///{path}")
        path.chmod(0o644)
        yield path


def test_a_read_only_file_is_named_so(shared_file: Path) -> None:
    assert "ReadOnlyDatabaseError" in as_nobody("write", shared_file)
    assert as_nobody("read", shared_file) == "12\n"  # a copy on a medium that cannot be written
    shared_file.chmod(0o600)
    assert "belongs to another user" in as_nobody("read", shared_file)


def test_a_truncated_file_is_damaged(sqlite_url: str) -> None:
    filled(sqlite_url, n_batches=200)
    path = file_of(sqlite_url)
    os.truncate(path, path.stat().st_size // 8192 * 4096)
    with pytest.raises(errors.DamagedDataError, match=r"damaged.*backup"):
        database = open_reader(sqlite_url)
        Reader(database).source_frame("gpu0")
    assert path.exists()


def test_the_file_is_its_owners_alone_and_marked_as_ours(sqlite_url: str) -> None:
    filled(sqlite_url)
    path = file_of(sqlite_url)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    plain = sqlite3.connect(path)
    pragmas = [
        plain.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("application_id", "auto_vacuum", "journal_mode")
    ]
    plain.close()
    assert pragmas == [APPLICATION_ID, 2, "wal"]


def test_a_crash_before_the_tables_were_made_is_no_foreign_database(sqlite_url: str) -> None:
    path = file_of(sqlite_url)
    path.parent.mkdir()
    path.touch()
    filled(sqlite_url)
    path.unlink()
    half = sqlite3.connect(path)
    half.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    half.close()
    filled(sqlite_url)


def test_only_who_keeps_the_checkpoints_copies_the_log_back(sqlite_url: str) -> None:
    filled(sqlite_url)
    settings = {}
    for keeps in (True, False):
        database = open_writer(sqlite_url, keeps_checkpoints=keeps)
        with database.sqlite_connection() as connection:
            names = ("wal_autocheckpoint", "synchronous", "busy_timeout", "foreign_keys")
            settings[keeps] = [connection.execute(f"PRAGMA {name}").fetchone()[0] for name in names]
        database.close()
    assert settings == {True: [1000, 2, 10_000, 1], False: [0, 2, 10_000, 1]}


@pytest.mark.parametrize(
    ("version", "has_fix"),
    [
        ((3, 6, 23), True),
        ((3, 7, 0), False),
        ((3, 40, 1), False),
        ((3, 44, 5), False),
        ((3, 44, 6), True),
        ((3, 45, 3), False),
        ((3, 50, 6), False),
        ((3, 50, 7), True),
        ((3, 51, 2), False),
        ((3, 51, 3), True),
        ((3, 52, 0), True),
        ((4, 0, 0), True),
    ],
)
def test_which_library_carries_the_wal_reset_bug(version: tuple[int, ...], has_fix: bool) -> None:
    assert has_wal_reset_fix(version) is has_fix


@pytest.mark.parametrize("has_fix", [True, False])
def test_an_affected_library_is_said_by_who_keeps_the_checkpoints(
    sqlite_url: str, has_fix: bool, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("heatdrift.store.sqlite_file.has_wal_reset_fix", lambda: has_fix)
    open_writer(sqlite_url, keeps_checkpoints=False).close()
    assert "checkpoint" not in caplog.text
    open_writer(sqlite_url).close()
    assert ("checkpoint" in caplog.text) is not has_fix


def test_urls(tmp_path: Path) -> None:
    assert parse_url("/a b/c.db").database == "/a b/c.db"
    assert parse_url("postgres://h/x").drivername == parse_url("postgresql://h/x").drivername
    for wrong in ("mysql://h/x", "sqlite://", "sqlite:///:memory:", "://", "postgresql://h:port/x"):
        with pytest.raises(errors.SettingsError, match="write sqlite:///file"):
            parse_url(wrong)
    odd = tmp_path / "50% off?#&.db"
    filled(str(odd))
    assert odd.exists()


def test_the_page_cache_is_as_large_as_asked(tmp_path: Path) -> None:
    database = open_writer(f"sqlite:///{tmp_path / 'small.db'}", cache_kib=256)
    with database.sqlite_connection() as connection:
        assert connection.execute("PRAGMA cache_size").fetchone()[0] == -256  # below zero it counts in KiB
    database.close()


def test_a_kept_frame_gives_every_stretch_as_it_would_be_read(sqlite_url: str) -> None:
    filled(sqlite_url, 40)
    database = open_reader(sqlite_url)
    fresh, keeping = Reader(database), Reader(database)
    keeping.keep_frames()
    everything = keeping.source_frame("gpu0")
    moments = pd.DatetimeIndex(everything.index).asi8
    for begin, end in ((0, len(moments) - 1), (3, 17), (5, 5), (len(moments) - 2, len(moments) - 1)):
        span = int(moments[begin]), int(moments[end])
        pd.testing.assert_frame_equal(
            keeping.source_frame("gpu0", *span), fresh.source_frame("gpu0", *span), check_freq=False
        )
    with pytest.raises(errors.SettingsError, match="no source"):
        keeping.source_frame("gpu9")
    database.close()


def test_second_connection_leaves_the_first_its_locks(tmp_path: Path) -> None:
    """Else the next process that closes the database would take the log of the one that records."""
    path = tmp_path / "heatdrift.db"
    pen = open_writer(str(path))
    writer = Writer(pen, "uuid", "wren", 1)
    log = path.with_name(path.name + "-wal")
    before = log.stat().st_ino
    open_writer(str(path), keeps_checkpoints=False).close()  # as when an alarm is put into the outbox
    other = "import sys; from heatdrift.store.database import open_writer as o; o(sys.argv[1]).close()"
    subprocess.run([sys.executable, "-c", other, str(path)], check=True)
    assert log.exists()
    assert log.stat().st_ino == before
    writer.note_task("judge", 5, True)
    reading = open_reader(str(path))
    try:
        with reading.begin() as connection:
            assert connection.scalar(select(task_log.c.at_utc_ms)) == 5
    finally:
        reading.close()
        pen.close()
