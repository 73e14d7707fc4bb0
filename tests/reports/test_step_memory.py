"""Heat that is made in the memory, and how steps of unlike memory are compared."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.classes import to_the_middle
from heatdrift.reports.step_memory import memory_of_steps, memory_slope


def steps(memory_pct: np.ndarray, slope: float, rng: np.random.Generator) -> pd.DataFrame:
    n = len(memory_pct)
    resistance = 0.05 * np.exp(slope * memory_pct / 100.0 + 0.02 * rng.standard_normal(n))
    return pd.DataFrame(
        {
            "power_before_w": 20.0,
            "power_after_w": 150.0,
            "memory_utilization_before_pct": 0.0,
            "memory_utilization_after_pct": memory_pct * 130.0 / 150.0,
            "interface_resistance_k_per_w": resistance,
            "standard_error_k_per_w": 0.02 * resistance,
            "not_identifiable": "",
        }
    )


def test_the_slope_is_found() -> None:
    rng = np.random.default_rng(1)
    table = steps(rng.uniform(10.0, 95.0, 80), -0.35, rng)
    np.testing.assert_allclose(memory_of_steps(table).min(), 10.0, atol=2.0)
    # 80 steps of 2 % over a range of 85 % tell the slope to 0.01.
    assert memory_slope(table) == pytest.approx(-0.35, abs=0.03)


def test_no_slope_where_memory_never_varies() -> None:
    rng = np.random.default_rng(1)
    assert memory_slope(steps(np.full(80, 50.0), -0.35, rng)) == 0.0
    assert memory_slope(steps(rng.uniform(10.0, 95.0, 6), -0.35, rng)) == 0.0
    assert memory_slope(steps(np.full(80, np.nan), -0.35, rng)) == 0.0


def test_a_step_is_brought_to_the_middle_of_its_class() -> None:
    np.testing.assert_allclose(
        to_the_middle(np.array([0.0, 12.5, 24.0, 25.0, 76.0, 100.0, np.nan])),
        [0.125, 0.0, -0.115, 0.125, 0.115, -0.125, 0.0],
        atol=1e-9,
    )
