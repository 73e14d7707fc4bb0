"""Linear fits against certified values and a second library."""

from __future__ import annotations

import numpy as np
import pytest

from heatdrift.reports.regression import autocorrelation_covariance, fit_huber, fit_linear, lags_of
from heatdrift.store.errors import AnalysisError, TooFewWindowsError

SEED = 3


def random_rows(n_rows: int = 120) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(SEED)
    design = np.column_stack([np.ones(n_rows), rng.uniform(10, 140, n_rows), rng.normal(0, 2, n_rows)])
    target = design @ [22.0, 0.3, -1.0] + rng.normal(0, 1.0, n_rows)
    target[::17] += 25.0
    return design, target


def test_longley_is_certified() -> None:
    """Six columns that move together, from statsmodels; NIST/ITL StRD certified values."""
    datasets = pytest.importorskip("statsmodels.datasets", reason="statsmodels carries the data")
    longley = datasets.longley.load_pandas()
    design = np.column_stack([np.ones(16), longley.exog.to_numpy(float)])
    fit = fit_linear(design, longley.endog.to_numpy(float))
    certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910e-01,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-01,
        1829.15146461355,
    ]
    errors = [
        890420.383607373,
        84.9149257747669,
        0.334910077722432e-01,
        0.488399681651699,
        0.214274163161675,
        0.226073200069370,
        455.478499142212,
    ]
    # A stock double-precision solver reaches 11 digits; one of them is left for the platform.
    assert fit.coefficients == pytest.approx(certified, rel=1e-10)
    assert fit.standard_errors == pytest.approx(errors, rel=1e-10)
    assert fit.residual_sd == pytest.approx(304.854073561965, rel=1e-10)


def test_what_moves_together_is_refused() -> None:
    x = np.linspace(0.0, 100.0, 50)
    with pytest.raises(AnalysisError, match="not identifiable: cpu0, gpu0 move together"):
        fit_linear(np.column_stack([x, 2.0 * x]), x, ("cpu0", "gpu0"))
    with pytest.raises(AnalysisError, match="gpu0 is always 0"):
        fit_linear(np.column_stack([x, 0.0 * x]), x, ("cpu0", "gpu0"))


def test_powers_up_to_the_tenth_are_refused() -> None:
    """What makes NIST's Filip unsolvable: a polynomial of degree ten over -9 to -3."""
    x = np.linspace(-8.78, -3.13, 82)
    with pytest.raises(AnalysisError, match="condition number"):
        fit_linear(np.vander(x, 11), np.sin(x))


def test_too_little_is_refused() -> None:
    with pytest.raises(TooFewWindowsError, match="2 rows for 2 unknowns"):
        fit_linear([[1.0, 2.0], [1.0, 3.0]], [1.0, 2.0])
    with pytest.raises(AnalysisError, match="not finite"):
        fit_linear([[1.0], [np.nan], [1.0]], [1.0, 2.0, 3.0])


def test_plain_fit_equals_statsmodels() -> None:
    linear_model = pytest.importorskip("statsmodels.api", reason="the live reference")
    design, target = random_rows()
    ours, theirs = fit_linear(design, target), linear_model.OLS(target, design).fit()
    # Two ways through the same algebra in double precision.
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-10)
    assert ours.covariance == pytest.approx(theirs.cov_params(), rel=1e-9)


@pytest.mark.parametrize("n_lags", [0, 1, 7])
def test_covariance_under_autocorrelation_equals_statsmodels(n_lags: int) -> None:
    linear_model = pytest.importorskip("statsmodels.api", reason="the live reference")
    design, target = random_rows()
    ours = autocorrelation_covariance(design, fit_linear(design, target), n_lags)
    theirs = linear_model.OLS(target, design).fit(
        cov_type="HAC", cov_kwds={"maxlags": n_lags, "use_correction": True}
    )
    assert ours == pytest.approx(theirs.cov_params(), rel=1e-9)  # the same algebra in double precision


def test_robust_fit_equals_statsmodels() -> None:
    linear_model = pytest.importorskip("statsmodels.api", reason="the live reference")
    design, target = random_rows()
    ours = fit_huber(design, target)
    theirs = linear_model.RLM(target, design, M=linear_model.robust.norms.HuberT()).fit(
        scale_est="mad", tol=1e-12, maxiter=200, conv="coefs"
    )
    # Both iterate until nothing moves by more than 1e-10.
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-7)
    assert ours.residual_sd == pytest.approx(theirs.scale, rel=1e-7)
    assert ours.standard_errors == pytest.approx(theirs.bse, rel=1e-6)


def test_outliers_do_not_move_a_robust_fit() -> None:
    design, target = random_rows()
    plain, robust = fit_linear(design, target), fit_huber(design, target)
    truth = [22.0, 0.3, -1.0]
    # Eight rows of 120 lie 25 off: they lift the plain fit by about 25 * 8 / 120 = 1.7.
    assert abs(plain.coefficients - truth)[0] > 1.0
    assert (abs(robust.coefficients - truth) < 3.5 * robust.standard_errors).all()
    assert (robust.weights[::17] < 0.2).all()


def test_rows_that_fit_exactly_need_no_robustness() -> None:
    x = np.linspace(1.0, 5.0, 9)
    fit = fit_huber(np.column_stack([np.ones(9), x]), 2.0 + 3.0 * x)
    assert fit.coefficients == pytest.approx([2.0, 3.0], rel=1e-12)


@pytest.mark.parametrize("fit", [fit_linear, fit_huber])
def test_errors_are_honest_under_autocorrelation(fit: type) -> None:
    """Noise that remembers half of itself, a covariate that does too: the case where plain errors lie."""
    rng = np.random.default_rng(SEED)
    n_trials, n_rows, honest, plain = 300, 400, 0, 0
    for _ in range(n_trials):
        noise, slow = remembering(rng, n_rows), remembering(rng, n_rows)
        design = np.column_stack([np.ones(n_rows), slow])
        made = fit(design, noise)
        error = autocorrelation_covariance(design, made)[1, 1] ** 0.5
        honest += abs(made.coefficients[1]) < 1.96 * error
        plain += abs(made.coefficients[1]) < 1.96 * made.standard_errors[1]
    # Kernel estimates fall a few points short of 95 % at this length; the plain errors lie far off.
    assert honest / n_trials > 0.89
    assert plain / n_trials < 0.85


def test_lags_grow_with_memory() -> None:
    rng = np.random.default_rng(SEED)
    assert lags_of(rng.normal(size=1000)) < 4 < lags_of(remembering(rng, 1000))
    assert lags_of([1.0, 2.0]) == 0
    assert lags_of(np.zeros(10)) == 0


def remembering(rng: np.random.Generator, n_rows: int) -> np.ndarray:
    values, fresh = np.zeros(n_rows), rng.normal(size=n_rows)
    for row in range(1, n_rows):
        values[row] = 0.7 * values[row - 1] + fresh[row]
    return values
