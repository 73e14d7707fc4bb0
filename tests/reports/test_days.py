"""What a day makes of steps that say nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from heatdrift.reports.days import interface_step_cells

DAY_MS = 86_400_000


def steps(resistance: list[float], error: list[float]) -> pd.DataFrame:
    n = len(resistance)
    return pd.DataFrame(
        {
            "at_utc_ms": 20_000 * DAY_MS + 1000 * np.arange(n, dtype=np.int64),
            "power_before_w": 20.0,
            "power_after_w": 60.0,
            "memory_utilization_before_pct": np.nan,
            "memory_utilization_after_pct": np.nan,
            "interface_resistance_k_per_w": resistance,
            "standard_error_k_per_w": error,
            "not_identifiable": "",
        }
    )


def test_a_step_that_noise_took_to_nothing_has_no_cell() -> None:
    """Positive by 1e-15 K/W it is a ratio with an error of 1e13, which no table of ours takes."""
    assert not len(interface_step_cells(steps([1e-15, -0.02], [0.02, 0.02]), 0.0))
    assert not len(interface_step_cells(steps([0.2], [np.inf]), 0.0))


def test_it_takes_nothing_from_those_that_say_something() -> None:
    good = steps([0.20, 0.22, 0.21], [0.02, 0.02, 0.02])
    alone = interface_step_cells(good, 0.0)
    beside = interface_step_cells(pd.concat([good, steps([1e-15], [0.02])], ignore_index=True), 0.0)
    pd.testing.assert_frame_equal(alone, beside)
    assert abs(float(alone["value"].iloc[0]) - 0.21) < 0.005
