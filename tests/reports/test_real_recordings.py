"""Two real accelerators of one model, through the whole path: table in, interface part out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.derivation import update
from heatdrift.reports.fits import fit_every_era
from heatdrift.reports.heat_path import PathFit
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.derived import DerivedStore
from heatdrift.store.importing import import_table
from heatdrift.store.reader import Reader
from heatdrift.store.writer import Writer

ROOT = Path(__file__).resolve().parents[2]
TRACE = ROOT.parent / "shared" / "traces" / "h100-a.csv"
OWN = ROOT / "tests" / "recordings" / "accelerator-steps.csv"
NOW_UTC_MS = 1_800_000_000_000
INTERFACE_K_PER_W = 0.0264  # of this model, from the trace at ten looks a second


def fitted(table: Path, folder: Path) -> PathFit:
    path = str(folder / "record.sqlite")
    writing = open_writer(path)
    machine_id = Writer(writing, "u", "card").machine_id
    import_table(writing, machine_id, table, NOW_UTC_MS)
    reading = open_reader(path)
    derived = DerivedStore(writing, machine_id)
    (one,) = fit_every_era(derived, update(Reader(reading), derived, []))
    reading.close()
    writing.close()
    assert one.fit is not None
    return one.fit


def test_own_recording(tmp_path: Path) -> None:
    fit = fitted(OWN, tmp_path)
    assert fit.interface is not None
    assert fit.interface.k_per_w == pytest.approx(INTERFACE_K_PER_W, rel=0.10)
    assert fit.interface.ci95[0] < INTERFACE_K_PER_W < fit.interface.ci95[1]
    # Eight minutes of load, and nothing that says what the air was.
    assert fit.airflow is None and "not identifiable: no probe" in fit.no_airflow


@pytest.mark.reference
@pytest.mark.skipif(not TRACE.exists(), reason="the recording of another program lies beside the project")
def test_trace_at_one_look_a_second(tmp_path: Path) -> None:
    table = pd.read_csv(TRACE)
    at = np.searchsorted(table["elapsed_s"], np.arange(1.0, table["elapsed_s"].iloc[-1]), "right") - 1
    table = table.iloc[at]
    pd.DataFrame(
        {
            "time": table["epoch_s"],
            "gpu0.temperature_c": table["temperature_c"],
            "gpu0.power_w": table["power_average_mw"] / 1e3,
            "gpu0.clock_mhz": table["sm_clock_mhz"],
            "gpu0.utilization_pct": table["utilization_pct"],
        }
    ).to_csv(tmp_path / "trace.csv", index=False)
    fit = fitted(tmp_path / "trace.csv", tmp_path)
    assert fit.interface is not None
    # Steps of copying, whose heat is made in the memory beside the die, are of another kind and left alone.
    assert fit.interface.k_per_w == pytest.approx(INTERFACE_K_PER_W, rel=0.10)
    assert fit.interface.ci95[0] < INTERFACE_K_PER_W < fit.interface.ci95[1]
