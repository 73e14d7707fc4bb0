"""Rates of five years that were put to an outside program, found by the creep's laws and by the detector.

The series are made anew by their rule: so many per cent a year, a season of 10 %, a scatter of 2 % a day,
one drawn after the other from one generator. rdtools 3.2.1, a public program for the wear of solar modules,
was asked about them; what it said stands here. Its year-on-year method cancels a season. Ours has none that
comes back every year, only a slow wander, and is judged with the season in the series and without it: in a
heat path the air's temperature, where it is read, takes most of it out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from heatdrift.reports.creep_laws import STRAIGHT, forecast_creep
from heatdrift.reports.detection import Detection
from heatdrift.reports.drift import AIRFLOW, INTERFACE, DetectorSettings, detect

Array = npt.NDArray[np.float64]
BEGIN = "2019-01-01T00:00:00Z"
N_DAYS, SEASON, SCATTER = 1826, 0.10, 0.02
YEARS = np.arange(N_DAYS) / 365.0
WEEK, FORTNIGHT = 7, 14


@dataclass(frozen=True)
class Published:
    """What rdtools says [% a year]: year on year with its interval of 68 %, and by least squares."""

    year_on_year: float
    ci68: tuple[float, float]
    least_squares: float


PUBLISHED = {
    -0.5: Published(-0.4974, (-0.5507, -0.3839), -0.4501),
    -2.0: Published(-1.9855, (-2.0782, -1.9150), -2.0394),
    3.0: Published(3.0387, (2.9446, 3.1179), 2.9882),
    0.0: Published(-0.0020, (-0.1086, 0.0977), -0.0333),
}


def made(rate_pct: float) -> tuple[Array, Array]:
    """The series of a rate with its season, and without."""
    rng = np.random.default_rng(1)
    for rate in PUBLISHED:
        noise = 1.0 + SCATTER * rng.standard_normal(N_DAYS)
        if rate == rate_pct:
            break
    without = (1.0 + rate_pct / 100.0 * YEARS) * noise
    return without * (1.0 + SEASON * np.cos(2.0 * np.pi * YEARS)), without


def rows_of(series: Array, every: int) -> pd.DataFrame:
    """Means of so many days, as one row each."""
    n = len(series) // every
    days = pd.Timestamp(BEGIN) + pd.to_timedelta(np.arange(n) * every + (every - 1) / 2.0, unit="D")
    log_ratio = np.log(series[: n * every].reshape(n, every)).mean(axis=1)
    return pd.DataFrame({"log_ratio": log_ratio, "standard_error": SCATTER / np.sqrt(every)}, days)


def straight_rate(rows: pd.DataFrame, wander: float, baseline: float) -> tuple[float, float]:
    """Rate of the straight line and its standard error [% a year]."""
    found = forecast_creep(rows, (BEGIN, BEGIN), baseline_standard_error=baseline, systematic_sd=wander)
    number = next(number for number, one in enumerate(found.members) if one.law == STRAIGHT)
    years = (pd.DatetimeIndex(rows.index)[-1] - pd.Timestamp(BEGIN)) / pd.Timedelta(days=365)
    return 100.0 * float(found.sizes[number]) / years, 100.0 * float(found.size_errors[number]) / years


def said_of(series: Array, settings: DetectorSettings) -> Detection:
    rows = rows_of(series, WEEK)
    rows["log_ratio"] -= rows["log_ratio"].iloc[:FORTNIGHT].mean()
    error = float(rows["standard_error"].iloc[0]) / np.sqrt(FORTNIGHT)
    return detect(rows, FORTNIGHT, error, settings)


@pytest.mark.parametrize("rate_pct", PUBLISHED)
def test_rate_without_the_season_is_that_of_rdtools(rate_pct: float) -> None:
    published = PUBLISHED[rate_pct]
    rate, error = straight_rate(rows_of(made(rate_pct)[1], WEEK), wander=0.0005, baseline=0.01)
    # The scatter of 2 % in 1,826 days leaves 0.03 a year; a baseline that may be off by 1 % adds little.
    assert 0.02 < error < 0.08
    assert abs(rate - rate_pct) < 2.0 * error
    # Least squares of the same days, with the season, which hardly tilts five whole years; its error is 0.1.
    assert rate == pytest.approx(published.least_squares, abs=0.1)
    # year on year, whose interval of 68 % is 0.1 to either side: one and a half of that
    assert rate == pytest.approx(published.year_on_year, abs=0.15)


@pytest.mark.parametrize("rate_pct", PUBLISHED)
def test_rate_with_the_season_is_held_by_an_honest_interval(rate_pct: float) -> None:
    """Told of a wander of 7 %, the root mean square of the season, which may come back or not."""
    published = PUBLISHED[rate_pct]
    rate, error = straight_rate(rows_of(made(rate_pct)[0], WEEK), wander=0.07, baseline=0.1)
    low, high = rate - error, rate + error
    assert low < rate_pct < high and low < published.year_on_year < high
    # Nobody said that it comes back every year: that leaves more than ten times rdtools' error, and no less
    # may be claimed.
    assert 0.6 < error < 1.5


def yearly(trend: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(value * 365.0 / 30.0 for value in trend)


@pytest.mark.parametrize("rate_pct", [-2.0, 3.0])
def test_the_detector_sees_the_creep_and_its_rate(rate_pct: float) -> None:
    said = said_of(made(rate_pct)[1], INTERFACE)
    assert (said.state, said.shape) == ("changed", "creep")
    assert said.trend_pct_per_30d is not None and said.trend_ci95 is not None
    low, high = yearly(said.trend_ci95)
    assert low < rate_pct < high and (low > 0.0 or high < 0.0)
    low, high = said.change_ci95_pct
    assert low < rate_pct * YEARS[-1] < high


@pytest.mark.parametrize("rate_pct", [-0.5, 0.0])
def test_the_detector_holds_what_stays_below_the_smallest_change(rate_pct: float) -> None:
    """Half a per cent a year makes 2.5 % in five: less than the 3.5 % that are an alarm."""
    assert said_of(made(rate_pct)[1], INTERFACE).state == "holding"


@pytest.mark.parametrize("rate_pct", [-0.5, 0.0])
def test_a_season_is_no_creep_to_a_detector_that_was_told_of_it(rate_pct: float) -> None:
    """A season of 10 % is more than double what the airflow part may show unnoticed (4 %)."""
    said = said_of(made(rate_pct)[0], replace(AIRFLOW, systematic_sd=0.07))
    assert said.state == "holding"
