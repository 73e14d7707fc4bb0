"""How warm would it be at the owner's room and load? Month by month, so that seasons and games fall out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from ...store.errors import AnalysisError, TooFewWindowsError
from ..baseline import NORMAL_95
from ..drift import INTERFACE
from ..judgement import airflow_settings
from ..message_words import MONTHS
from ..part_series import PartSeries
from ..reference_conditions import ReferenceConditions
from ..verdict import Verdict
from ..verdict_outlook import PathState
from .day_axis import day_number, day_numbers, span_words
from .picture import ALARM, BAND, INK, NOW, THEN, Picture, new_figure

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

LEAST_DAYS = 3  # of a month, with load, in both parts
MOST_MONTHS = 24
MOST_LABELS = 9
MONTHS_OF_YEAR = 12
ROOM_K = 3.0  # above and below what is drawn


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


def monthly_temperature_picture(
    verdict: Verdict,
    state: PathState,
    conditions: ReferenceConditions,
    *,
    from_utc_ms: int,
    to_utc_ms: int,
) -> Picture:
    """Temperature at the owner's room and load by calendar month, and the limit.

    Parameters
    ----------
    verdict, state
        Of one source.
    conditions
        Room and load that were asked for.
    from_utc_ms, to_utc_ms
        The stretch that is reported; nothing after it is used [ms since 1970].
    """
    key = f"{verdict.source}-monthly"
    question = f"How warm would {verdict.source} be at your room and load?"
    reason = verdict.interface.reason or verdict.airflow.reason
    if verdict.interface.series is None or verdict.airflow.series is None:
        return Picture(key, question, span_words(from_utc_ms, to_utc_ms), "", None, reason)
    try:
        path = WholePath.of(state)
        months = monthly_temperatures(
            path, verdict.interface.series, verdict.airflow.series, to_utc_ms=to_utc_ms
        )
    except AnalysisError as why:
        return Picture(key, question, span_words(from_utc_ms, to_utc_ms), "", None, str(why))
    figure, (axes,) = new_figure(height_in=2.8)
    _draw_months(axes, months, path)
    _draw_limit(axes, months, path)
    n_days = sum(month.n_days for month in months)
    begin = max(months[0].month, verdict.interface.series.rows.index[0])
    window = span_words(round(begin.timestamp() * 1000), to_utc_ms, n_days)
    said = _description(path, months)
    if math.isnan(conditions.power_w(verdict.source, math.nan)):
        said += f" {path.power_w:.0f} W are what is usual under load."
    return Picture(key, monthly_title(verdict, path, months), window, said, figure)


def monthly_title(verdict: Verdict, path: WholePath, months: Sequence[MonthTemperature]) -> str:
    """The newest month, and what became of it since the first."""
    first, last = months[0], months[-1]
    said = f"At {path.words()} {verdict.source} would be at {last.temperature_c:.0f} °C"
    if first is last:
        return said
    more = last.temperature_c - first.temperature_c
    # Where nothing was found, a healthy wander is no news either.
    wander_k = path.wander_k(verdict) if verdict.leading is None else 0.0
    error_k = math.hypot(first.standard_error_k, last.standard_error_k, wander_k)
    is_seen = abs(more) > NORMAL_95 * error_k
    when = MONTHS[first.month.month - 1] if (last.month - first.month).days < 360 else first.name
    if not is_seen or round(abs(more)) == 0:
        return f"{said}, as in {when}"
    return f"{said}, {abs(more):.0f} K {'more' if more > 0.0 else 'less'} than in {when}"


def _description(path: WholePath, months: Sequence[MonthTemperature]) -> str:
    said = "; ".join(
        f"{month.name} {month.temperature_c:.1f} ± {NORMAL_95 * month.standard_error_k:.1f} °C"
        for month in dict.fromkeys((months[0], months[-1]))
    )
    return (
        f"By month, with 95 % intervals: {said}. All of them together may lie "
        f"{NORMAL_95 * path.common_error_k:.1f} K higher or lower. The limit is {path.limit_c:.0f} °C."
    )


def _draw_months(axes: Axes, months: Sequence[MonthTemperature], path: WholePath) -> None:
    first = months[0].month
    places = np.array(
        [(one.month.year - first.year) * MONTHS_OF_YEAR + one.month.month - first.month for one in months]
    )
    level = np.array([one.temperature_c for one in months])
    half = NORMAL_95 * np.array([one.standard_error_k for one in months])
    common = NORMAL_95 * path.common_error_k
    axes.fill_between(places, level - common, level + common, color=BAND, lw=0)
    axes.plot(places, level, color=THEN, lw=1.0)
    axes.errorbar(places, level, half, fmt="o", color=NOW, ms=5.0, capsize=3.0, lw=1.4)
    every = -(-len(months) // MOST_LABELS)
    names = []
    for number, month in enumerate(months):
        is_named = number == 0 or (len(months) - 1 - number) % every == 0
        has_year = number == 0 or month.month.year != months[number - 1].month.year
        year = f"\n{month.month.year}" if has_year else ""
        names.append(f"{MONTHS[month.month.month - 1][:3]}{year}" if is_named or has_year else "")
        if is_named:
            axes.annotate(
                f"{month.temperature_c:.0f}",
                (places[number], level[number] + half[number]),
                xytext=(0, 3),
                textcoords="offset points",
                ha="center",
                va="bottom",
                color=INK,
            )
    axes.set_xticks(places, names)
    axes.set_xlim(places[0] - 0.7, places[-1] + 0.7)
    axes.grid(visible=False, axis="x")
    axes.set_xlabel("grey: all months together may lie this much higher or lower")
    axes.set_ylabel("temperature at your\nroom and load, °C")


def _draw_limit(axes: Axes, months: Sequence[MonthTemperature], path: WholePath) -> None:
    axes.axhline(path.limit_c, color=ALARM, lw=1.2, ls="--")
    axes.annotate(
        f"limit {path.limit_c:.0f} °C",
        (0.0, path.limit_c),
        xycoords=("axes fraction", "data"),
        xytext=(4, 3),
        textcoords="offset points",
        color=ALARM,
    )
    ends = [
        one.temperature_c + side * NORMAL_95 * one.standard_error_k for one in months for side in (-1.0, 1.0)
    ]
    bottom, top = min(ends), max(*ends, path.limit_c)
    room = max(ROOM_K, 0.15 * (top - bottom))
    axes.set_ylim(bottom - room, top + room)
    axes.locator_params(axis="y", nbins=6)
