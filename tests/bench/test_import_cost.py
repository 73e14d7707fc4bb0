"""What it takes to bring in what was recorded elsewhere.

``HEATDRIFT_BENCH_ROWS`` shortens the table.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from heatdrift.store.database import Database, open_writer
from heatdrift.store.importing import import_table
from heatdrift.store.writer import Writer

Tell = Callable[[str, str, str], None]

N_ROWS = int(os.environ.get("HEATDRIFT_BENCH_ROWS", "2000000"))
START_S = 1_772_323_200  # 2026-03-01
NOW_UTC_MS = 1_800_000_000_000
PEAK = """
import sys
from pathlib import Path
from heatdrift.store.database import open_writer
from heatdrift.store.importing import import_table
from heatdrift.store.writer import Writer
database = open_writer(sys.argv[2], keeps_checkpoints=False)
import_table(database, Writer(database, "u", "bench").machine_id, Path(sys.argv[1]), int(sys.argv[3]))
# Not ru_maxrss, which a process inherits from the one that started it.
print(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0])
"""


def write_table(path: Path, n_rows: int) -> None:
    """Two sources, a probe and a fan at one row a second, with the digits that sensors have."""
    rng = np.random.default_rng(1)
    moments = (np.arange(n_rows) * 1000 + START_S * 1000).astype("datetime64[ms]")
    power = np.round(60 + 40 * np.sin(np.arange(n_rows) / 900) + rng.normal(0, 3, n_rows), 3)
    columns = {
        "time": np.char.add(np.datetime_as_string(moments, unit="ms"), "Z"),
        "gpu0.temperature_c": np.round(40 + power * 0.3),
        "gpu0.power_w": np.abs(power),
        "gpu0.clock_mhz": rng.integers(300, 2000, n_rows),
        "gpu0.utilization_pct": rng.integers(0, 101, n_rows),
        "cpu0.temperature_c": np.round(45 + power * 0.2),
        "cpu0.power_w": np.abs(np.round(power / 3, 3)),
        "ambient.temperature_c": np.round(21 + np.sin(np.arange(n_rows) / 4e4), 1),
        "fan1.speed_rpm": rng.integers(1000, 2400, n_rows),
    }
    frame = pd.DataFrame(columns)
    if path.suffix == ".csv":
        frame.to_csv(path, index=False)
    else:
        frame.to_parquet(path, index=False)


def timed(database: Database, machine_id: int, path: Path) -> tuple[float, float]:
    """Rows a second of wall time and of CPU time."""
    began_s, began_cpu_s = time.perf_counter(), time.process_time()
    result = import_table(database, machine_id, path, NOW_UTC_MS)
    assert result.n_rows_left_out == result.n_cells_left_out == 0
    wall_s, cpu_s = time.perf_counter() - began_s, time.process_time() - began_cpu_s
    return result.n_rows / wall_s, result.n_rows / cpu_s


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_rows_a_second(tmp_path: Path, tell: Tell, kind: str) -> None:
    path = tmp_path / f"t.{kind}"
    write_table(path, N_ROWS)
    database = open_writer(str(tmp_path / "bench.db"))
    machine_id = Writer(database, "u", "bench").machine_id
    wall, cpu = timed(database, machine_id, path)
    tell(
        f"import of {N_ROWS / 1e6:.1f} M rows, {kind}, sealed",
        f"{wall:,.0f} rows/s ({cpu:,.0f} CPU)",
        ">= 150,000",
    )
    wall, cpu = timed(database, machine_id, path)
    tell("  the same once more, nothing to add", f"{wall:,.0f} rows/s ({cpu:,.0f} CPU)", "")
    database.close()
    n_bytes = (tmp_path / "bench.db").stat().st_size
    tell("  file, bytes a row of eight values", f"{n_bytes / N_ROWS:.1f}", "")
    assert n_bytes < path.stat().st_size or kind == "parquet"


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is read from /proc")
def test_memory_does_not_grow_with_the_file(tmp_path: Path, tell: Tell) -> None:
    """Peak of a process that imports, and of one that imports four times as much."""
    peaks = []
    for n_rows in (N_ROWS // 4, N_ROWS):
        path = tmp_path / f"{n_rows}.csv"
        write_table(path, n_rows)
        command = [sys.executable, "-c", PEAK, str(path), str(tmp_path / f"{n_rows}.db"), str(NOW_UTC_MS)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        peaks.append(int(done.stdout) / 1024)
    tell("peak memory, a quarter and all of these rows", f"{peaks[0]:.0f} and {peaks[1]:.0f} MB", "the same")
    assert (
        peaks[1] < 1.25 * peaks[0]
    )  # the days that are held differ in size; the file itself would add 100 %
