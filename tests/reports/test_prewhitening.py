"""Noise of days against statsmodels, and the filter against the covariance matrix that it stands for."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from statsmodels.tsa.arima.model import ARIMA

from heatdrift.reports.prewhitening import WANDER_DAYS, DayNoise, HealthyDays, Whitener, learn_noise, whiten
from heatdrift.store.errors import TooFewWindowsError

Array = npt.NDArray[np.float64]
REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "change"
NOTHING_ELSE = 1e-9  # a wander and an offset that do not count


def ar1(rng: np.random.Generator, days: Array, memory: float) -> Array:
    values = rng.standard_normal(len(days))
    for i in range(1, len(days)):
        kept = memory ** (days[i] - days[i - 1])
        values[i] = kept * values[i - 1] + np.sqrt(1.0 - kept**2) * values[i]
    return values


@pytest.mark.parametrize("memory", [0.0, 0.3, 0.6])
def test_noise_of_a_long_regular_series_is_that_of_statsmodels(memory: float) -> None:
    n = 2000
    days = np.arange(n, dtype=float)
    values = 0.02 * ar1(np.random.default_rng(3), days, memory)
    noise = learn_noise(days, values, np.full(n, 0.02), is_shrunk=False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = ARIMA(values, order=(1, 0, 0), trend="c").fit()
    phi, innovation_variance = float(fit.params[1]), float(fit.params[2])
    # The broken line takes a column for 45 rows: memory comes out lower by (1 + 3 phi) / 45.
    assert max(phi, 0.0) - (1.0 + 3.0 * phi) / 45.0 - 0.01 <= noise.autocorrelation <= max(phi, 0.0) + 0.01
    stationary = np.sqrt(innovation_variance / (1.0 - phi**2)) / 0.02
    assert noise.scale == pytest.approx(stationary, rel=0.05)


def test_noise_learned_with_gaps_is_right_on_average() -> None:
    rng = np.random.default_rng(8)
    found = []
    for _ in range(100):
        days = np.sort(rng.choice(260, 120, replace=False)).astype(float)
        errors = 0.02 * rng.lognormal(0.0, 0.3, 120)
        noise = learn_noise(days, 1.4 * errors * ar1(rng, days, 0.4), errors)
        found.append((noise.autocorrelation, noise.scale))
    memory, scale = np.mean(found, axis=0)
    assert memory == pytest.approx(0.4, abs=0.06)  # pulled towards the usual 0.3, by about a third of the way
    assert scale == pytest.approx(1.4, rel=0.06)  # pulled towards 1 by 8 rows in 128


def test_creep_and_step_do_not_count_as_memory() -> None:
    rng = np.random.default_rng(4)
    days = np.arange(90.0)
    values = 0.015 * rng.standard_normal(90) + 0.003 * np.maximum(days - 30.0, 0.0)
    assert learn_noise(days, values, np.full(90, 0.015)).autocorrelation < 0.3


def test_refuses_what_is_too_short() -> None:
    with pytest.raises(TooFewWindowsError, match="7 days, 8 are needed"):
        learn_noise(np.arange(7.0), np.zeros(7), np.ones(7))


def test_filter_is_the_inverse_root_of_the_covariance() -> None:
    rng = np.random.default_rng(1)
    days = np.cumsum(rng.integers(1, 9, 60)).astype(float)
    errors = rng.uniform(0.01, 0.03, 60)
    healthy = HealthyDays(DayNoise(0.4, 1.3, 0), 0.01, 0.02)
    apart = np.abs(days[:, None] - days[None, :])
    rate = np.sqrt(3.0) / WANDER_DAYS
    covariance = (
        0.01**2
        + 0.02**2
        + 0.02**2 * (1.0 + rate * apart) * np.exp(-rate * apart)
        + 1.3**2 * np.outer(errors, errors) * 0.4**apart
    )
    columns = rng.normal(size=(60, 3))
    direct = np.linalg.solve(np.linalg.cholesky(covariance), columns)
    # both in double precision; the covariance has a condition of some 1e4
    np.testing.assert_allclose(whiten(days, errors, columns, healthy), direct, atol=1e-10)


def test_column_that_comes_late_was_zero_before() -> None:
    days, errors = np.arange(10.0), np.full(10, 0.02)
    healthy = HealthyDays(DayNoise(0.5, 1.0, 0), 0.01, 0.02)
    step = np.where(days >= 6.0, 1.0, 0.0)
    whole = whiten(days, errors, np.column_stack([days, step]), healthy)
    whitener = Whitener(healthy)
    late = [
        whitener.row(day, 0.02, np.array([day, 1.0] if day >= 6.0 else [day]))[-1] for day in days.tolist()
    ]
    np.testing.assert_allclose(late[6:], whole[6:, 1])


def cusum_run(values: Array, k: float = 0.5, h: float = 5.0) -> int:
    """Length until the first signal of the tabular CUSUM, or of the whole."""
    high = low = 0.0
    for number, value in enumerate(values.tolist(), start=1):
        high, low = max(0.0, high + value - k), max(0.0, low - value - k)
        if max(high, low) > h:
            return number
    return len(values)


@pytest.mark.parametrize("memory", [0.0, 0.5])
def test_run_length_of_a_cusum_on_whitened_days_is_the_published_one(memory: float) -> None:
    """ARL0 465, two-sided, k 0.5, h 5: Montgomery & Runger, Applied Statistics, table 16-9. On AR(1) days
    with a memory of 0.5 that are not whitened it is 52 (simulated beside the project)."""
    rng = np.random.default_rng(2)
    healthy = HealthyDays(DayNoise(memory, 1.0, 0), NOTHING_ELSE, NOTHING_ELSE)
    n_runs, n_days = 600, 3000
    steps = rng.integers(1, 4, n_days).astype(float)
    days = np.cumsum(steps)
    series = np.column_stack([0.02 * ar1(rng, days, memory) for _ in range(n_runs)])
    white = whiten(days, np.full(n_days, 0.02), series, healthy)
    lengths = [cusum_run(white[:, run]) for run in range(n_runs)]
    # run lengths are nearly geometric: relative error 1 / sqrt(600) = 4.1 %, held to 3 of these
    assert np.mean(lengths) == pytest.approx(465, rel=0.125)


@pytest.mark.reference
def test_stable_heat_flow_meter_raises_no_alarm_once_whitened() -> None:
    """NIST ZARR13: stable, lag-1 autocorrelation 0.28; a plain CUSUM 0.5/5 raises 3 false alarms."""
    if not REFERENCE.exists():
        pytest.skip("the published series lie beside the project")
    values = pd.read_csv(REFERENCE / "zarr13_heat_flow_meter.csv", comment="#").iloc[:, -1].to_numpy(float)
    centred = values - values.mean()
    spread = float(centred.std(ddof=1))
    assert cusum_run(centred / spread) < len(values)
    days, errors = np.arange(float(len(values))), np.full(len(values), spread)
    noise = learn_noise(days, centred, errors)
    assert 0.2 < noise.autocorrelation < 0.36
    white = whiten(days, errors, centred[:, None], HealthyDays(noise, NOTHING_ELSE, NOTHING_ELSE))
    assert cusum_run(white[:, 0]) == len(values)
