"""How warm would it be at the owner's room and load? Month by month, so that seasons and games fall out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes

from ...store.errors import AnalysisError
from ..baseline import NORMAL_95
from ..cause import Cause
from ..message_words import MONTHS
from ..reference_conditions import ReferenceConditions
from ..verdict import Verdict
from ..verdict_outlook import PathState
from .day_axis import span_words
from .picture import ALARM, BAND, INK, NOW, RC, THEN, Picture, new_figure
from .whole_path import MONTHS_OF_YEAR, MonthTemperature, WholePath, monthly_temperatures

MOST_LABELS = 13
HALF_WIDTH = 0.3  # of a month
ROOM_K = 3.0  # above and below what is drawn


@rc_context(RC)
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
    why = ", by its changed readings" if verdict.cause is Cause.TELEMETRY else ""
    return f"{said}, {abs(more):.0f} K {'more' if more > 0.0 else 'less'} than in {when}{why}"


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
    ends = [0, *range(len(months)), len(months) - 1]
    wide = places[ends] + np.array([-HALF_WIDTH, *np.zeros(len(months)), HALF_WIDTH])
    axes.fill_between(wide, level[ends] - common, level[ends] + common, color=BAND, lw=0)
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
