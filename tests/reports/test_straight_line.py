"""Straight lines against certified and published results."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from heatdrift.reports.straight_line import StraightLine, fit_line, fit_line_both, fit_line_through_origin
from heatdrift.store.errors import AnalysisError, TooFewWindowsError

# NIST/ITL StRD certified values: https://www.itl.nist.gov/div898/strd/lls/lls.shtml
NORRIS = {
    "intercept": -0.262323073774029,
    "slope": 1.00211681802045,
    "intercept_error": 0.232818234301152,
    "slope_error": 0.429796848199937e-03,
    "residual_sd": 0.884796396144373,
}
# Annex H.3 of JCGM 100:2008 (GUM): a thermometer's correction b over its reading t, t0 = 20 °C.
GUM_T_C = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
GUM_B_C = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
PRINTED = 0.5  # of the last digit printed
SEED = 11


def norris() -> tuple[np.ndarray, np.ndarray]:
    path = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not path.exists():
        pytest.skip("this scipy was packed without its test data")
    y, x = np.loadtxt(path.read_text().splitlines()[60:], unpack=True)
    return x, y


@pytest.mark.parametrize("name", NORRIS)
def test_line_is_that_of_norris(name: str) -> None:
    line = fit_line(*norris())
    # A stock double-precision solver reaches 12 digits of this set.
    assert getattr(line, name) == pytest.approx(NORRIS[name], rel=1e-12)


@pytest.mark.parametrize(
    ("x", "y", "slope", "error"),
    [
        # NoInt1 and NoInt2 of the same collection.
        (range(60, 71), range(130, 141), 2.07438016528926, 0.0165289256198347),
        ((4, 5, 6), (3, 4, 4), 0.727272727272727, 0.0420827318078432),
    ],
)
def test_line_through_the_origin_is_certified(x: list[int], y: list[int], slope: float, error: float) -> None:
    line = fit_line_through_origin(list(x), list(y))
    # Well conditioned: the 15 digits certified, less rounding in the sums.
    assert line.slope == pytest.approx(slope, rel=1e-13)
    assert line.slope_error == pytest.approx(error, rel=1e-12)
    assert line.at(0.0) == (0.0, 0.0)
    assert line.correlation == 0.0


def test_thermometer_of_the_gum() -> None:
    line = fit_line(np.array(GUM_T_C) - 20.0, GUM_B_C)
    assert line.intercept == pytest.approx(-0.1712, abs=PRINTED * 1e-4)
    assert line.intercept_error == pytest.approx(0.0029, abs=PRINTED * 1e-4)
    assert line.slope == pytest.approx(0.00218, abs=PRINTED * 1e-5)
    assert line.slope_error == pytest.approx(0.00067, abs=PRINTED * 1e-5)
    assert line.correlation == pytest.approx(-0.930, abs=PRINTED * 1e-3)
    at_30, error = line.at(10.0)
    assert at_30 == pytest.approx(-0.1494, abs=PRINTED * 1e-4)
    # 0.0073 where the correlation of intercept and slope is forgotten.
    assert error == pytest.approx(0.0041, abs=PRINTED * 1e-4)


@pytest.mark.parametrize(
    ("y", "y_sd", "published"),
    [
        # ISO/TS 28037:2010, 6.3, pages 13 and 15: a, u(a), b, u(b), cov, chi squared.
        (
            (3.3, 5.6, 7.1, 9.3, 10.7, 12.1),
            0.5,
            (1.867, 0.465, 1.757, 0.120, -0.050, 1.665),
        ),
        (
            (3.2, 4.3, 7.6, 8.6, 11.7, 12.8),
            (0.5, 0.5, 0.5, 1.0, 1.0, 1.0),
            (0.885, 0.530, 2.057, 0.178, -0.082, 4.131),
        ),
    ],
)
def test_lines_of_iso_28037(
    y: tuple[float, ...], y_sd: float | tuple[float, ...], published: tuple[float, ...]
) -> None:
    line = fit_line([1, 2, 3, 4, 5, 6], y, y_sd)
    assert values_of(line) == pytest.approx(published, abs=PRINTED * 1e-3 + 1e-9)
    assert not line.is_scaled


def test_inverse_of_iso_28037() -> None:
    line = fit_line([1, 2, 3, 4, 5, 6], [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], 0.5)
    assert line.inverse(10.5, 0.5) == pytest.approx((4.913, 0.322), abs=PRINTED * 1e-3)


def test_unknown_common_sigma_of_iso_28037() -> None:
    """Annex E, pages 58-59: errors scaled by the residuals."""
    line = fit_line([1, 2, 3, 4, 5, 6], [3.014, 5.225, 7.004, 9.061, 11.201, 12.762])
    published = (1.172, 0.159, 1.964, 0.041, -0.006)
    assert values_of(line)[:5] == pytest.approx(published, abs=PRINTED * 1e-3 + 1e-9)
    assert line.is_scaled


def test_errors_in_both_of_iso_28037() -> None:
    """Clause 7.4, page 21."""
    line = fit_line_both(
        [1.2, 1.9, 2.9, 4.0, 4.7, 5.9],
        [3.4, 4.4, 7.2, 8.5, 10.8, 13.5],
        0.2,
        [0.2, 0.2, 0.2, 0.4, 0.4, 0.4],
    )
    # Implementations differ by 0.8 % in the errors with where they stop; in the line itself by 4e-4.
    assert (line.intercept, line.slope) == pytest.approx((0.5788, 2.159), rel=5e-4)
    assert (line.intercept_error, line.slope_error) == pytest.approx((0.4764, 0.1355), rel=0.01)
    assert line.chi_squared == pytest.approx(2.743, abs=PRINTED * 1e-3)


def test_pearson_with_the_weights_of_york() -> None:
    """York et al., Am. J. Phys. 72 (2004) 367, table II; errors not scaled by the scatter."""
    x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    x_weight = np.array([1000.0, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
    y_weight = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    line = fit_line_both(x, y, x_weight**-0.5, y_weight**-0.5)
    # Digits as published: 12 of the line, 9 of its errors.
    assert (line.intercept, line.slope) == pytest.approx((5.47991022403, -0.48053340745), rel=1e-10)
    assert (line.intercept_error, line.slope_error) == pytest.approx((0.294970735, 0.057985009), rel=1e-8)
    assert line.chi_squared / line.degrees_of_freedom == pytest.approx(1.483294149, rel=1e-9)


def test_exact_x_is_the_limit_of_errors_in_both() -> None:
    x, y = [1.0, 2, 3, 4, 5, 6], [3.2, 4.3, 7.6, 8.6, 11.7, 12.8]
    one, both = fit_line(x, y, 0.5), fit_line_both(x, y, 1e-9, 0.5)
    assert values_of(both) == pytest.approx(values_of(one), rel=1e-9)


def test_interval_holds_the_truth_as_often_as_it_claims() -> None:
    rng = np.random.default_rng(SEED)
    power_w = np.linspace(20.0, 140.0, 12)
    n_trials, n_held = 600, 0
    for _ in range(n_trials):
        line = fit_line_both(
            power_w + rng.normal(0, 3.0, 12), 25 + 0.3 * power_w + rng.normal(0, 0.5, 12), 3.0, 0.5
        )
        n_held += abs(line.slope - 0.3) < 1.96 * line.slope_error
    # Binomial: 95 % of 600 with a standard deviation of 0.9 %, three of them, and 0.7 for the bending.
    assert n_held / n_trials == pytest.approx(0.95, abs=0.034)


def test_moments_far_from_zero_cost_no_digits() -> None:
    near = fit_line([0.0, 1, 2, 3], [1.0, 3, 2, 5])
    far = fit_line(np.array([0.0, 1, 2, 3]) + 1_767_225_600.0, [1.0, 3, 2, 5])
    assert (far.slope, far.slope_error) == pytest.approx((near.slope, near.slope_error), rel=1e-9)


@pytest.mark.parametrize(
    ("x", "y", "reason"),
    [
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], "all x are the same"),
        ([1.0, math.nan, 3.0], [1.0, 2.0, 3.0], "not finite"),
    ],
)
def test_no_number_out_of_nothing(x: list[float], y: list[float], reason: str) -> None:
    with pytest.raises(AnalysisError, match=f"not identifiable: .*{reason}"):
        fit_line(x, y)


def test_too_little_is_refused() -> None:
    with pytest.raises(TooFewWindowsError, match="2 points"):
        fit_line([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(AnalysisError, match="all x are 0"):
        fit_line_through_origin([0.0, 0.0], [1.0, 2.0])
    with pytest.raises(AnalysisError, match="above 0"):
        fit_line([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], 0.0)
    with pytest.raises(AnalysisError, match="flat"):
        fit_line([1.0, 2.0, 3.0], [1.0, 1.0, 1.0]).inverse(2.0)


def values_of(line: StraightLine) -> tuple[float, ...]:
    return (
        line.intercept,
        line.intercept_error,
        line.slope,
        line.slope_error,
        line.covariance,
        line.chi_squared,
    )
