"""A joint that changed, seen through the time constants that it had before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_steps import looks_frame

from heatdrift.reports.answer_curve import UNCERTAIN_SHARE, answer_curve
from heatdrift.reports.lags import held_power, lag_responses
from heatdrift.reports.steps import fit_steps
from heatdrift.reports.time_constants import TimeConstants

INTERFACE_S, PLATE_S, OLD_K_PER_W = 0.8, 14.0, 0.10


def test_nothing_changed_is_seen_as_nothing() -> None:
    true, slope = answer_curve(INTERFACE_S, PLATE_S).true_log_ratio(np.array([0.0]), np.array([1.0]))
    assert true[0] == pytest.approx(0.0, abs=1e-12)
    assert slope[0] > 1.0  # less is seen than is


def test_a_faster_die_hides_less() -> None:
    seen = np.log([1.15])
    fast, slow = (
        float(answer_curve(tau_s, PLATE_S).true_log_ratio(seen, seen)[0][0]) for tau_s in (0.2, 1.2)
    )
    assert 0.139 < fast < slow


def test_a_die_too_slow_to_tell_widens_the_error() -> None:
    curve = answer_curve(1.6, PLATE_S)
    _, slopes = curve.true_log_ratio(np.array([0.02, 0.16]), np.array([1.0, 1.0]))
    assert slopes[1] > 1.2 * slopes[0]


def seen_k_per_w(ratio: float) -> float:
    """Mean interface part of real fits of made steps, without noise, sensors without steps."""
    rng = np.random.default_rng(1)
    n_steps = 24
    times_s = 1e9 + np.arange(180.0 * n_steps)
    onsets_s = 1e9 + 90.0 + 180.0 * np.arange(n_steps) + rng.uniform(0.0, 9.0, n_steps)
    fine_s = np.sort(np.concatenate([times_s, onsets_s]))
    level_w = np.where(np.searchsorted(onsets_s, fine_s, "left") % 2 == 1, 100.0, 20.0)
    true = held_power(fine_s, level_w, average_s=None)
    flat = replace(true, early_s=0.0 * true.early_s, late_s=true.early_s + true.late_s, late_w=level_w)
    # Resistance and time constant of the joint grow together; plate and sink stay.
    answers_w = lag_responses(flat, [INTERFACE_S * ratio, PLATE_S, 200.0])
    energy_j = np.concatenate([[0.0], np.cumsum(np.diff(fine_s) * level_w[1:])])
    shown_w = np.interp(times_s, fine_s, energy_j) - np.interp(times_s - 1.0, fine_s, energy_j)
    shown_w[0] = shown_w[1]
    die_c = 30.0 + np.interp(times_s, fine_s, answers_w @ np.array([OLD_K_PER_W * ratio, 0.08, 0.3]))
    constants = TimeConstants(INTERFACE_S, PLATE_S, 0.0, 0.0, OLD_K_PER_W, 0.0, (0.1,), n_steps)
    steps = fit_steps(looks_frame(times_s, die_c, shown_w), constants)
    return float(np.mean([s.interface_resistance_k_per_w for s in steps if not s.not_identifiable]))


@pytest.mark.parametrize("ratio", [0.7, 1.2, 1.375])
def test_what_steps_show_is_turned_back_into_what_is(ratio: float) -> None:
    seen = np.log(seen_k_per_w(ratio) / seen_k_per_w(1.0))
    found = float(
        np.exp(answer_curve(INTERFACE_S, PLATE_S).true_log_ratio(np.array([seen]), np.array([0.01]))[0][0])
    )
    # The quarter that depends on what came before each step, and a hundredth for a sink that is another.
    assert abs(np.log(found / ratio)) <= UNCERTAIN_SHARE * abs(np.log(ratio) - seen) + 0.01
    assert abs(np.log(ratio) - seen) > 0.02  # else there was nothing to turn back
