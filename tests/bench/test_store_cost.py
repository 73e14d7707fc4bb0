"""What a year of one machine costs on disk, and to read back; what a month costs to record.

``HEATDRIFT_BENCH_DAYS`` shortens the year; figures are then scaled to 365 days and say so.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import pytest

from heatdrift.fake_sensors.history import HistorySize, record_history
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.reader import Reader
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days
from heatdrift.store.writer import Writer

Tell = Callable[[str, str, str], None]

DAYS = float(os.environ.get("HEATDRIFT_BENCH_DAYS", "365"))
MONTH_DAYS = 30
DAY_MS = 86_400_000
COLUMNS_BESIDE_VALUES = 5  # time, limit reasons, cadence, looks, missing reasons


@dataclass(frozen=True)
class Year:
    """A recorded stretch and what it took."""

    path: Path
    days: float
    size: HistorySize
    month_s: float


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Year:
    """Record, seal every week as the nightly child would, and close."""
    path = tmp_path_factory.mktemp("year") / "heatdrift.db"
    database = open_writer(f"sqlite:///{path}")
    machine = FakeMachine.of("laptop", seed=1)
    start_ms = machine.time_utc_ms
    began_s = time.process_time()
    seconds = {0: began_s}

    def progress(done: float, _days: float) -> None:
        day = round(done)
        if day % 7 == 0 or day == MONTH_DAYS:
            seal_finished_days(database, start_ms + day * DAY_MS, hot_days=0)
            merge_sealed_weeks(database, start_ms + day * DAY_MS, hot_days=0)
        seconds[day] = time.process_time()

    size = record_history(Writer(database, "bench", "bench"), machine, start_ms, DAYS, progress)
    # The last two weeks stay plain rows, as they would.
    database.close()
    month_s = seconds[min(MONTH_DAYS, int(DAYS))] - began_s
    return Year(path, DAYS, size, month_s * MONTH_DAYS / min(MONTH_DAYS, DAYS))


def test_month_through_cadence_writer_store_and_sealing(year: Year, tell: Tell) -> None:
    per_day = year.size.n_looks / year.days
    tell("simulated month, record and seal", f"{year.month_s:.1f} s CPU", "<= 20 s")
    tell("  looks a day; load steps a day", f"{per_day:.0f}; {year.size.n_steps / year.days:.0f}", "")
    assert per_day > 8640  # more than idle looks alone: load was looked at


def test_year_on_disk(year: Year, tell: Tell) -> None:
    whole_bytes = year.path.stat().st_size
    reader = Reader(open_reader(f"sqlite:///{year.path}"))
    n_values = 0
    for source in reader.sources():
        frame = reader.source_frame(source.name)
        n_values += int(frame.notna().sum().sum()) - len(frame) * (COLUMNS_BESIDE_VALUES - 1)
    for probe in reader.probe_frames().values():
        n_values += int(probe.iloc[:, 0].notna().sum())
    sealed_bytes = reader_sealed_bytes(year.path)
    scale = 365 / year.days
    tell("stored values in the record", f"{n_values / 1e6:.1f} M in {year.days:.0f} days", "")
    tell("sealed blocks, bytes a value", f"{sealed_bytes / n_values:.2f}", "<= 1.2")
    tell("whole file with hot days, a year", f"{whole_bytes * scale / 1e6:.1f} MB", "<= 60 MB")
    assert sealed_bytes / n_values <= 1.2


def reader_sealed_bytes(path: Path) -> int:
    """Bytes of the sealed blocks alone."""
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as connection:
        return int(connection.execute("select sum(length(packed)) from sealed_day").fetchone()[0])


def test_year_back_into_a_frame(year: Year, tell: Tell) -> None:
    reader = Reader(open_reader(f"sqlite:///{year.path}"))
    frame = reader.source_frame("gpu0")  # imports and the page cache are not what is measured
    times_s = []
    for _ in range(5):
        began_s = time.perf_counter()
        frame = reader.source_frame("gpu0")
        times_s.append(time.perf_counter() - began_s)
    took_s = median(times_s)
    tell(f"one source back into a frame ({len(frame) / 1e6:.2f} M rows)", f"{took_s:.2f} s", "<= 0.5 s")
    assert frame.index.is_monotonic_increasing
    assert frame.index.is_unique
