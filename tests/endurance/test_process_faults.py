"""kill -9 of the recorder, of the nightly judge and of the writer of reports, at random moments.

``HEATDRIFT_CAMPAIGN=100`` injects each fault so often; without it a short form runs.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import sqlite3
import time
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from heatdrift.fake_sensors.machine import START_UTC_MS
from heatdrift.store.records import GapReason

from ..cli.nightly_world import DAY_MS, DAYS, change, copied, copy_of_world
from .process_daemon import Killed, Recorder, impossible, rows, stopped_gaps, trouble
from .process_ledger import Ledger, n_injections
from .process_lives import Lives, await_file, lives

SEED = 20261126
MEMORY = Path("/dev/shm")
MOST_LIVE_S = 3.0  # after its first rows; a batch of the first minutes is written each quarter of a second
KILLS_IN_A_ROW = 5
OPEN_DAYS = 1
MOST_MONTHS = 20  # each costs a whole judgement
MADE = ("load_step", "settled_window", "era_fit", "day_fit", "verdict", "message")
RAW = ("source_sample", "probe_sample", "gap", "channel", "source")
NIGHT_MS = START_UTC_MS + DAYS * DAY_MS
MONTH_OVER_MS = round(datetime(2026, 2, 3, tzinfo=UTC).timestamp() * 1000)


def test_recorder_that_is_killed_at_random_moments(tmp_path: Path) -> None:
    rng = random.Random(SEED)
    found = Killed()
    before = {one.name for one in MEMORY.glob("heatdrift-fake-*")}
    lasts: list[int] = []
    for life in range(n_injections(3)):
        recorder = Recorder(tmp_path)
        n_before = len(found.seen)
        if life % 4 != 3:  # every fourth dies while it starts
            recorder.await_rows(n_before)
        time.sleep(rng.random() * MOST_LIVE_S)
        found.seen |= rows(recorder.path)
        found.n_left_over += recorder.kill()
        found.n_kills += 1
        if not recorder.path.exists():
            continue
        assert trouble(recorder.path) == ""
        now = rows(recorder.path)
        found.n_lost += len(found.seen - now)
        found.seen |= now
        lasts += [max(row[1] for row in now)] if now else []
    recorder = Recorder(tmp_path)
    recorder.await_rows(len(found.seen))
    assert recorder.stop() == 0
    everything = rows(recorder.path)
    gaps = stopped_gaps(recorder.path, GapReason.STOPPED.value)
    times = sorted({row[1] for row in everything})
    explained = Counter(first for first, _ in gaps)
    unexplained = [last for last in set(lasts) if explained[last] == 0]
    doubled = [last for last in set(lasts) if explained[last] > 1]
    inside = [t for t in times for first, last in gaps if first < t < last]
    left_behind = {one.name for one in MEMORY.glob("heatdrift-fake-*")} - before
    invented = impossible(everything)
    ledger = Ledger("processes", SEED)
    count = ledger.of("recorder killed")
    count.injected = count.survived = found.n_kills
    count.rows_lost = found.n_lost + len(found.seen - everything)
    count.invented = len(invented) + len(inside)
    count.said = len(set(lasts)) - len(unexplained)
    count.met = len(set(lasts))
    ledger.show()
    print(f"rows {len(everything)}; doubled gaps {len(doubled)}; children left {found.n_left_over}")
    assert (count.rows_lost, count.invented, unexplained, doubled) == (0, 0, [], [])
    assert (found.n_left_over, left_behind) == (0, set())


@pytest.fixture(scope="module")
def children() -> Iterator[Lives]:
    with lives() as found:
        yield found


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A record of some weeks of which the last nights have yet to derive their days, and to judge."""
    database = copy_of_world(tmp_path_factory.mktemp("world"))
    from_ms = NIGHT_MS - OPEN_DAYS * DAY_MS
    day = f"{datetime.fromtimestamp(from_ms / 1000, UTC):%Y-%m-%d}"
    change(
        database,
        f"DELETE FROM load_step WHERE at_utc_ms >= {from_ms}",
        *(f"DELETE FROM {table} WHERE day >= '{day}'" for table in ("settled_window", "day_fit")),
    )
    return database


def dump(database: str, tables: tuple[str, ...]) -> dict[str, list[tuple[object, ...]]]:
    """Every row of some tables, whatever its number."""
    with contextlib.closing(sqlite3.connect(database)) as reading:
        assert reading.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        found = {}
        for table in tables:
            names = [row[1] for row in reading.execute(f"PRAGMA table_info({table})") if row[1] != "id"]
            found[table] = sorted(reading.execute(f"SELECT {', '.join(names)} FROM {table}"), key=repr)
        return found


