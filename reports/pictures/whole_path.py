"""Both parts of a path put together at the owner's room and load, by day or by calendar month."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ...store.errors import AnalysisError, TooFewWindowsError
from ..drift import INTERFACE
from ..message_words import MONTHS
from ..part_series import PartSeries
from ..part_settings import airflow_settings
from ..verdict import Verdict
from ..verdict_outlook import PathState
from .day_axis import day_number, day_numbers

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

LEAST_DAYS = 3  # of a month, with load, in both parts
MOST_MONTHS = 24
MONTHS_OF_YEAR = 12


@dataclass(frozen=True, slots=True)
class WholePath:
    """Both parts of a path at the owner's room and load.

    Attributes
    ----------
    ambient_c, power_w
        The room and the load.
    k_per_w, standard_error_k_per_w
        The whole path in the baseline.
    share
        Of the interface part in it.
    limit_c
        Where the source throttles.
    """

    ambient_c: float
    power_w: float
    k_per_w: float
    standard_error_k_per_w: float
    share: float
    limit_c: float

    @staticmethod
    def of(state: PathState) -> WholePath:
        """The path that a verdict was put into numbers for.

        Raises
        ------
        AnalysisError
            A part of it is not known, or the load is not.
        """
        ahead = state.ahead
        if state.interface is None or state.total is None or state.airflow is None:
            raise AnalysisError("the whole path is not known in the baseline", remedy="go on recording")
        if not (math.isfinite(ahead.reference_power_w) and ahead.reference_power_w > 0.0):
            raise AnalysisError(
                "nobody knows at which power: there was no load in the last month",
                remedy="set the power to quote at",
            )
        return WholePath(
            ahead.reference_ambient_c,
            ahead.reference_power_w,
            state.total.k_per_w,
            state.total.standard_error_k_per_w,
            state.interface.k_per_w / state.total.k_per_w,
            ahead.limit_c,
        )

    @property
    def common_error_k(self) -> float:
        """Standard error that all temperatures share [K]."""
        return self.power_w * self.standard_error_k_per_w

    def temperature_c(self, interface: Array, airflow: Array) -> Array:
        """Temperature where both parts have become so much of their baseline [natural logarithms]."""
        ratio = self.share * np.exp(interface) + (1.0 - self.share) * np.exp(airflow)
        return np.asarray(self.ambient_c + self.power_w * self.k_per_w * ratio, float)

    def error_k(self, interface: Array, airflow: Array, errors: tuple[Array, Array]) -> Array:
        """Standard error of that, apart from what all of them share [K]."""
        own, rest = (
            self.share * np.exp(interface) * errors[0],
            (1.0 - self.share) * np.exp(airflow) * errors[1],
        )
        return np.asarray(self.power_w * self.k_per_w * np.hypot(own, rest), float)

    def wander_k(self, verdict: Verdict) -> float:
        """What a healthy path may wander by [K]."""
        own = self.share * INTERFACE.systematic_sd
        rest = (1.0 - self.share) * airflow_settings(verdict.model).systematic_sd
        return self.power_w * self.k_per_w * math.hypot(own, rest)

    def words(self) -> str:
        """Room and load: ``115 W in a 25 °C room``."""
        return f"{self.power_w:.0f} W in a {self.ambient_c:.0f} °C room"


@dataclass(frozen=True, slots=True)
class MonthTemperature:
    """One calendar month.

    Attributes
    ----------
    month
        Its first day.
    temperature_c, standard_error_k
        At the owner's room and load; the error is apart from what all months share.
    n_days
        Days with load.
    """

    month: pd.Timestamp
    temperature_c: float
    standard_error_k: float
    n_days: int

    @property
    def name(self) -> str:
        """``October 2026``."""
        return f"{MONTHS[self.month.month - 1]} {self.month.year}"


def mean_of_days(series: PartSeries, chosen: Flags) -> tuple[float, float]:
    """Level of some days of a series against its baseline and its standard error [log units]."""
    rows = series.rows[chosen]
    value, error = (rows[name].to_numpy(float) for name in ("log_ratio", "standard_error"))
    weights = 1.0 / (error**2 + float(np.median(error)) ** 2)
    weights /= weights.sum()
    mean, n = float(weights @ value), len(rows)
    own = float(np.sum((weights * error) ** 2))
    seen = float(np.sum((weights * (value - mean)) ** 2)) * n / (n - 1) if n > 1 else own
    of_classes = series.classes.of(chosen).standard_error(weights)
    return mean, math.sqrt(max(own, seen) + of_classes**2)


def monthly_temperatures(
    path: WholePath, interface: PartSeries, airflow: PartSeries, *, to_utc_ms: int
) -> list[MonthTemperature]:
    """Temperature at the owner's room and load by calendar month.

    Parameters
    ----------
    path
        In the baseline.
    interface, airflow
        Its parts.
    to_utc_ms
        Nothing from then on is used [ms since 1970].

    Raises
    ------
    TooFewWindowsError
        No month has three days with load.
    """
    found = []
    parts = (interface, airflow)
    days = [pd.DatetimeIndex(part.rows.index) for part in parts]
    months = [np.asarray(one.year * MONTHS_OF_YEAR + one.month - 1, np.int64) for one in days]
    before = [np.asarray(day_numbers(one) < day_number(to_utc_ms)) for one in days]
    for month in np.intersect1d(months[0], months[1])[-MOST_MONTHS:]:
        chosen = [np.asarray(numbers == month) & known for numbers, known in zip(months, before, strict=True)]
        n_days = min(int(one.sum()) for one in chosen)
        if n_days < LEAST_DAYS:
            continue
        (own, own_error), (rest, rest_error) = (
            mean_of_days(part, which) for part, which in zip(parts, chosen, strict=True)
        )
        levels = np.array([own]), np.array([rest])
        error_k = path.error_k(*levels, (np.array([own_error]), np.array([rest_error])))
        year, number = divmod(int(month), MONTHS_OF_YEAR)
        found.append(
            MonthTemperature(
                pd.Timestamp(year=year, month=number + 1, day=1, tz="UTC"),
                float(path.temperature_c(*levels)[0]),
                float(error_k[0]),
                n_days,
            )
        )
    if not found:
        raise TooFewWindowsError(
            f"no month has {LEAST_DAYS} days with load after the baseline began", remedy="go on recording"
        )
    return found
