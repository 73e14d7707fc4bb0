"""Lags of first order under a staircase of power, held against solvers that know nothing of staircases."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.signal import lfilter

from heatdrift.reports.lags import held_power, lag_responses


def test_constant_spacing_is_a_recursive_filter() -> None:
    rng = np.random.default_rng(1)
    power_w = rng.uniform(5.0, 150.0, 200)
    keep = np.exp(-1.0 / 7.0)
    expected = lfilter([1.0 - keep], [1.0, -keep], power_w - power_w[0]) + power_w[0]
    power = held_power(np.arange(200.0), power_w)
    flat = type(power)(np.zeros(200), power_w, np.r_[0.0, np.ones(199)], power_w)
    # Both carry 200 roundings of numbers below 150: 1e-11 is a thousand times their sum.
    np.testing.assert_allclose(lag_responses(flat, [7.0])[:, 0], expected, rtol=0, atol=1e-11)


def test_irregular_times_agree_with_an_ode_solver() -> None:
    rng = np.random.default_rng(2)
    times_s = np.cumsum(rng.uniform(0.1, 12.0, 40))
    power_w = rng.uniform(5.0, 150.0, 40)
    power = held_power(times_s, power_w)
    shown_w = power_w[0]
    for look in range(1, 40):
        for span_s, level_w in (
            (power.early_s[look], power.early_w[look]),
            (power.late_s[look], power.late_w[look]),
        ):
            if span_s > 0:
                shown_w = solved(shown_w, level_w, span_s)
        # The solver keeps each stretch to 1e-10 of 150 W; 40 stretches of two treads stay below 1e-6.
        assert lag_responses(power, [3.0])[look, 0] == pytest.approx(shown_w, abs=1e-6)


def solved(shown_w: float, level_w: float, span_s: float) -> float:
    """What a lag of 3 s shows after a stretch of constant power."""

    def slope(_: float, now_w: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return (level_w - now_w) / 3.0

    return float(solve_ivp(slope, (0.0, span_s), [shown_w], rtol=1e-10, atol=1e-10).y[0, -1])


@given(
    power_w=st.lists(st.floats(0.0, 500.0), min_size=3, max_size=30),
    spacing_s=st.floats(0.2, 20.0),
)
@example(power_w=[1.1125369292536007e-308, 2.0, 0.0], spacing_s=1.0)  # a change of next to nothing is no jump
@example(power_w=[1.1125369292536007e-308, 1.0, 0.0], spacing_s=2.0)
@settings(max_examples=60, deadline=None)
def test_the_staircase_has_the_energy_that_was_read(power_w: list[float], spacing_s: float) -> None:
    """Whatever is split within the reach of a reading, its mean is the reading."""
    readings_w = np.array(power_w, float)
    power = held_power(np.asarray(np.arange(len(power_w)) * spacing_s, float), readings_w, average_s=None)
    energy_j = power.early_s * power.early_w + power.late_s * power.late_w
    # Sums of two products below 500 W x 20 s, in doubles.
    np.testing.assert_allclose(energy_j[1:], readings_w[1:] * spacing_s, rtol=0, atol=1e-8)


@pytest.mark.parametrize("onset_s", [0.1, 0.5, 0.93])
def test_a_step_within_a_second_is_placed_where_it_was(onset_s: float) -> None:
    """A mean over the last second says when in it the power jumped; the die is where it really is."""
    times_s = np.arange(-5.0, 10.0)
    power_w = np.where(times_s <= 0.0, 20.0, 120.0)
    power_w[times_s == 1.0] = 20.0 + 100.0 * (1.0 - onset_s)
    shown_w = lag_responses(held_power(times_s, power_w), [0.4])[:, 0]
    since_s = times_s - onset_s
    truth_w = np.where(since_s > 0, 120.0 - 100.0 * np.exp(-np.maximum(since_s, 0.0) / 0.4), 20.0)
    np.testing.assert_allclose(shown_w, truth_w, rtol=0, atol=1e-9)  # exact but for rounding of 120 W


def test_before_a_mean_of_one_second_the_last_level_holds() -> None:
    """After ten seconds without a look, a reading speaks of the last second alone."""
    power = held_power(np.array([0.0, 10.0, 11.0]), np.array([20.0, 120.0, 120.0]))
    assert power.early_s[1] == pytest.approx(9.0)
    assert power.early_w[1] == 20.0
    assert (power.late_s[1], power.late_w[1]) == (pytest.approx(1.0), 120.0)
