"""Real recordings through the import: the service's own table, and a foreign one by a mapping."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from heatdrift.store.database import Database
from heatdrift.store.import_mapping import parse_mapping
from heatdrift.store.importing import import_table
from heatdrift.store.reader import Reader
from heatdrift.store.records import Cadence
from heatdrift.store.writer import Writer

ROOT = Path(__file__).resolve().parents[2]
OWN = ROOT / "tests" / "recordings" / "accelerator-steps.csv"
TRACE = ROOT.parent / "shared" / "traces" / "h100-a.csv"
NOW_UTC_MS = 1_800_000_000_000

FOREIGN = """
[columns]
temperature_c = "gpu0.temperature_c"
memory_temperature_c = "gpu0.memory_temperature_c"
power_average_mw = {to = "gpu0.power_w", unit = "mw"}
sm_clock_mhz = "gpu0.clock_mhz"
mem_clock_mhz = "gpu0.memory_clock_mhz"
utilization_pct = "gpu0.utilization_pct"
[time]
column = "epoch_s"
format = "unix_s"
"""


def test_the_services_own_table(database: Database) -> None:
    result = import_table(database, Writer(database, "u", "card").machine_id, OWN, NOW_UTC_MS)
    assert (result.n_rows, result.n_rows_left_out, result.n_cells_left_out) == (458, 0, 0)
    frame = Reader(database).source_frame("gpu0")
    table = pd.read_csv(OWN)
    assert frame.index.equals(pd.DatetimeIndex(pd.to_datetime(table.pop("time"), utc=True)))
    for name in table.columns:
        np.testing.assert_array_equal(frame[name.removeprefix("gpu0.")], table[name])
    # Two means at idle, and the rest one look a second.
    assert (frame["cadence"] == Cadence.STEP).sum() == 456


@pytest.mark.reference
@pytest.mark.skipif(not TRACE.exists(), reason="the recording of another program lies beside the project")
def test_a_foreign_table_by_its_mapping(database: Database) -> None:
    mapping = parse_mapping(FOREIGN, "map")
    machine_id = Writer(database, "u", "card").machine_id
    result = import_table(database, machine_id, TRACE, NOW_UTC_MS, mapping)
    table = pd.read_csv(TRACE)
    assert (result.n_rows, result.n_rows_left_out, result.n_cells_left_out) == (len(table), 0, 0)
    assert set(result.columns_ignored) == {
        "elapsed_s", "phase", "power_usage_mw", "power_instant_mw", "energy_mj", "pstate",
        "clock_event_reasons"
    }  # fmt: skip
    firsts = table[~table["epoch_s"].duplicated()]
    frame = Reader(database).source_frame("gpu0")
    assert len(frame) == len(firsts)
    np.testing.assert_array_equal(frame["power_w"], firsts["power_average_mw"] / 1000)
    np.testing.assert_array_equal(frame["temperature_c"], firsts["temperature_c"])
