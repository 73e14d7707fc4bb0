"""Power stages against curves that are written down here."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.power_stage import fit_power_stage
from heatdrift.store.errors import AnalysisError, TooFewWindowsError

OFFSET_K, A, B = 4.0, 0.05, 4e-4


def windows(seed: int = 1, n: int = 300, low_w: float = 20.0, high_w: float = 200.0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    power_w = rng.uniform(low_w, high_w, n)
    air_c = 22.0 + 2.0 * np.sin(np.arange(n) / 40.0)
    rise_k = OFFSET_K + A * power_w + B * power_w**2
    return pd.DataFrame(
        {
            "power_w": power_w,
            "reference_c": air_c,
            "temperature_c.vrm0": np.round(air_c + rise_k + 0.4 * rng.standard_normal(n)),
        }
    )


def test_conduction_and_switching_loss_are_told_apart() -> None:
    stage = fit_power_stage("vrm0", {"gpu0": windows()})
    errors = np.sqrt(np.diag(stage.covariance))
    for value, truth, error in zip(
        (stage.offset_k, stage.k_per_w, stage.k_per_w2), (OFFSET_K, A, B), errors, strict=True
    ):
        assert abs(value - truth) <= 3 * error
    assert stage.k_per_w2 > 5 * errors[2]  # the square is surely there


def test_intervals_hold_the_truth_within_and_beyond_what_was_seen() -> None:
    for power_w in (100.0, 260.0):
        truth = OFFSET_K + A * power_w + B * power_w**2
        inside = []
        for seed in range(200):
            value, error = fit_power_stage("vrm0", {"gpu0": windows(seed)}).rise_k(power_w)
            inside.append(abs(value - truth) <= 1.96 * error)
        # 95 % claimed; 200 draws know it to 1.5 %.
        assert 0.90 <= np.mean(inside) <= 0.99
    stage = fit_power_stage("vrm0", {"gpu0": windows()})
    assert stage.rise_k(260.0)[1] > 2 * stage.rise_k(100.0)[1]


def test_the_source_that_explains_it_is_found() -> None:
    of_gpu = windows()
    rng = np.random.default_rng(2)
    of_cpu = of_gpu.assign(power_w=rng.uniform(10, 60, len(of_gpu)))
    assert fit_power_stage("vrm0", {"cpu0": of_cpu, "gpu0": of_gpu}).feeds == "gpu0"


def test_what_cannot_be_known_is_refused() -> None:
    with pytest.raises(TooFewWindowsError, match="10 settled windows"):
        fit_power_stage("vrm0", {"gpu0": windows(n=10)})
    with pytest.raises(AnalysisError, match="hardly varies"):
        fit_power_stage("vrm0", {"gpu0": windows(low_w=100.0, high_w=150.0)})
    with pytest.raises(AnalysisError, match="never seen"):
        fit_power_stage("vrm1", {"gpu0": windows()})
    with pytest.raises(AnalysisError, match="never seen"):
        fit_power_stage("vrm0", {})


def test_a_source_that_was_only_seen_at_rest_does_not_win() -> None:
    of_gpu = windows()
    quiet = windows(3, 40, 20.0, 22.0)
    rng = np.random.default_rng(4)
    of_cpu = quiet.assign(power_w=rng.uniform(10, 60, len(quiet)))  # while the GPU rested, the CPU worked
    assert fit_power_stage("vrm0", {"cpu0": of_cpu, "gpu0": of_gpu}).feeds == "gpu0"