def test_judge_that_is_killed_at_random_moments(children: Lives, world: str, tmp_path: Path) -> None:
    """Whatever it left, the next night makes the same of it as if nothing had happened, and tells it once."""
    rng = random.Random(SEED)
    whole = copied(world, _folder(tmp_path, "whole"))
    usual_s = children.cost("judge", whole, NIGHT_MS)
    wanted = dump(whole, MADE)
    assert all(wanted[table] for table in ("load_step", "day_fit", "verdict", "message"))
    raw = dump(world, RAW)
    ledger = Ledger("processes", SEED)
    count = ledger.of("judge killed")
    doubled = n_chains = 0
    while count.injected < n_injections(3):
        n_chains += 1
        database = copied(world, _folder(tmp_path, f"torn-{n_chains}"))
        for _ in range(min(KILLS_IN_A_ROW, n_injections(3) - count.injected)):
            children.begin("judge", database, NIGHT_MS)
            if not children.kill_after(rng.random() * usual_s):
                break  # it was through
            count.injected += 1
        children.do("judge", database, NIGHT_MS)
        made, kept = dump(database, MADE), dump(database, RAW)
        count.rows_lost += sum(len(set(raw[table]) - set(kept[table])) for table in RAW)
        differs = [table for table in MADE if made[table] != wanted[table]]
        count.invented += len(differs)
        doubled += len(made["message"]) - len(wanted["message"])
        print(*differs, sep="\n")
        Path(database).unlink()
    count.survived = count.said = count.injected
    ledger.show()
    print(f"messages told twice: {doubled}")
    assert (count.rows_lost, count.invented, doubled) == (0, 0, 0)


def test_writer_of_a_report_that_is_killed_at_random_moments(world: str, tmp_path: Path) -> None:
    """The report is the old one or the new one; half of one lies at most beside it, and not for long."""
    rng = random.Random(SEED)
    database = copied(world, _folder(tmp_path, "made"))
    folder = _folder(tmp_path, "reports")
    ledger = Ledger("processes", SEED)
    count = ledger.of("writer of a report killed")
    n_left = n_torn = 0
    with lives(database) as writers:
        writers.do("write", str(folder))
        began_s = time.monotonic()
        writers.do("write", str(folder))
        usual_s = time.monotonic() - began_s
        while count.injected < n_injections(10):
            writers.begin("write", str(folder))
            if rng.random() < 0.7:  # most of them while a file is being written
                await_file(folder, ".heatdrift-*", 10 * usual_s)
                time.sleep(rng.random() * 0.005)
            else:
                time.sleep(rng.random() * usual_s)
            count.injected += writers.kill() == -9
            n_torn += sum(not is_whole(path) for path in folder.iterdir())
            n_left += an_hour_later(folder)
        writers.do("write", str(folder))
    names = sorted(path.name for path in folder.iterdir())
    count.survived = count.said = count.injected
    count.invented = n_torn
    ledger.show()
    print(f"half files beside a report, swept by the next: {n_left}")
    assert n_torn == 0
    assert names == ["report.html", "report.json"]


def test_nightly_writer_that_is_killed_at_random_moments(children: Lives, world: str, tmp_path: Path) -> None:
    """The next night writes what is missing, and tells of it once."""
    rng = random.Random(SEED)
    database = copied(world, _folder(tmp_path, "months"))
    children.do("judge", database, NIGHT_MS)
    own = copied(database, _folder(tmp_path, "own"))
    began_s = time.monotonic()
    children.do("months", own, str(tmp_path / "first"), MONTH_OVER_MS)
    usual_s = time.monotonic() - began_s
    names = {path.name for path in (tmp_path / "first").rglob("*") if path.is_file()}
    ledger = Ledger("processes", SEED)
    count = ledger.of("nightly report killed")
    n_wanted, n_torn, n_right, n_chains = min(n_injections(1), MOST_MONTHS), 0, 0, 0
    while count.injected < n_wanted:
        own = copied(database, _folder(tmp_path, f"own-{n_chains}"))
        reports = _folder(tmp_path, f"reports-{n_chains}")
        for _ in range(min(3, n_wanted - count.injected)):
            children.begin("months", own, str(reports), MONTH_OVER_MS)
            await_file(reports, "*/.heatdrift-*", 3 * usual_s)
            time.sleep(rng.random() * 0.1 * usual_s)
            count.injected += children.kill() == -9
            n_torn += sum(not is_whole(path) for path in reports.rglob("*") if path.is_file())
            an_hour_later(reports)
        children.do("months", own, str(reports), MONTH_OVER_MS)
        files = {path.name for path in reports.rglob("*") if path.name[0] != "." and path.is_file()}
        told = [row for row in dump(own, ("message",))["message"] if "report" in map(str, row)]
        n_right += len(told) == 1 and files == names
        n_chains += 1
    count.survived = count.said = count.injected if n_right == n_chains else 0
    count.invented = n_torn
    ledger.show()
    assert (n_right, n_torn) == (n_chains, 0)


def an_hour_later(folder: Path) -> int:
    """Let what killed writers left grow old; how much that is."""
    found = list(folder.rglob(".heatdrift-*"))
    for left in found:
        os.utime(left, (0, 0))
    return len(found)


def is_whole(path: Path) -> bool:
    """Whether a file of the folder of reports is complete; what lies beside its place does not count."""
    if path.name.startswith("."):
        return True
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".json":
        return isinstance(json.loads(text), dict)
    return text.rstrip().endswith("</html>")


def _folder(parent: Path, name: str) -> Path:
    folder = parent / name
    folder.mkdir()
    return folder
