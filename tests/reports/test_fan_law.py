"""The fan law against truths that were put in."""

from __future__ import annotations

import numpy as np
import pytest

from heatdrift.reports.fan_law import fit_fan_law
from heatdrift.store.errors import AnalysisError, TooFewWindowsError

SPEEDS_RPM = np.linspace(900.0, 5000.0, 24)
ERROR_K_PER_W = 0.002  # half a per cent of 0.4 K/W: what a month of windows at one speed leaves


def law(exponent: float, rng: np.random.Generator | None = None) -> tuple[np.ndarray, np.ndarray]:
    resistance = 0.15 + 0.2 * (SPEEDS_RPM / np.median(SPEEDS_RPM)) ** -exponent
    noise = 0.0 if rng is None else rng.normal(0.0, ERROR_K_PER_W, len(SPEEDS_RPM))
    return SPEEDS_RPM, resistance + noise


@pytest.mark.parametrize("exponent", [0.5, 0.65, 0.8])
def test_exact_law_comes_back(exponent: float) -> None:
    fit = fit_fan_law(*law(exponent), ERROR_K_PER_W)
    # The search has a step of 0.005, and these lie on it.
    assert fit.exponent == pytest.approx(exponent, abs=1e-9)
    assert (fit.still_k_per_w, fit.moved_k_per_w) == pytest.approx((0.15, 0.2), rel=1e-9)
    assert fit.resistance_k_per_w(SPEEDS_RPM) == pytest.approx(law(exponent)[1], rel=1e-9)


@pytest.mark.parametrize("exponent", [0.5, 0.8])
def test_exponent_of_laminar_and_turbulent_flow_is_held_by_its_interval(exponent: float) -> None:
    rng = np.random.default_rng(7)
    n_trials, n_held, found = 200, 0, []
    for _ in range(n_trials):
        fit = fit_fan_law(*law(exponent, rng), ERROR_K_PER_W)
        n_held += fit.exponent_low <= exponent <= fit.exponent_high
        found.append(fit.exponent)
        assert 0.4 <= fit.exponent <= 0.9
    assert abs(np.median(found) - exponent) < 0.05  # a third of the distance between the two kinds of flow
    # 95 % of 200 with a standard deviation of 1.5 %; the bounds of the search can only add.
    assert n_held / n_trials > 0.905


def test_doubled_speed_cuts_what_air_moves_by_the_textbook_share() -> None:
    """29.3 % in laminar and 42.6 % in turbulent flow (Baehr and Stephan): 1 - 2^-n."""
    for exponent, share in ((0.5, 0.293), (0.8, 0.426)):
        fit = fit_fan_law(*law(exponent), ERROR_K_PER_W)
        slow, fast = fit.resistance_k_per_w([2000.0, 4000.0]) - fit.still_k_per_w
        assert 1.0 - fast / slow == pytest.approx(share, abs=0.0005)


def test_two_close_speeds_say_that_the_exponent_is_unknown() -> None:
    speeds = np.array([3000.0, 3000.0, 3700.0, 3700.0])
    fit = fit_fan_law(speeds, 0.15 + 0.2 * (speeds / 3300.0) ** -0.7, ERROR_K_PER_W)
    assert not fit.is_exponent_known
    assert fit.still_error_k_per_w > 10 * ERROR_K_PER_W


def test_no_extrapolation() -> None:
    fit = fit_fan_law(*law(0.6), ERROR_K_PER_W, is_intended=True)
    assert np.isnan(fit.resistance_k_per_w([400.0, 8000.0])).all()
    assert fit.is_intended


@pytest.mark.parametrize(
    ("speeds", "resistances", "reason"),
    [
        ([1000.0, 1010.0, 1020.0, 1030.0], [0.3, 0.3, 0.3, 0.3], "varies by a factor of 1.03"),
        ([0.0, 1000.0, 2000.0, 3000.0], [0.5, 0.3, 0.2, 0.2], "not above 0"),
        ([1000.0, 2000.0, 3000.0, 4000.0], [0.2, 0.3, 0.4, 0.5], "does not cool more"),
    ],
)
def test_no_law_out_of_nothing(speeds: list[float], resistances: list[float], reason: str) -> None:
    with pytest.raises(AnalysisError, match=reason):
        fit_fan_law(speeds, resistances, ERROR_K_PER_W)


def test_too_few_speeds() -> None:
    with pytest.raises(TooFewWindowsError, match="2 fan speeds"):
        fit_fan_law([1000.0, 2000.0], [0.3, 0.2], ERROR_K_PER_W)
