"""Sums of exponentials against certified answers."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from heatdrift.reports.exponentials import ExponentialFit, fit_exponentials
from heatdrift.store.errors import AnalysisError

# NIST Statistical Reference Datasets, Lanczos1 and 3 (C. Lanczos, Applied Analysis, 1956, pp. 272-280): the
# values are this formula at 0, 0.05 ... 1.15, rounded to 13 and to 4 decimals.
LANCZOS = ((0.0951, 1.0), (0.8607, 3.0), (1.5576, 5.0))
LANCZOS3_AMPLITUDES = (0.086816414977, 0.84400777463, 1.5825685901)
LANCZOS3_RATES = (0.95498101505, 2.9515951832, 4.9863565084)
LANCZOS3_SLOWEST_SD = 0.0172  # of the amplitude: five digits pin the slowest term to 20 % only
REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "strd"


def lanczos(decimals: int) -> tuple[np.ndarray, np.ndarray]:
    times = np.arange(24) * 0.05
    values = sum(a * np.exp(-r * times) for a, r in LANCZOS)
    return times, np.round(values, decimals)


def fit_lanczos(decimals: int) -> ExponentialFit:
    return fit_exponentials(*lanczos(decimals), 3, has_level=False)


def test_lanczos1_gives_back_its_formula() -> None:
    """Of 14 digits an ill-conditioned sum of exponentials loses some six to eight."""
    fit = fit_lanczos(13)
    np.testing.assert_allclose(fit.amplitudes, [a for a, _ in LANCZOS], rtol=1e-6)
    np.testing.assert_allclose(fit.rates_per_s, [r for _, r in LANCZOS], rtol=1e-6)


def test_lanczos3_agrees_with_the_certified_values() -> None:
    """To 4.5 digits, as far as a stock double-precision solver gets."""
    fit = fit_lanczos(4)
    np.testing.assert_allclose(fit.amplitudes, LANCZOS3_AMPLITUDES, rtol=10**-4.5)
    np.testing.assert_allclose(fit.rates_per_s, LANCZOS3_RATES, rtol=10**-4.5)
    # The certified standard deviation is quoted with three digits.
    assert fit.amplitude_sds[0] == pytest.approx(LANCZOS3_SLOWEST_SD, abs=0.00005)


@pytest.mark.reference
@pytest.mark.parametrize(("name", "n_terms", "digits"), [("MGH17", 2, 6.0), ("BoxBOD", 1, 7.0)])
def test_certified_sets_that_lie_beside_the_project(name: str, n_terms: int, digits: float) -> None:
    """BoxBOD is b1 (1 - exp(-b2 x)): a level with one exponential of the opposite amplitude."""
    if not REFERENCE.is_dir():
        pytest.skip("no published numbers beside the project")
    certified = json.loads((REFERENCE / "strd_certified.json").read_text())["datasets"][name]
    x, y = np.loadtxt(REFERENCE / f"{name}.csv", delimiter=",", comments="#", skiprows=3).T
    values, sds = certified["certified"], certified["certified_sd"]
    if name == "MGH17":
        fit = fit_exponentials(x, y, n_terms, has_level=True)
        found = [fit.level, *fit.amplitudes, *fit.rates_per_s]
        found_sds = [fit.level_sd, *fit.amplitude_sds, *fit.rate_sds_per_s]
        np.testing.assert_allclose(found_sds, sds, rtol=1e-4)  # a derivative loses half of the digits
    else:
        # The constraint that both are equal is not ours: a point (0, 0) of great weight states it.
        weight = 1e4
        x, y = np.append(x, np.zeros(1)), np.append(y, 0.0)
        fit = fit_weighted_origin(x, y, weight)
        found = [fit.level, *fit.rates_per_s]
        digits = 5.0  # the weight leaves that much room
    np.testing.assert_allclose(found, values, rtol=10**-digits)


def fit_weighted_origin(x: np.ndarray, y: np.ndarray, weight: float) -> ExponentialFit:
    repeats = np.append(np.ones(len(x) - 1, int), int(weight))
    return fit_exponentials(np.repeat(x, repeats), np.repeat(y, repeats), 1, has_level=True)


def test_a_constant_has_no_time_constant() -> None:
    times = np.linspace(0.0, 1.0, 30)
    with pytest.raises(AnalysisError, match="not identifiable"):
        fit_exponentials(times, np.full(30, 40.0), 1, has_level=True)


@pytest.mark.parametrize("n_points", [1, 3, 4])
def test_too_few_points_are_refused(n_points: int) -> None:
    times = np.arange(float(n_points))
    with pytest.raises(AnalysisError, match="not identifiable"):
        fit_exponentials(times, np.exp(-times), 2, has_level=True)
