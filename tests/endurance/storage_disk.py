"""A disk that fails under a recorder: full, failing, locked, not to be written, gone."""

from __future__ import annotations

import os
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import Any

from heatdrift.daemon.pen import Scribe
from heatdrift.daemon.poller import Harvest
from heatdrift.store.backup import backup
from heatdrift.store.database import Database, open_writer
from heatdrift.store.errors import StoreError
from heatdrift.store.migrations import upgrade
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days
from heatdrift.store.sqlite_file import need_readable
from heatdrift.store.writer import Writer

from .storage_life import age
from .storage_world import batch, now_utc_ms, open_pen

STEPS = 60  # two hours in each flush
DISK_BYTES = 48 * 1024 * 1024
LOCKER = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
print("locked", flush=True)
sys.stdin.read()
connection.execute("ROLLBACK")
"""


class ListeningPen:
    """The pen, and what it complains of."""

    def __init__(self, pen: Writer, said: list[StoreError]) -> None:
        self._pen, self._said = pen, said

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._pen, name)
        if name not in ("write", "take"):
            return found

        def call(*arguments: Any) -> Any:
            try:
                return found(*arguments)
            except StoreError as error:
                self._said.append(error)
                raise

        return call


class Recorder:
    """Holds and writes as the service does, and now and then does the nightly work.

    Attributes
    ----------
    n_steps
        Recorded so far, written or held.
    said
        What was said of every failure.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.url = f"sqlite:///{path}"
        self.n_steps = 0
        self.said: list[StoreError] = []
        self._is_aged = False
        # Without patience: waiting for a locked file would be in real time.
        self.database = open_writer(self.url, busy_timeout_ms=1)
        self.pen: Any = ListeningPen(open_pen(self.url, self.database), self.said)
        self.scribe = Scribe(self.pen, hold_s=1e9, retry_s=0.0)

    def look(self) -> bool:
        """Record two hours and try to write all that is held."""
        found = batch(range(self.n_steps, self.n_steps + STEPS))
        self.n_steps += STEPS
        self.scribe.hold(Harvest(list(found.sources), list(found.probes), [], []), float(self.n_steps))
        return self.flush()

    def flush(self) -> bool:
        """Try to write all that is held."""
        return self.scribe.flush(float(self.n_steps))

    def work(self, name: str) -> bool:
        """Do a part of the nightly work; False where it said that it could not."""
        now = now_utc_ms(self.n_steps)
        try:
            if name == "checkpoint":
                self.pen.checkpoint()
                return True
            self.scribe.lend()  # which takes the pen anew at the next write, whatever comes of this
            if name == "restart":
                self.scribe.is_lent = False
                self.pen.take()
                return True
            if name == "migration":
                need_readable(self.path)  # as the nightly child does
                with suppress(sqlite3.Error):  # where that cannot be done now, there is nothing to migrate
                    age(self.path)
                    self._is_aged = True
                upgrade(self.url, lambda older: backup(older, self.path.parent / "backups", now))
                self._is_aged = False
                return True
            with _opened(self.url) as database:
                if name == "seal":
                    seal_finished_days(database, now, 0)
                    merge_sealed_weeks(database, now, 0)
                else:
                    backup(database, self.path.parent / "backups", now, keep=1)
        except StoreError as error:
            self.said.append(error)
            return False
        finally:
            if self.scribe.is_lent:
                self.scribe.is_lent = False
        return True

    def catch_up(self) -> bool:
        """Once the trouble is over: finish a migration that was begun, and write all that is held."""
        if self._is_aged:
            upgrade(self.url)
            self._is_aged = False
        return self.flush()

    def keep_small(self) -> None:
        """Seal all that is finished, so that the disk stays large enough."""
        assert self.work("seal"), self.said[-1]
        self.flush()

    def close(self) -> None:
        """Let go of the file."""
        self.pen.release()


@contextmanager
def _opened(url: str) -> Iterator[Database]:
    database = open_writer(url, busy_timeout_ms=1, may_make=False)
    try:
        yield database
    finally:
        database.close()


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """A file system of its own; a plain folder where none can be mounted."""
    disk = folder / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "tmpfs", str(disk)]
    is_mounted = (
        shutil.which("mount") is not None
        and subprocess.run(mount, capture_output=True, check=False).returncode == 0
    )
    try:
        yield disk
    finally:
        if is_mounted:
            subprocess.run(["umount", str(disk)], check=True)


