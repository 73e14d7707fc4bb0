"""Thermal cycles against the worked example of the standard, and days that are written down here."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.cycles import gated, rainflow_counts, thermal_cycles

EXAMPLE = np.array([-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0])


def test_the_example_of_the_standard() -> None:
    """ASTM E1049-85, section 5.4.4 with its figure 6."""
    expected = {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}
    counts: dict[float, float] = {}
    for span, n in rainflow_counts(gated(EXAMPLE, 0.5)):
        counts[span] = counts.get(span, 0.0) + n
    assert counts == expected


def test_jitter_is_no_cycle() -> None:
    rng = np.random.default_rng(1)
    steady = np.asarray(60.0 + rng.integers(-1, 2, 5000), float)
    assert len(gated(steady, 5.0)) == 1
    ramp = np.concatenate([np.linspace(40, 80, 300), np.linspace(80, 40, 300)])
    ramp = ramp + rng.integers(-1, 2, 600)
    turning = gated(np.asarray(ramp, float), 5.0)
    assert len(turning) == 3 and turning[1] == pytest.approx(80.0, abs=1.5)


def test_the_first_swing_begins_at_its_lowest() -> None:
    assert list(gated(np.array([40.0, 37.0, 45.0, 40.0]), 5.0)) == [37.0, 45.0, 40.0]
    assert list(gated(np.array([40.0, 43.0, 36.0]), 5.0)) == [43.0, 36.0]


def frame_of(temperature_c: np.ndarray, spacing_s: float = 30.0) -> pd.DataFrame:
    index = pd.Timestamp("2026-03-01T00:00:00Z") + pd.to_timedelta(
        spacing_s * np.arange(len(temperature_c)), unit="s"
    )
    return pd.DataFrame({"temperature_c": temperature_c}, index=index)


def test_evenings_of_work_are_counted() -> None:
    day = np.full(2880, 40.0)
    day[2000:2200] = 82.0  # one long load, and two short ones within it that cool by 25 K
    day[2050:2060] = day[2120:2130] = 57.0
    found = thermal_cycles(frame_of(np.tile(day, 10)))
    assert found.n_above(40.0) == pytest.approx(10.0, abs=0.5)
    assert found.n_above(20.0) - found.n_above(40.0) == pytest.approx(20.0)
    assert found.hot_h[80.0] == pytest.approx(10 * 180 * 30 / 3600, rel=0.01)
    assert found.recorded_h == pytest.approx(240.0, rel=0.01)


def test_a_gap_is_no_hot_time() -> None:
    frame = frame_of(np.full(2000, 85.0))
    found = thermal_cycles(frame.drop(frame.index[500:1500]))
    assert found.hot_h[80.0] == pytest.approx(1000 * 30 / 3600, rel=0.01)
    assert found.n_above(5.0) == 0.0


def test_nothing_gives_nothing() -> None:
    found = thermal_cycles(frame_of(np.empty(0)))
    assert found.recorded_h == 0.0 and found.n_above(5.0) == 0.0
    assert thermal_cycles(frame_of(np.array([50.0]))).n_above(5.0) == 0.0
