"""Have the two parts of a path changed? Every day of the era against its baseline."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from matplotlib import rc_context
from matplotlib.axes import Axes

from ...store.journal_entry import JournalEntry
from ...store.packing import DAY_MS
from ..baseline import NORMAL_95
from ..cause import Cause
from ..detection import Detection
from ..drift import INTERFACE as INTERFACE_SETTINGS
from ..judged_part import JudgedPart
from ..message_words import PARTS, all_of, day, signed, size
from ..part_series import PartSeries
from ..part_settings import airflow_settings
from ..verdict import Verdict
from .day_axis import (
    day_number,
    day_numbers,
    draw_days,
    draw_entries,
    entries_between,
    foreign,
    listed_entries,
    shade_month,
    span_words,
)
from .picture import AIRFLOW, ALARM, BAND, FAINT, INK, INTERFACE, PAPER, RC, Picture, new_figure
from .running_level import LEAST_OF_LEVEL, RunningLevel, numbers_of, pct_of, running_level

Array = npt.NDArray[np.float64]

ROOM_FOR_LABEL = 0.24
LEAST_HALF_RANGE_PCT = 8.0  # so that a healthy path looks as calm as it is
TOP_SHARE = 1.15
LABEL_SHARE = 0.3
FULL_DAYS = 400.0
LEGEND = "grey band: how far a healthy path wanders; shaded stretch: what is reported"
COLORS = {"interface": INTERFACE, "airflow": AIRFLOW}
MARKERS = {"interface": "o", "airflow": "s"}


@rc_context(RC)
def resistance_picture(
    verdict: Verdict, entries: Sequence[JournalEntry], *, from_utc_ms: int, to_utc_ms: int
) -> Picture:
    """Interface part and airflow part over the whole era, in per cent of their baselines.

    Parameters
    ----------
    verdict
        Of one source.
    entries
        The journal.
    from_utc_ms, to_utc_ms
        The stretch that is reported; nothing after it is drawn [ms since 1970].
    """
    key, title = f"{verdict.source}-resistance", resistance_title(verdict, to_utc_ms)
    parts = (verdict.interface, verdict.airflow)
    known = [part.series for part in parts if part.series is not None]
    if not known:
        reasons = all_of(list(dict.fromkeys(part.reason for part in parts)))
        return Picture(key, title, span_words(from_utc_ms, to_utc_ms), "", None, reasons)
    last = day_number(to_utc_ms)
    first = min(float(day_numbers(series.levels.days)[0]) for series in known)
    first = max(min(first, last - 1.0), day_number(verdict.era.from_utc_ms) - 1.0)
    noted = entries_between(entries, verdict.source, math.floor(first) * DAY_MS, to_utc_ms)
    figure, both = new_figure(2, height_in=4.3)
    for axes, part in zip(both, parts, strict=True):
        axes.sharex(both[0])
        shade_month(axes, from_utc_ms, to_utc_ms)
        axes.set_ylabel(f"{PARTS[part.name]},\nchange in %")
        draw_days(axes, first, last, ROOM_FOR_LABEL)
        draw_entries(axes, noted, numbered=axes is both[0])
        if part.series is None:
            _say_why(axes, part)
        else:
            _draw_part(axes, part, part.series, _wander(verdict, part), last)
    both[0].tick_params(labelbottom=False)
    both[1].set_xlabel(foreign("\n".join(filter(None, (LEGEND, listed_entries(noted, to_utc_ms))))))
    days = np.unique(np.concatenate([day_numbers(series.rows.index) for series in known]))
    window = span_words(round(first * DAY_MS), to_utc_ms, int((days < last).sum()))
    said = ". ".join(_part_words(part, to_utc_ms) for part in parts)
    return Picture(
        key, title, window, " ".join(f"{said}. {listed_entries(noted, to_utc_ms)}".split()), figure
    )


def resistance_title(verdict: Verdict, beside_utc_ms: int) -> str:
    """The finding in one line."""
    parts = (verdict.interface, verdict.airflow)
    said = [_finding(part, beside_utc_ms) for part in parts]
    if all(part.detection is not None and part.detection.state == "holding" for part in parts):
        return f"{verdict.source}: both parts hold"
    if verdict.cause is Cause.TELEMETRY and verdict.leading is not None:
        onset = verdict.leading.changed_by.onset_utc
        when = f" on {day(onset, beside_utc_ms)}" if onset else ""
        said = [words.split(" since ")[0] for words in said]
        return f"{verdict.source}: its readings changed{when}; {', '.join(said)}"
    return f"{verdict.source}: {', '.join(said)}"


def _finding(part: JudgedPart, beside_utc_ms: int) -> str:
    name, found = PARTS[part.name], part.detection
    if found is None:
        return f"{name} not known yet" if part.series is not None else f"{name} not known"
    if found.state == "holding":
        return f"{name} unchanged"
    if found.state == "recovered":
        return f"{name} back at its baseline"
    since = f" since {day(found.onset_utc, beside_utc_ms)}" if found.onset_utc else ""
    return f"{name} {size(found.change_pct)}{since}"


def _part_words(part: JudgedPart, beside_utc_ms: int) -> str:
    """What is to be seen of one part, with its numbers."""
    label = _now_label(part)
    if part.series is None or not label:
        return f"{PARTS[part.name].capitalize()}: {part.reason or part.change.reason}"
    found = part.detection
    since = ""
    if found is not None and found.state == "changed" and found.onset_utc:
        since = f", since {day(found.onset_utc, beside_utc_ms)}"
        if found.onset_ci95_utc:
            low, high = (day(one, beside_utc_ms) for one in found.onset_ci95_utc)
            since += f" ({low} to {high})"
    return f"{PARTS[part.name].capitalize()}: {label.replace(chr(10), ' ')} against its baseline{since}"


def _now_label(part: JudgedPart) -> str:
    """What holds now, with its 95 % interval; empty where nothing is known."""
    found: Detection | None = part.detection
    if found is not None and found.state == "changed":
        pct, ci95 = found.change_pct, found.change_ci95_pct
        when = "now"
    elif part.change.pct is not None and part.change.ci95_pct is not None:
        pct, ci95 = part.change.pct, part.change.ci95_pct
        when = "last 30 days"
    else:
        return ""
    return f"{when}\n{signed(pct, ci95)}".replace("-", "\u2212")


def drawn_in_full(days: Array, last: float) -> npt.NDArray[np.bool_]:
    """Which days are drawn: all of the last year and a bit, one in a week of what was before.

    Parameters
    ----------
    days
        Shape (n,), days since 1970, increasing; NaN, which stands between stretches, is kept.
    last
        Day at which the picture ends.
    """
    kept: npt.NDArray[np.bool_] = ~(days < last - FULL_DAYS) | (np.arange(len(days)) % 7 == 0)
    return kept


def _draw_part(axes: Axes, part: JudgedPart, series: PartSeries, wander: float, last: float) -> None:
    color = COLORS[part.name]
    rows = series.rows[np.asarray(day_numbers(series.rows.index) < last)]
    days = day_numbers(rows.index)
    value, error = (rows[name].to_numpy(float) for name in ("log_ratio", "standard_error"))
    healthy = NORMAL_95 * math.hypot(series.baseline_standard_error, wander)
    low, high = pct_of(np.array([-healthy, healthy]))
    axes.axhspan(low, high, color=BAND, lw=0, zorder=-2)
    axes.axhline(0.0, color=FAINT, lw=0.8, zorder=-1)
    kept = drawn_in_full(days, last)
    low, high = pct_of(value - NORMAL_95 * error)[kept], pct_of(value + NORMAL_95 * error)[kept]
    # One line with gaps instead of one for each day: the page of a year stays small.
    bars = np.full((len(low), 3, 2), np.nan)
    bars[:, 0], bars[:, 1] = np.column_stack([days[kept], low]), np.column_stack([days[kept], high])
    axes.plot(bars[..., 0].ravel(), bars[..., 1].ravel(), color=color, alpha=0.22, lw=0.8)
    axes.plot(days[kept], pct_of(value)[kept], MARKERS[part.name], color=color, alpha=0.45, ms=2.4, mew=0)
    level = running_level(series, part.detection).until(last)
    seen = drawn_in_full(level.days, last)
    axes.fill_between(
        level.days[seen], level.low_pct[seen], level.high_pct[seen], color=color, alpha=0.25, lw=0
    )
    axes.plot(level.days[seen], level.pct[seen], color=color)
    _limit_range(axes, value, level, healthy)
    _mark_baseline(axes, series)
    _mark_onset(axes, part.detection)
    shown = level.pct[np.isfinite(level.pct)]
    at = float(shown[-1]) if len(shown) else float(np.median(pct_of(value)[-LEAST_OF_LEVEL:]))
    axes.annotate(
        _now_label(part) or "too few days yet",
        (last, at),
        xytext=(7, 0),
        textcoords="offset points",
        va="center",
        color=INK,
    )


def _limit_range(axes: Axes, value: Array, level: RunningLevel, healthy: float) -> None:
    """Show what the days say; one odd day does not flatten all others."""
    seen = np.concatenate([np.quantile(pct_of(value), [0.01, 0.99]), level.low_pct, level.high_pct])
    band = float(pct_of(np.array([healthy]))[0])
    top = TOP_SHARE * max(float(np.nanmax(seen)), band, LEAST_HALF_RANGE_PCT)
    bottom = TOP_SHARE * min(float(np.nanmin(seen)), -band, -LEAST_HALF_RANGE_PCT)
    axes.set_ylim(bottom, top)
    axes.locator_params(axis="y", nbins=5)
    axes.yaxis.set_major_formatter(lambda pct, _: f"{pct:+.0f}".replace("-", "\u2212") if pct else "0")


def _mark_baseline(axes: Axes, series: PartSeries) -> None:
    """A bar under the days that are the measure of all others."""
    begin, end = (float(one) for one in day_numbers(series.rows.index)[[0, series.n_baseline - 1]])
    bottom = axes.get_ylim()[0]
    axes.plot([begin, end], [bottom, bottom], color=INK, lw=3.0, solid_capstyle="butt", clip_on=False)
    axes.annotate("baseline days", (begin, bottom), xytext=(0, 4), textcoords="offset points", color=FAINT)


def _mark_onset(axes: Axes, found: Detection | None) -> None:
    """The interval in which a change began, and when most likely."""
    if found is None or found.state == "holding" or found.onset_utc is None:
        return
    onset = float(numbers_of(found.onset_utc)[0])
    if found.onset_ci95_utc is not None:
        axes.axvspan(*numbers_of(*found.onset_ci95_utc), color=ALARM, alpha=0.15, lw=0, zorder=-1)
    axes.axvline(onset, color=ALARM, lw=1.2, ls="--")
    begin, end = axes.get_xlim()
    is_late = onset > begin + LABEL_SHARE * (end - begin)  # else there is no room before it
    axes.annotate(
        f"began {day(found.onset_utc).rsplit(' ', 1)[0]}",
        (onset, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(-4 if is_late else 4, -2),
        textcoords="offset points",
        ha="right" if is_late else "left",
        va="top",
        color=ALARM,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.0, "alpha": 0.8},
    )


def _say_why(axes: Axes, part: JudgedPart) -> None:
    axes.set_ylim(-LEAST_HALF_RANGE_PCT, LEAST_HALF_RANGE_PCT)
    axes.set_yticks([])
    axes.grid(visible=False)
    axes.text(
        0.02, 0.5, foreign(f"not known: {part.reason}"), transform=axes.transAxes, va="center", wrap=True
    )


def _wander(verdict: Verdict, part: JudgedPart) -> float:
    """What the part of a healthy machine may wander by [log units]."""
    if part is verdict.interface:
        return INTERFACE_SETTINGS.systematic_sd
    return airflow_settings(verdict.model).systematic_sd