@contextmanager
def full(disk: Path, recorder: Recorder, rng: random.Random) -> Iterator[None]:
    """Leave the disk some bytes, or the file some pages where the disk is not our own."""
    room = rng.choice((0, 4096, 40_000, 150_000, 400_000))
    if not os.path.ismount(disk):
        with recorder.database.sqlite_connection() as connection:
            n_pages = connection.execute("PRAGMA page_count").fetchone()[0]
            connection.execute(f"PRAGMA max_page_count = {n_pages + room // 40_000}")
        yield
        with recorder.database.sqlite_connection() as connection:
            connection.execute("PRAGMA max_page_count = 1000000")
        return
    ballast = disk / "ballast"
    with suppress(OSError), ballast.open("wb", buffering=0) as file:
        left = shutil.disk_usage(disk).free - rng.randrange(room + 1) // 4096 * 4096
        while left > 0:
            left -= file.write(bytes(min(left, 65536)))
    try:
        yield
    finally:
        ballast.unlink()


@contextmanager
def failing_writes(disk: Path, recorder: Recorder, rng: random.Random) -> Iterator[None]:
    """Let writes beyond some place fail, half-way where it falls so: the limit of a process on its files."""
    wal = recorder.path.with_name(recorder.path.name + "-wal")
    size = wal.stat().st_size if wal.exists() else 0
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    limit = max(4096, size + rng.choice((0, 1000, 20_000, 100_000)))
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def failing_file(suffix: str) -> Callable[[Path, Recorder, random.Random], AbstractContextManager[None]]:
    """Let every read and write of a file that is open now fail: a folder stands behind its descriptors."""

    @contextmanager
    def fail(disk: Path, recorder: Recorder, rng: random.Random) -> Iterator[None]:
        wanted = str(recorder.path) + suffix
        saved = []
        folder = os.open("/", os.O_RDONLY)
        for entry in list(Path("/proc/self/fd").iterdir()):
            with suppress(OSError):
                if str(entry.readlink()) == wanted:
                    saved.append((int(entry.name), os.dup(int(entry.name))))
                    os.dup2(folder, int(entry.name))
        root = os.fstat(folder).st_ino
        os.close(folder)
        try:
            yield
        finally:
            for number, kept in saved:
                with suppress(OSError):  # it was closed meanwhile, and its number may be another file's
                    if os.fstat(number).st_ino == root:
                        os.dup2(kept, number)
                os.close(kept)

    return fail


@contextmanager
def locked(disk: Path, recorder: Recorder, rng: random.Random) -> Iterator[None]:
    """Let another process hold the database."""
    command = [sys.executable, "-c", LOCKER, str(recorder.path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as locker:
        assert locker.stdin is not None and locker.stdout is not None
        assert locker.stdout.readline() == "locked\n"
        yield
        locker.stdin.close()
        locker.wait(30)


@contextmanager
def write_protected(disk: Path, recorder: Recorder, rng: random.Random) -> Iterator[None]:
    """Mount the disk for reading only, or let the connection that is open now refuse to write."""
    remount = ["mount", "-o", "remount", str(disk)]
    recorder.pen.release()
    is_mount = os.path.ismount(disk)
    if is_mount:
        subprocess.run([*remount[:2], "remount,ro", str(disk)], check=True)
        recorder.scribe.lend()
        recorder.scribe.is_lent = False
    else:
        recorder.pen.take()
        with recorder.database.sqlite_connection() as connection:
            connection.execute("PRAGMA query_only = ON")
    try:
        yield
    finally:
        if is_mount:
            subprocess.run([*remount[:2], "remount,rw", str(disk)], check=True)
        else:
            with recorder.database.sqlite_connection() as connection:
                connection.execute("PRAGMA query_only = OFF")


@contextmanager
def gone(disk: Path, recorder: Recorder, rng: random.Random) -> Iterator[None]:
    """Let the folder be gone, as a disk that was unplugged."""
    away = disk / "away"
    recorder.scribe.lend()
    recorder.scribe.is_lent = False
    recorder.path.parent.rename(away)
    try:
        yield
    finally:
        if recorder.path.parent.exists():
            raise AssertionError("a new folder was made in the place of the one that is gone")
        away.rename(recorder.path.parent)
