"""kill -9 at any moment, also while sealing: nothing committed is lost or doubled."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.keeping import check_integrity
from heatdrift.store.reader import Reader

N_KILLS = 200
ROWS_PER_BATCH = 40

# Forks a child for each life, because starting Python and loading the libraries 200 times takes minutes; a
# forked child opens the database itself, so SQLite sees a process that was never there before.
RECORDER = """
import os, sys
from pathlib import Path
import pyarrow as pa
from heatdrift.store.database import open_writer
from heatdrift.store.packing import (
    PROBE_SCHEMA, SOURCE_SCHEMA, checksum, completed, day_of, narrow, pack, table_of, unpack, widen
)
from heatdrift.store.records import Batch, Channel, ProbeSample, SourceSample
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

url, log_path, rows_per_batch = sys.argv[1], sys.argv[2], int(sys.argv[3])
EMPTY = (None,) * (len(SOURCE_QUANTITIES) - 1)
SMALL = pa.schema([SOURCE_SCHEMA.field(name) for name in ("time_utc_ms", "n_looks", "cadence")])
STEP_MS = 900_000  # a batch spans ten hours: there is always a finished day to seal
START_MS = 1_767_571_200_000


def live():
    log = os.open(log_path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    database = open_writer(url)
    writer = Writer(database, "u", "desk")
    writer.register_source("gpu0", "gpu", 0)
    writer.register_channel(Channel("t", "temperature_c", "hwmon"), "ambient", 0)
    number = max([int(line) for line in Path(log_path).read_text().split()], default=-1) + 1
    while True:
        rows = range(number * rows_per_batch, (number + 1) * rows_per_batch)
        at = [START_MS + i * STEP_MS for i in rows]
        samples = tuple(SourceSample(t, "gpu0", (i, *EMPTY), None, 2, 1, 0) for t, i in zip(at, rows))
        probes = tuple(ProbeSample(t, "ambient", "temperature_c", i, 0) for t, i in zip(at, rows))
        writer.write(Batch(samples, probes))
        os.write(log, f"{number}\\n".encode())
        number += 1
        if number % 3 == 0:
            now = START_MS + rows[-1] * STEP_MS
            seal_finished_days(database, now, hot_days=1)
            merge_sealed_weeks(database, now, hot_days=1)


def warm_up():  # pyarrow builds much at its first use; a life is too short for that
    table = completed(table_of([(START_MS, 1, 1)], SMALL), SOURCE_SCHEMA)
    packed = pack(table, day_of(START_MS), {})
    assert completed(unpack(packed, checksum(packed), ""), SOURCE_SCHEMA).equals(table)
    probes = table_of([(START_MS, 1, None, 1)], PROBE_SCHEMA)
    assert narrow(widen(probes)).equals(probes)


warm_up()
for line in sys.stdin:  # one life for each line
    pid = os.fork()
    if pid == 0:
        live()
    print(pid, flush=True)
    os.waitpid(pid, 0)
    print("dead", flush=True)
"""


def committed(log_path: Path) -> list[int]:
    return [int(line) for line in log_path.read_text().split()] if log_path.exists() else []


def await_progress(log_path: Path, n_before: int) -> None:
    """Wait until this life has committed something, so that a slow machine tests the same thing."""
    while len(committed(log_path)) <= n_before:
        time.sleep(0.001)


def test_a_kill_at_any_moment_loses_and_doubles_nothing(tmp_path: Path) -> None:
    url, log_path = f"sqlite:///{tmp_path / 'heatdrift.db'}", tmp_path / "log"
    rng = random.Random(20260105)
    command = [sys.executable, "-c", RECORDER, url, str(log_path), str(ROWS_PER_BATCH)]
    open_writer(url).close()
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as recorder:
        assert recorder.stdin is not None
        assert recorder.stdout is not None
        for life in range(N_KILLS):
            n_before = len(committed(log_path))
            recorder.stdin.write("live\n")
            recorder.stdin.flush()
            pid = int(recorder.stdout.readline())
            if life % 10:  # every tenth dies while it opens
                await_progress(log_path, n_before)
            time.sleep(rng.random() * 0.12)  # where in write, seal or merge the kill falls
            os.kill(pid, signal.SIGKILL)
            assert recorder.stdout.readline() == "dead\n"
            if life % 20 == 0:
                check(url, log_path)
        recorder.stdin.close()
    check(url, log_path)
    assert len(committed(log_path)) > N_KILLS // 2
    with sqlite3.connect(tmp_path / "heatdrift.db") as plain:
        assert plain.execute("SELECT count(*) FROM sealed_day").fetchone()[0] > 10
        assert plain.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    plain.close()


def check(url: str, log_path: Path) -> None:
    """All that was said to be committed is there once; at most one more batch was committed but not said."""
    database = open_reader(url)
    check_integrity(database)
    reader = Reader(database)
    n_rows = len(set(committed(log_path))) * ROWS_PER_BATCH
    milli = (reader.source_frame("gpu0").temperature_c * 1000).round().astype(int).tolist()
    assert milli in (list(range(n_rows)), list(range(n_rows + ROWS_PER_BATCH)))
    probe_milli = (reader.probe_frame("ambient").temperature_c * 1000).round().astype(int).tolist()
    assert probe_milli == milli
    database.close()
