"""What disks, power cuts and other processes do to the file of a record, many times at random moments.

Every value of the record can be worked out from its moment, so that after each injection all of it is held
against the truth: no value that was not measured, no row gone that was committed, nothing gone unsaid.
``HEATDRIFT_CAMPAIGN`` says how often each fault is injected.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, suppress
from pathlib import Path

import pytest

from heatdrift.store.backup import set_damaged_aside
from heatdrift.store.damage import need_whole
from heatdrift.store.database import open_writer
from heatdrift.store.errors import DamagedDataError, DatabaseBusyError, DiskFullError, ReadOnlyDatabaseError
from heatdrift.store.keeping import check_integrity
from heatdrift.store.repair import repair

from .process_ledger import Ledger, n_injections
from .storage_damage import (
    Injury,
    add_unfinished_write,
    blank_a_sector,
    cut_off,
    scramble_a_page,
    tear_last_commit,
    tear_pages_under_log,
    turn_a_bit,
)
from .storage_disk import (
    Recorder,
    failing_file,
    failing_writes,
    full,
    gone,
    locked,
    small_disk,
    write_protected,
)
from .storage_life import BACKUPS, BATCH_STEPS, LOG, NAME, WORK, age
from .storage_recovery import Template, contents, copier, is_told, make_template, recover
from .storage_world import examine

SEED = int(os.environ.get("HEATDRIFT_SEED", "20261126"))
DEADLINE_S = 120.0
LAST_COMMIT_ROWS = 4 * 30  # of the template


@pytest.fixture(scope="module")
def memory() -> Iterator[Path]:
    """A folder in memory where there is one: each injection copies some megabytes."""
    parent = Path("/dev/shm")
    at = parent if os.access(parent, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="heatdrift-faults-", dir=at) as folder:
        yield Path(folder)


@pytest.fixture(scope="module")
def template(memory: Path) -> Template:
    return make_template(memory)


@pytest.fixture(scope="module")
def ledger() -> Iterator[Ledger]:
    found = Ledger("faults of the storage, SQLite", SEED)
    yield found
    found.show()


@pytest.fixture(autouse=True)
def shown(request: pytest.FixtureRequest, ledger: Ledger) -> Iterator[None]:
    """Say at once what was counted: a long campaign may be cut short."""
    yield
    print(request.node.name, list(ledger.counts.values())[-1:])


@pytest.fixture
def copied(template: Template, memory: Path) -> Callable[[], Path]:
    return copier(template, memory)


INJURIES: dict[str, tuple[str, Injury]] = {
    "bit turned in the file": ("", turn_a_bit),
    "sector of the file blank": ("", blank_a_sector),
    "page of the file scrambled": ("", scramble_a_page),
    "file cut off": ("", cut_off),
    "bit turned in the log": ("-wal", turn_a_bit),
    "sector of the log blank": ("-wal", blank_a_sector),
    "log cut off": ("-wal", cut_off),
}


@pytest.mark.parametrize("name", INJURIES)
def test_damage(name: str, template: Template, copied: Callable[[], Path], ledger: Ledger) -> None:
    """Found, set aside, repaired, said; and of what could be read nothing is gone."""
    suffix, injure = INJURIES[name]
    rng = random.Random(f"{SEED} {name}")
    count = ledger.of(name)
    count.met = 0
    for _ in range(n_injections(2)):
        folder = copied()
        path = folder / NAME
        injure(path.with_name(NAME + suffix), rng)
        count.injected += 1
        was_found, said = recover(folder, template.n_steps)
        found = examine(path, template.n_steps + 1, template.n_backed_up)
        count.survived += found.n_extra == found.n_old_lost == 0
        count.rows_lost += found.n_lost
        count.invented += found.n_invented
        count.met += was_found or found.n_lost > 0
        count.said += was_found and is_told(path)
        assert found.n_invented == found.n_extra == found.n_old_lost == 0, (said, found)
        # Of a log that was cut off nothing is left to see; the next start says: not running.
        if not was_found and name != "log cut off":
            # What is broken in the last commit looks as a write that was cut short.
            assert found.n_lost <= (LAST_COMMIT_ROWS if suffix else 0), (said, found)


@pytest.mark.parametrize(
    ("name", "injure"), [("bit turned in a backup", turn_a_bit), ("backup cut off", cut_off)]
)
def test_damaged_backup(
    name: str, injure: Injury, template: Template, copied: Callable[[], Path], ledger: Ledger
) -> None:
    """Set aside by the weekly check, and never brought back."""
    rng = random.Random(f"{SEED} {name}")
    count = ledger.of(name)
    count.met = 0
    for _ in range(n_injections(2)):
        folder = copied()
        (backup,) = (folder / BACKUPS).iterdir()
        older = backup.with_name("heatdrift-20260101T000000Z.db")
        shutil.copy(backup, older)
        before = contents(older)
        injure(backup, rng)
        is_harmful = contents(backup) != before
        count.injected += 1
        count.met += is_harmful
        if rng.random() < 0.5:
            scramble_a_page(folder / NAME, rng)
            recover(folder, template.n_steps)
            found = examine(folder / NAME, template.n_steps + 1, template.n_backed_up)
            count.rows_lost += found.n_old_lost
            count.invented += found.n_invented
            assert found.n_invented == found.n_extra == found.n_old_lost == 0
        said = set_damaged_aside(folder / BACKUPS)
        is_aside = backup.with_name(backup.name + ".damaged").exists()
        count.said += is_aside and is_harmful
        count.survived += older.exists()
        assert is_aside or not is_harmful, said
        assert older.exists()


Trouble = Callable[[Path, Recorder, random.Random], AbstractContextManager[None]]
TROUBLES: dict[str, tuple[Trouble, type[Exception] | None]] = {
    "disk full": (full, DiskFullError),
    "writes fail": (failing_writes, None),
    "file cannot be read or written": (failing_file(""), None),
    "log cannot be read or written": (failing_file("-wal"), None),
    "locked by another process": (locked, DatabaseBusyError),
    "write-protected": (write_protected, ReadOnlyDatabaseError),
    "folder gone": (gone, None),
}
JOBS = ("checkpoint", "restart", "seal", "backup", "migration")


@pytest.mark.parametrize("name", TROUBLES)
def test_disk_in_trouble(name: str, tmp_path: Path, ledger: Ledger) -> None:
    """Rows wait in memory; what the nightly work began is undone; afterwards all of it is there."""
    begin, kind = TROUBLES[name]
    rng = random.Random(f"{SEED} {name}")
    count = ledger.of(name)
    count.met = 0
    with small_disk(tmp_path) as disk:
        recorder = Recorder(disk / "store" / NAME)
        try:
            for _ in range(n_injections(6)):
                while not recorder.look() or rng.random() < 0.5:
                    pass
                n_said = len(recorder.said)
                with begin(disk, recorder, rng):
                    # A migration waits ten seconds for a lock, as it should, and longer than this may.
                    jobs = JOBS[:-1] if kind is DatabaseBusyError else JOBS
                    for job in rng.choices((*jobs, "look", "look"), k=rng.randrange(2, 6)):
                        if job == "look":
                            recorder.look()
                        else:
                            recorder.work(job)
                assert recorder.catch_up(), recorder.said[-1]
                count.injected += 1
                heard = recorder.said[n_said:]
                count.met += bool(heard)
                count.said += bool(heard) and (kind is None or any(isinstance(e, kind) for e in heard))
                if any(isinstance(error, DamagedDataError) for error in heard):
                    # A file of which not even the size can be had looks broken; looked at anew, it is not.
                    assert repair(recorder.path, disk / BACKUPS, 0) is None
                recorder.keep_small()
                found = examine(recorder.path, recorder.n_steps)
                count.survived += found.n_extra == 0
                count.rows_lost += found.n_lost
                count.invented += found.n_invented
                assert found.n_lost == found.n_invented == found.n_extra == 0, heard
            check_integrity(recorder.database)
        finally:
            recorder.close()
    assert count.met > 0


class Lives:
    """Starts lives of a recorder and ends them."""

    def __init__(self) -> None:
        command = [sys.executable, "-m", "heatdrift.tests.endurance.storage_life"]
        self._server = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def begin(self, work: str, folder: Path) -> int:
        """Begin one; returns its process."""
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.write(f"{work} {folder}\n")
        self._server.stdin.flush()
        return int(self._server.stdout.readline())

    def end(self) -> int:
        """Wait for its end; returns its exit status."""
        assert self._server.stdout is not None
        return int(self._server.stdout.readline().removeprefix("end "))

    def close(self) -> None:
        """Let go of the server."""
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.close()
        self._server.stdout.close()
        self._server.wait(30)


@pytest.fixture(scope="module")
def lives() -> Iterator[Lives]:
    found = Lives()
    yield found
    found.close()


@pytest.mark.parametrize("work", [name for name in WORK if name != "record"])
def test_kill(
    work: str, template: Template, copied: Callable[[], Path], lives: Lives, ledger: Ledger
) -> None:
    """kill -9 in the middle of work; nothing is lost, and the work can be done again."""
    rng = random.Random(f"{SEED} {work}")
    count = ledger.of(f"kill -9 during {work}")
    count.met = 0

    def prepared() -> Path:
        folder = copied()
        if work == "migrate":
            age(folder / NAME)
        elif work == "repair":
            scramble_a_page(folder / NAME, random.Random(SEED))
        return folder

    took_s = []
    for _ in range(3):  # the shortest one, or on a busy machine most kills would come too late
        folder = prepared()
        began_s = time.monotonic()
        lives.begin(work, folder)
        assert lives.end() == 0
        took_s.append(time.monotonic() - began_s)
    n_lost = examine(folder / NAME, template.n_steps, template.n_backed_up).n_lost
    for _ in range(n_injections(2)):
        folder = prepared()
        pid = lives.begin(work, folder)
        time.sleep(rng.random() * min(took_s))
        with suppress(ProcessLookupError):  # it was done already
            os.kill(pid, signal.SIGKILL)
        count.injected += 1
        count.met += lives.end() == -signal.SIGKILL
        lives.begin(work, folder)
        assert lives.end() == 0
        found = examine(folder / NAME, template.n_steps, template.n_backed_up)
        count.survived += found.n_extra == 0
        count.rows_lost += found.n_lost - n_lost
        count.invented += found.n_invented
        assert (found.n_lost, found.n_invented, found.n_extra, found.n_old_lost) == (n_lost, 0, 0, 0)
        assert not list(folder.rglob("*.part*"))
        need_whole(folder / NAME, folder / BACKUPS)
    count.said = count.met  # the database undoes what was not committed: there is nothing to say


def test_power_cut(memory: Path, lives: Lives, ledger: Ledger) -> None:
    """Files as they stood at one instant: what was committed is there, and no damage is seen."""
    rng = random.Random(f"{SEED} power")
    source, folder = memory / "running", memory / "cut"
    source.mkdir()
    (source / LOG).touch()
    open_writer(f"sqlite:///{source / NAME}").close()
    names = (
        "power cut",
        "power cut in a write",
        "power cut in a checkpoint",
        "power cut tears the last commit",
    )
    pid = lives.begin("record", source)
    try:
        for number in range(len(names) * n_injections(4)):
            n_before = len((source / LOG).read_text().split())
            until_s = time.monotonic() + DEADLINE_S
            while len((source / LOG).read_text().split()) == n_before and time.monotonic() < until_s:
                time.sleep(0.001)
            time.sleep(rng.random() * 0.05)
            os.kill(pid, signal.SIGSTOP)
            shutil.rmtree(folder, ignore_errors=True)
            shutil.copytree(source, folder)
            cut(folder, names[number % len(names)], rng, ledger)
            os.kill(pid, signal.SIGCONT)
    finally:
        os.kill(pid, signal.SIGKILL)
        lives.end()


def cut(folder: Path, name: str, rng: random.Random, ledger: Ledger) -> None:
    """Hold a copy against what was committed when it was made."""
    path, wal = folder / NAME, folder / (NAME + "-wal")
    path.with_name(NAME + "-shm").unlink(missing_ok=True)
    n_committed = len((folder / LOG).read_text().split())
    least, most = n_committed, n_committed + 1
    if name.endswith("write"):
        add_unfinished_write(wal, rng)
    elif name.endswith("checkpoint"):
        tear_pages_under_log(path, wal, rng)
    elif name.endswith("commit") and wal.exists() and tear_last_commit(wal, rng):
        least -= 1  # it had not been promised yet
    count = ledger.of(name)
    need_whole(path, folder / BACKUPS)
    database = open_writer(f"sqlite:///{path}")
    check_integrity(database)
    database.close()
    found = min(
        (examine(path, n * BATCH_STEPS) for n in range(least, most + 1)),
        key=lambda one: one.n_lost + one.n_extra,
    )
    count.injected += 1
    count.said += 1  # nothing is to be said: no damage is seen
    count.survived += found.n_extra == 0
    count.rows_lost += found.n_lost
    count.invented += found.n_invented
    assert found.n_lost == found.n_extra == found.n_invented == 0, (name, found)
