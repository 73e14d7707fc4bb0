"""Kind, day and size of a change whose truth is known, and of the Nile."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
import ruptures
from statsmodels.datasets import nile

from heatdrift.reports.change_point import PRIOR, explain
from heatdrift.reports.prewhitening import DayNoise, HealthyDays

Array = npt.NDArray[np.float64]
INDEPENDENT = HealthyDays(DayNoise(0.0, 1.0, 0), 0.004, 0.01)
EIGHT_PERCENT = float(np.log(1.08))


def rows_of(change: Array, scatter: float = 0.015, seed: int = 1) -> Array:
    days = np.arange(float(len(change)))
    values = change + scatter * np.random.default_rng(seed).standard_normal(len(change))
    return np.column_stack([days, values, np.full(len(change), scatter)])


@pytest.mark.parametrize("at", [30, 60, 95])
def test_place_of_a_clean_step_is_that_of_ruptures(at: int) -> None:
    for seed in range(5):
        rows = rows_of(np.where(np.arange(110) >= at, 0.12, 0.0), 0.01, seed)
        theirs = ruptures.Dynp(model="l2", min_size=5).fit(rows[:, [1]]).predict(n_bkps=1)[0]
        change = explain(rows, INDEPENDENT, 14)
        assert change.shape == "step"
        assert change.onset_day == theirs - 0.5  # between the last row before and the first after
        assert change.onset_ci95[0] <= at <= change.onset_ci95[1]


def test_nile_fell_in_a_step_in_1898() -> None:
    """Change after observation 28, 95 % interval 25-32 (manual of R's strucchange); a trend test also "finds"
    a trend there (Mann-Kendall z -4.13)."""
    flow = nile.load_pandas().data["volume"].to_numpy(float)
    before = float(flow[:20].mean())
    values = np.log(flow / before)
    rows = np.column_stack([np.arange(100.0), values, np.full(100, float(values.std()))])
    change = explain(rows, HealthyDays(DayNoise(0.0, 0.8, 0), 0.03, 1e-6), 1)
    assert change.shape == "step"
    assert 26.5 <= change.onset_day <= 29.5
    assert 24 <= change.onset_ci95[0] <= 28 <= change.onset_ci95[1] <= 33
    assert change.now == pytest.approx(np.log(849.97 / before), abs=0.05)  # published mean after the change


def creeps() -> dict[str, Array]:
    age = np.maximum(np.arange(120.0) - 50.0, 0.0)
    return {
        "linear": 0.15 * age / 70.0,
        "root": 0.15 * np.sqrt(age / 70.0),
        "saturating": 0.15 * (1.0 - np.exp(-age / 25.0)),
        "step and creep": 0.06 * (age > 0.0) + 0.12 * age / 70.0,
    }


@pytest.mark.parametrize("name", list(creeps()))
def test_creep_is_named_and_its_rate_is_in_the_interval(name: str) -> None:
    truth = creeps()[name]
    held = []
    for seed in range(20):
        change = explain(rows_of(truth, 0.015, seed), INDEPENDENT, 14)
        assert change.shape == "creep"
        assert change.slope_ci95 is not None
        slope = truth[-1] - truth[-2]
        held.append(
            (
                change.onset_ci95[0] <= 50 <= change.onset_ci95[1],
                change.now_ci95[0] <= truth[-1] <= change.now_ci95[1],
                change.slope_ci95[0] <= slope <= change.slope_ci95[1],
            )
        )
    # of 20 intervals of 95 % at least 17 hold, but for a chance of 1.6 %
    assert np.sum(held, axis=0).min() >= 17


def test_a_step_has_no_rate() -> None:
    change = explain(rows_of(np.where(np.arange(80) >= 50, EIGHT_PERCENT, 0.0)), INDEPENDENT, 14)
    assert change.shape == "step"
    assert change.slope_per_day is None
    assert change.slope_ci95 is None


def test_undecided_on_the_third_day_of_a_small_change() -> None:
    change = explain(rows_of(np.where(np.arange(63) >= 60, 0.05, 0.0), 0.02), INDEPENDENT, 14)
    assert sum(change.probabilities.values()) == pytest.approx(1.0)
    assert set(change.probabilities) == set(PRIOR)
    assert change.probabilities["step"] < 0.9


def test_second_change_is_seen_and_the_present_is_told() -> None:
    back = np.where((np.arange(120) >= 40) & (np.arange(120) < 90), 0.12, 0.0)
    change = explain(rows_of(back), INDEPENDENT, 14)
    assert change.reversal_day == pytest.approx(90.0, abs=1.0)
    assert change.onset_ci95[0] <= 40 <= change.onset_ci95[1]
    assert change.now_ci95[0] <= 0.0 <= change.now_ci95[1]


def test_single_mad_day_moves_nothing() -> None:
    rows = rows_of(np.where(np.arange(90) >= 50, 0.1, 0.0))
    rows[80, 1] += 0.5
    change = explain(rows, INDEPENDENT, 14)
    assert change.shape == "step"
    assert change.onset_day == pytest.approx(49.5, abs=1.0)
    assert change.now == pytest.approx(0.1, abs=0.025)
