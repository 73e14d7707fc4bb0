"""How long until the limit? The temperature at the owner's room and load, carried on as the creep goes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from matplotlib import rc_context
from matplotlib.axes import Axes

from ...store.errors import AnalysisError
from ...store.packing import DAY_MS
from ..baseline import NORMAL_95
from ..creep_laws import CreepForecast, named
from ..message_words import day_of_ms
from ..outlook import Outlook
from ..part_series import PartSeries
from ..verdict import Verdict
from ..verdict_outlook import PathState
from .day_axis import day_number, day_numbers, draw_days, span_words
from .picture import ALARM, FAINT, INK, NOW, RC, THEN, Picture, new_figure
from .running_level import running_level
from .whole_path import WholePath

Array = npt.NDArray[np.float64]

CHANCES = (0.1, 0.5, 0.9)  # four times in five it comes between the first and the last
LEVELS, DAYS_AHEAD = 60, 50
SHOWN_PAST_LATEST = 1.1
DAYS_WITHOUT_DATE = 90.0
LEAST_AHEAD_DAYS = 14.0
MOST_PAST_SHARE = 3.0  # of what is shown ahead
LEAST_PAST_DAYS = 60.0
LABEL_SHARE = 0.15  # room over the limit
NO_CREEP = "nothing creeps"


@dataclass(frozen=True, slots=True, eq=False)
class Fan:
    """Temperature at the owner's room and load, some days ahead.

    Attributes
    ----------
    ahead_days
        Shape (n_days,), from 0.
    low_c, middle_c, high_c
        Below which it lies with a chance of a tenth, a half and nine tenths [°C].
    """

    ahead_days: Array
    low_c: Array
    middle_c: Array
    high_c: Array


def fan_of(
    path: WholePath,
    creep: CreepForecast,
    total_change: tuple[float, float],
    share: float,
    ahead_days: Array,
) -> Fan:
    """Carry a creep on, as `outlook` does, for every temperature instead of the limit alone.

    Parameters
    ----------
    path
        In the baseline.
    creep, share
        How the part that creeps goes on, and its share in the whole.
    total_change
        What became of the whole in the last thirty days: logarithm of its ratio, and standard error.
    ahead_days
        Shape (n_days,), rising from 0.
    """
    log_ratio, log_error = total_change
    ratio, relative = math.exp(log_ratio), path.standard_error_k_per_w / path.k_per_w
    span = np.zeros(2)
    for member, size in zip(creep.members, creep.sizes, strict=True):
        course, off = member.ahead(ahead_days[-1:])
        reached = size * (course[0] - member.recent)
        span[0] = min(span[0], reached - 2.0 * abs(size * off[0]))
        span[1] = max(span[1], reached + 2.0 * abs(size * off[0]))
    room = 4.0 * math.hypot(ratio * log_error, ratio * relative) / share
    growth = np.linspace(span[0] - room, span[1] + room, LEVELS)
    chance = np.empty((LEVELS, len(ahead_days)))
    for number, level in enumerate(growth):
        error = math.hypot(ratio * log_error, (ratio + share * level) * relative) / share
        chance[number] = creep.chance_reached(float(level), error, ahead_days)
    # The chance to be above falls as the level rises.
    chance = np.minimum.accumulate(chance, axis=0)
    reached = [
        np.array([np.interp(-above, -column, growth) for column in chance.T]) for above in reversed(CHANCES)
    ]
    low, middle, high = (path.ambient_c + path.power_w * path.k_per_w * (ratio + share * g) for g in reached)
    return Fan(ahead_days, low, middle, high)


@rc_context(RC)
def outlook_picture(
    verdict: Verdict,
    state: PathState,
    creep: CreepForecast | None,
    *,
    from_utc_ms: int,
    to_utc_ms: int,
) -> Picture:
    """Temperature at the owner's room and load so far, and on to the limit.

    Parameters
    ----------
    verdict, state
        Of one source.
    creep
        How its creeping part goes on; None where none does.
    from_utc_ms, to_utc_ms
        The stretch that is reported; nothing after it is used [ms since 1970].
    """
    key, ahead = f"{verdict.source}-outlook", state.ahead
    title = outlook_title(verdict.source, ahead)
    own, rest = verdict.interface.series, verdict.airflow.series
    missing = ""
    try:
        path = WholePath.of(state)
    except AnalysisError as why:
        missing = str(why)
    if not missing and (own is None or rest is None or state.total_change is None):
        missing = verdict.interface.reason or verdict.airflow.reason or "the whole path is not known"
    if not missing and creep is None:
        missing = _why_none(verdict.source, ahead)
    if missing or creep is None or own is None or rest is None or state.total_change is None:
        return Picture(key, title, span_words(from_utc_ms, to_utc_ms), "", None, missing)
    share = path.share if verdict.leading is verdict.interface else 1.0 - path.share
    longest = DAYS_WITHOUT_DATE
    if ahead.ci80_days is not None:
        longest = max(SHOWN_PAST_LATEST * ahead.ci80_days[1], LEAST_AHEAD_DAYS)
    fan = fan_of(path, creep, state.total_change, share, np.linspace(0.0, longest, DAYS_AHEAD))
    figure, (axes,) = new_figure(height_in=3.2)
    now = day_number(to_utc_ms)
    first = max(float(day_numbers(rest.rows.index)[0]), now - max(MOST_PAST_SHARE * longest, LEAST_PAST_DAYS))
    n_days = _draw_past(axes, path, own, rest, (first, now))
    _draw_fan(axes, fan, now, ahead.limit_c)
    _draw_crossing(axes, ahead, now)
    draw_days(axes, first, now + longest)
    axes.set_ylabel("temperature at your\nroom and load, °C")
    bottom, top = axes.get_ylim()
    axes.set_ylim(bottom, max(top, ahead.limit_c + LABEL_SHARE * (ahead.limit_c - bottom)))
    window = span_words(round(first * DAY_MS), to_utc_ms, n_days)
    return Picture(key, title, window, _description(ahead, path, fan, to_utc_ms), figure)


def outlook_title(source: str, ahead: Outlook) -> str:
    """The date, or that there is none."""
    if ahead.days_to_limit is not None and ahead.ci80_days is not None:
        low, high = ahead.ci80_days
        return (
            f"As it goes on, {source} reaches {ahead.limit_c:.0f} °C in about "
            f"{ahead.days_to_limit:.0f} days ({low:.0f} to {high:.0f})"
        )
    if ahead.reason in ("", NO_CREEP) or ahead.now_c is None:
        return f"How long until {source} reaches its limit?"
    if ahead.reason.startswith("no date: "):
        return f"{source} creeps; no date yet, as {_plain(ahead.reason)}"
    return f"{source} creeps; {ahead.reason}"


def _plain(reason: str) -> str:
    return reason.removeprefix("no date: ")


def _why_none(source: str, ahead: Outlook) -> str:
    """Why there is nothing to carry on, and how far the limit is."""
    if ahead.now_c is None:
        return f"there is no outlook: {ahead.reason}"
    stands = (
        f"At {ahead.reference_power_w:.0f} W in a room of {ahead.reference_ambient_c:.0f} °C {source} stands "
        f"at {ahead.now_c:.0f} °C"
    )
    if ahead.now_c >= ahead.limit_c:
        return f"{stands}: it is at its limit of {ahead.limit_c:.0f} °C already."
    return (
        f"No part of {source} creeps, so there is nothing to carry on. {stands}, "
        f"{ahead.limit_c - ahead.now_c:.0f} K below its limit of {ahead.limit_c:.0f} °C."
    )


def _description(ahead: Outlook, path: WholePath, fan: Fan, to_utc_ms: int) -> str:
    now = f"{ahead.now_c:.0f} °C now" if ahead.now_c is not None else "not known now"
    said = f"At {path.words()}: {now}, limit {ahead.limit_c:.0f} °C. "
    if ahead.days_to_limit is not None and ahead.ci80_days is not None:
        low, high = (_date(to_utc_ms, days) for days in ahead.ci80_days)
        about = _date(to_utc_ms, ahead.days_to_limit)
        said += f"It is reached about {about}; four times in five from {low} to {high}."
    else:
        said += (
            f"In {fan.ahead_days[-1]:.0f} days it would stand at {fan.middle_c[-1]:.0f} °C, four times in "
            f"five from {fan.low_c[-1]:.0f} to {fan.high_c[-1]:.0f} °C."
        )
    return f"{said} Carried on by a {named(ahead.law, ahead.clock)}, among others."


def _date(to_utc_ms: int, ahead_days: float) -> str:
    return day_of_ms(to_utc_ms + round(ahead_days * DAY_MS))


def _draw_past(
    axes: Axes, path: WholePath, own: PartSeries, rest: PartSeries, span: tuple[float, float]
) -> int:
    """What it was so far: days and the mean of their weeks, both parts together; how many days."""
    both = own.rows[["log_ratio"]].rename(columns={"log_ratio": "own"}).join(rest.rows, how="inner")
    days = day_numbers(both.index)
    shown = (days >= span[0]) & (days < span[1])
    of_days = path.temperature_c(both["own"].to_numpy(float)[shown], both["log_ratio"].to_numpy(float)[shown])
    axes.plot(days[shown], of_days, "o", color=THEN, ms=2.4, mew=0, alpha=0.7)
    weeks = [running_level(part) for part in (own, rest)]
    logs, errors = [], []
    for week in weeks:
        known = np.isfinite(week.pct)
        level = np.log1p(week.pct[known] / 100.0)
        wide = np.log1p(week.high_pct[known] / 100.0) - level
        inside = {"left": np.nan, "right": np.nan}
        logs.append(np.interp(days[shown], week.days[known], level, **inside))
        errors.append(np.interp(days[shown], week.days[known], wide / NORMAL_95, **inside))
    level_c = path.temperature_c(*logs)
    half_k = NORMAL_95 * path.error_k(logs[0], logs[1], (errors[0], errors[1]))
    axes.fill_between(days[shown], level_c - half_k, level_c + half_k, color=THEN, alpha=0.3, lw=0)
    axes.plot(days[shown], level_c, color=NOW)
    return int(shown.sum())


def _draw_fan(axes: Axes, fan: Fan, now: float, limit_c: float) -> None:
    """The fan as far as the limit: beyond it the source is slowed down."""
    days = now + fan.ahead_days
    axes.axvline(now, color=FAINT, lw=1.0, ls=":")
    axes.annotate(
        "now", (now, 0.0), xycoords=("data", "axes fraction"), xytext=(4, 4), textcoords="offset points"
    )
    low, high = np.minimum(fan.low_c, limit_c), np.minimum(fan.high_c, limit_c)
    axes.fill_between(days, low, high, color=ALARM, alpha=0.14, lw=0)
    for edge, style in ((fan.low_c, ":"), (fan.high_c, ":"), (fan.middle_c, "--")):
        axes.plot(days, np.where(edge <= limit_c, edge, np.nan), color=ALARM, ls=style)


def _draw_crossing(axes: Axes, ahead: Outlook, now: float) -> None:
    """The limit, and from when to when it is reached."""
    axes.axhline(ahead.limit_c, color=ALARM, lw=1.2)
    axes.annotate(
        f"limit {ahead.limit_c:.0f} °C",
        (0.0, ahead.limit_c),
        xycoords=("axes fraction", "data"),
        xytext=(4, 3),
        textcoords="offset points",
        color=ALARM,
    )
    if ahead.days_to_limit is None or ahead.ci80_days is None:
        return
    low, high = (now + days for days in ahead.ci80_days)
    axes.plot([low, high], [ahead.limit_c] * 2, color=INK, lw=4.0, solid_capstyle="butt")
    axes.plot([now + ahead.days_to_limit], [ahead.limit_c], "D", color=INK, ms=6.0)
    axes.annotate(
        f"in {ahead.days_to_limit:.0f} days ({ahead.ci80_days[0]:.0f} to {ahead.ci80_days[1]:.0f})",
        (now + ahead.days_to_limit, ahead.limit_c),
        xytext=(0, 7),
        textcoords="offset points",
        ha="center",
        color=INK,
    )
