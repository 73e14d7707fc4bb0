"""Who heats whom, against a matrix that was put in."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.fake_sensors.heat_path import HeatPath, PathValues, SinkValues
from heatdrift.reports.cross_heating import fit_cross_heating
from heatdrift.store.errors import AnalysisError, TooFewWindowsError

NAMES = ["cpu0", "gpu0"]
AIR_C = 22.0


def shared_sink() -> HeatPath:
    paths = [PathValues("cpu0", 0.3, 0.2, 2.0, 60.0), PathValues("gpu0", 0.12, 0.1, 5.0, 120.0)]
    return HeatPath(paths, SinkValues(400.0, 0.05, 0.15, 0.7), AIR_C)


def powers(rng: np.random.Generator, n_windows: int = 80) -> pd.DataFrame:
    return pd.DataFrame(
        {"cpu0": rng.uniform(5.0, 60.0, n_windows), "gpu0": rng.uniform(10.0, 140.0, n_windows)}
    )


def settled(powers_w: pd.DataFrame) -> pd.DataFrame:
    """Settled die temperatures of a laptop whose processor and GPU share a sink, fans at full speed."""
    path = shared_sink()
    rows = [path.settled_c([cpu, 0.0, gpu, 0.0, 0.0], 1.0, AIR_C) for cpu, gpu in powers_w.to_numpy()]
    return pd.DataFrame([(row[0], row[2]) for row in rows], columns=NAMES)


def test_matrix_of_a_shared_sink_comes_back() -> None:
    powers_w = powers(np.random.default_rng(1))
    found = fit_cross_heating(settled(powers_w), powers_w, np.full(len(powers_w), AIR_C))
    # Die to plate, plate to sink, sink to air (0.05 + 0.15): the sum on the diagonal, the last beside it.
    assert found.matrix_k_per_w == pytest.approx(np.array([[0.7, 0.2], [0.2, 0.42]]), rel=1e-9)
    assert found.offsets_k == pytest.approx([0.0, 0.0], abs=1e-9)
    assert found.rise_k([30.0, 100.0]) == pytest.approx([41.0, 48.0], rel=1e-9)


def test_interval_holds_the_truth_with_whole_degrees_and_a_wrong_reference() -> None:
    rng = np.random.default_rng(2)
    truth, held, n_trials = np.array([[0.7, 0.2], [0.2, 0.42]]), 0, 100
    for _ in range(n_trials):
        powers_w = powers(rng)
        read_c = (settled(powers_w) + rng.normal(0.0, 0.5, (len(powers_w), 2))).round()
        found = fit_cross_heating(read_c, powers_w, np.full(len(powers_w), AIR_C - 3.0))
        held += int((abs(found.matrix_k_per_w - truth) < 1.96 * found.errors_k_per_w).sum())
        assert found.offsets_k == pytest.approx([3.0, 3.0], abs=1.0)  # 0.2 K of standard error, five of them
    # 400 intervals, of which a kernel estimate at 80 rows holds a little fewer than 95 %.
    assert 0.90 < held / (4 * n_trials) <= 0.99


def test_outliers_are_held_back() -> None:
    powers_w = powers(np.random.default_rng(3))
    read_c = settled(powers_w)
    read_c.iloc[::20] += 30.0
    found = fit_cross_heating(read_c, powers_w, np.full(len(powers_w), AIR_C))
    # Four rows of 80 that lie 30 K off would move a plain fit by some hundredths.
    assert found.matrix_k_per_w == pytest.approx(np.array([[0.7, 0.2], [0.2, 0.42]]), abs=0.005)


def test_wrong_power_scale_breaks_the_symmetry() -> None:
    rng = np.random.default_rng(4)
    powers_w = powers(rng)
    read_c = settled(powers_w) + rng.normal(0.0, 0.3, (len(powers_w), 2))
    found = fit_cross_heating(read_c, powers_w * [1.0, 0.8], np.full(len(powers_w), AIR_C))
    # What the GPU reports a fifth too low counts as 0.2 / 0.8 on the processor.
    difference, error = found.asymmetry("cpu0", "gpu0")
    assert difference == pytest.approx(0.05, abs=3 * error)
    assert difference > 3 * error


def test_powers_that_move_together_are_not_told_apart() -> None:
    powers_w = powers(np.random.default_rng(5))
    powers_w["cpu0"] = 0.4 * powers_w["gpu0"] + 0.1 * np.sin(np.arange(len(powers_w)))
    with pytest.raises(AnalysisError, match="not identifiable: the powers of cpu0, gpu0 move together"):
        fit_cross_heating(settled(powers_w), powers_w, np.full(len(powers_w), AIR_C))


def test_a_source_that_never_works() -> None:
    powers_w = powers(np.random.default_rng(6)).assign(gpu0=12.0)
    with pytest.raises(AnalysisError, match="the power of gpu0 never varies"):
        fit_cross_heating(settled(powers_w), powers_w, np.full(len(powers_w), AIR_C))


def test_three_windows_in_all() -> None:
    powers_w = powers(np.random.default_rng(7), 3)
    with pytest.raises(TooFewWindowsError, match="3 settled windows"):
        fit_cross_heating(settled(powers_w), powers_w, np.full(3, AIR_C))


def test_columns_must_be_of_the_same_sources() -> None:
    powers_w = powers(np.random.default_rng(8))
    with pytest.raises(AnalysisError, match="different sources"):
        fit_cross_heating(settled(powers_w), powers_w[["gpu0", "cpu0"]], np.full(len(powers_w), AIR_C))
