"""Fixtures: a small record for the commands to show, and a process that looks like a recorder."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import psutil
import pytest

from heatdrift.store.database import open_writer
from heatdrift.store.records import (
    Batch,
    Cadence,
    Channel,
    Gap,
    GapReason,
    Missing,
    ProbeSample,
    SourceSample,
    pack_missing,
)
from heatdrift.store.units import QUANTITY_INDEX, SOURCE_QUANTITIES, to_milli
from heatdrift.store.writer import Writer

MINUTE_MS = 60_000
N_ROWS = 60
MACHINE_UUID = "7b2f6f7e-6f0a-5f5e-9d5e-0123456789ab"


def sample(time_utc_ms: int, source: str, temperature_c: float, power_w: float) -> SourceSample:
    """A row that had temperature and power, and nothing else."""
    values: list[int | None] = [None] * len(SOURCE_QUANTITIES)
    values[QUANTITY_INDEX["temperature_c"]] = to_milli(temperature_c)
    values[QUANTITY_INDEX["power_w"]] = to_milli(power_w)
    missing = pack_missing([None if value is not None else Missing.NOT_EXPOSED for value in values])
    return SourceSample(time_utc_ms, source, tuple(values), None, Cadence.IDLE, 6, missing)


def write_record(path: Path, now_utc_ms: int, state: Mapping[str, str] | None = None) -> str:
    """Write the record, its last row at ``now_utc_ms``; returns its path as text."""
    database = open_writer(str(path))
    writer = Writer(database, MACHINE_UUID, "dove", now_utc_ms)
    writer.register_source("cpu0", "cpu", now_utc_ms)
    writer.register_source("gpu0", "gpu", now_utc_ms)
    writer.register_channel(Channel("hwmon/fan/1", "speed_rpm", "hwmon"), "fan1", now_utc_ms)
    times = [now_utc_ms - (N_ROWS - 1 - number) * MINUTE_MS for number in range(N_ROWS)]
    writer.write(
        Batch(
            sources=tuple(
                row
                for number, at in enumerate(times)
                for row in (sample(at, "cpu0", 50 + number / 2, 20), sample(at, "gpu0", 40, 12.5))
            ),
            probes=tuple(ProbeSample(at, "fan1", "speed_rpm", 2_450_000, 0) for at in times),
            gaps=(Gap(times[0] - 8 * 60 * MINUTE_MS, times[0], GapReason.SUSPEND),),
        )
    )
    writer.note_task("backup", now_utc_ms - 2 * 86_400_000, True)
    if state is not None:
        writer.put_state(state, now_utc_ms)
    writer.checkpoint()
    database.close()
    return str(path)


def state_of(pid: int, now_utc_ms: int) -> dict[str, str]:
    """What a recorder leaves behind an hour after its start."""
    return {
        "state": "running",
        "pid": str(pid),
        "started_utc_ms": str(now_utc_ms - 60 * MINUTE_MS),
        "mode": "idle",
        "cpu_s": "3.6",
        "children_cpu_s": "0.0",
        "pss_bytes": "40000000",
        "children_pss_bytes": "5000000",
        "written_bytes": "1000000",
    }


@pytest.fixture
def now_utc_ms() -> int:
    return time.time_ns() // 1_000_000


@pytest.fixture
def record() -> Callable[..., str]:
    """Writes an hour of a laptop called dove: two sources, a fan, a gap, a backup; returns the path."""
    return write_record


@pytest.fixture
def running_state(recorder_pid: int) -> Callable[[int], dict[str, str]]:
    """State of a recorder that lives, an hour after its start."""
    return lambda now_utc_ms: state_of(recorder_pid, now_utc_ms)


@pytest.fixture
def recorder_pid() -> Iterator[int]:
    """A process that carries our name and does nothing."""
    process = subprocess.Popen(
        [sys.executable, "-c", "import sys; sys.stdin.read()", "heatdrift"], stdin=subprocess.PIPE
    )
    try:
        # Between fork and exec a process shows no command line, or another's.
        while "heatdrift" not in psutil.Process(process.pid).cmdline():
            time.sleep(0.01)
        yield process.pid
    finally:
        process.communicate()
