"""What was recorded, day by day, and why the rest was not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from ...store.derived import DerivedStore
from ...store.packing import DAY_MS
from ...store.reader import Reader
from ...store.records import Gap, GapReason
from ..grid import ROW_SPAN_LIMIT_S
from ..message_words import day_of_ms
from .day_axis import day_number, draw_days, foreign, span_words
from .picture import BAND, FAINT, INK, PAPER, RC, THEN, Picture, new_figure

Array = npt.NDArray[np.float64]

EPOCH = date(1970, 1, 1).toordinal()
HOUR_MS = 3_600_000.0
LONGEST_BY_DAY = 100  # days; longer stretches are told by weeks
WEEK = 7
UNKNOWN = "nothing recorded, reason not known"
# What each reason is called, its colour and its hatch: no reason is told by colour alone.
LAYERS: dict[str, tuple[str, str]] = {
    "recorded": (THEN, ""),
    "machine suspended": (BAND, ""),
    "source asleep": (PAPER, "---"),
    "service not running": (PAPER, "////"),
    "clock set": (PAPER, "||||"),
    "disk full": (PAPER, "xxxx"),
    "looks missed": (PAPER, "++++"),
    "record damaged": (PAPER, "oo"),
    UNKNOWN: (PAPER, ""),
}
WORDS = {
    GapReason.SUSPEND: "machine suspended",
    GapReason.ASLEEP: "source asleep",
    GapReason.STOPPED: "service not running",
    GapReason.CLOCK_STEP: "clock set",
    GapReason.DISK_FULL: "disk full",
    GapReason.OVERLOAD: "looks missed",
    GapReason.DAMAGED: "record damaged",
}
LEAST_SHOWN_H = 0.1  # in all; less cannot be seen
LEAST_LABELLED_MS, MOST_LABELLED = 2 * DAY_MS, 3
LEAST_APART_SHARE = 0.3  # of the width, so that labels do not meet


@dataclass(frozen=True, slots=True, eq=False)
class Coverage:
    """One source: hours of each day by what became of them, shape (n_days,) each; NaN outside of the record.

    Attributes
    ----------
    hours
        By the names of `LAYERS`; together 24, or as much as the record's ends leave of a day.
    n_days
        Days with rows.
    """

    source: str
    hours: dict[str, Array]
    n_days: int


def coverage_of(
    source: str,
    rows_by_day: Mapping[str, int],
    gaps: Sequence[Gap],
    span_utc_ms: tuple[int, int],
    days: Array,
) -> Coverage:
    """Share out the hours of each day.

    A gap that was written down is taken for what it says; a row stands for no more than 75 s, so that few
    rows without a gap are no full day either.

    Parameters
    ----------
    source
        Its name.
    rows_by_day
        Rows of the record by ISO date.
    gaps
        Of the machine.
    span_utc_ms
        First and last moment of its record [ms since 1970].
    days
        Shape (n_days,): consecutive days since 1970.
    """
    edges_ms = np.append(days, days[-1] + 1.0) * DAY_MS
    begin_ms, end_ms = (np.clip(edges_ms[one], *span_utc_ms) for one in (slice(-1), slice(1, None)))
    room_h = (end_ms - begin_ms) / HOUR_MS
    dates = [date.fromordinal(EPOCH + int(day)).isoformat() for day in days]
    n_rows = np.array([rows_by_day.get(one, 0) for one in dates], float)
    mine = _apart([gap for gap in gaps if gap.source in ("", source)])
    hours = {}
    for reason, word in WORDS.items():
        spans = np.array([span for one, span in mine if one is reason], float).reshape(-1, 2)
        hours[word] = np.diff(_hours_until(spans, np.clip(edges_ms, *span_utc_ms)))
    left_h = np.maximum(room_h - sum(hours.values()), 0.0)
    recorded_h = np.minimum(left_h, n_rows * ROW_SPAN_LIMIT_S / 3600.0)
    hours |= {"recorded": recorded_h, UNKNOWN: left_h - recorded_h}
    is_outside = room_h <= 0.0
    return Coverage(
        source,
        {name: np.where(is_outside, np.nan, hours[name]) for name in LAYERS},
        int(((n_rows > 0.0) & ~is_outside).sum()),
    )


@rc_context(RC)
def coverage_picture(reader: Reader, derived: DerivedStore, *, from_utc_ms: int, to_utc_ms: int) -> Picture:
    """Hours recorded of each day or week, one row for each source, and the reasons of what is missing.

    Parameters
    ----------
    reader, derived
        Of the machine, up to date.
    from_utc_ms, to_utc_ms
        The stretch that is shown [ms since 1970].
    """
    key, asked = "coverage", "What was recorded?"
    days = np.arange(from_utc_ms // DAY_MS, -(-to_utc_ms // DAY_MS), dtype=float)
    span_utc_ms = reader.span_utc_ms()
    if span_utc_ms is None or span_utc_ms[1] < from_utc_ms or span_utc_ms[0] >= to_utc_ms:
        why = "nothing was recorded in these days; `heatdrift status` tells whether the service runs"
        return Picture(key, asked, span_words(from_utc_ms, to_utc_ms, 0, "recorded"), "", None, why)
    inside = max(span_utc_ms[0], from_utc_ms), min(span_utc_ms[1], to_utc_ms)
    gaps = [gap for gap in reader.gaps() if gap.from_utc_ms < inside[1] and gap.to_utc_ms > inside[0]]
    found = []
    for entry in reader.sources():
        rows_by_day = {day: mark.n_rows for day, mark in derived.marks(entry.name).items()}
        one = coverage_of(entry.name, rows_by_day, gaps, inside, days)
        if one.n_days:
            found.append(one)
    if not found:
        why = "these days have no readings of a source yet; one night's work brings them"
        return Picture(key, asked, span_words(from_utc_ms, to_utc_ms, 0, "recorded"), "", None, why)
    figure = _drawn(found, gaps, days)
    window = span_words(from_utc_ms, to_utc_ms, max(one.n_days for one in found), "recorded")
    said = _words(found, gaps)
    if len(days) > LONGEST_BY_DAY:
        said += " Each step is the mean of a week."
    if to_utc_ms - inside[1] > DAY_MS:
        said += f" Nothing was recorded after {day_of_ms(inside[1])}."
    return Picture(key, _title(found, len(days)), window, said, figure)


def _drawn(found: Sequence[Coverage], gaps: Sequence[Gap], days: Array) -> Figure:
    figure, every = new_figure(len(found), height_in=1.2 + 0.85 * len(found))
    width = 1 if len(days) <= LONGEST_BY_DAY else WEEK
    edges = np.append(days[::width], days[-1] + 1.0)
    shown = [
        name for name in LAYERS if max(float(np.nansum(one.hours[name])) for one in found) >= LEAST_SHOWN_H
    ]
    looks: dict[str, dict[str, Any]] = {
        name: {"fc": color, "ec": color if name == "recorded" else FAINT, "hatch": hatch or None, "lw": 0.5}
        for name, (color, hatch) in LAYERS.items()
        if name in shown
    }
    for axes, one in zip(every, found, strict=True):
        base = np.zeros(len(edges) - 1)
        for name, look in looks.items():
            top = base + _by_bin(one.hours[name], width)
            axes.stairs(top, edges, baseline=base, fill=True, **look)
            base = top
        axes.set_ylim(0.0, 24.0)
        axes.set_yticks([0, 12, 24])
        axes.grid(visible=False)
        axes.set_ylabel(foreign(one.source), rotation=0, ha="right", va="center", labelpad=8)
        draw_days(axes, float(edges[0]), float(edges[-1]))
        axes.tick_params(labelbottom=axes is every[-1])
    _label_long(every[0], gaps, (float(edges[0]), float(edges[-1])))
    figure.supylabel("hours a day", fontsize=9.0, color=INK)
    handles = [Patch(label=name, **look) for name, look in looks.items()]
    figure.legend(handles=handles, loc="outside lower center", ncols=3, frameon=False, labelcolor=INK)
    return figure


def _by_bin(hours: Array, width: int) -> Array:
    """Mean of each bin of days, NaN left out; 0 where there is nothing else."""
    starts = np.arange(0, len(hours), width)
    is_known = np.isfinite(hours)
    n = np.add.reduceat(is_known.astype(float), starts)
    return np.asarray(np.add.reduceat(np.where(is_known, hours, 0.0), starts) / np.maximum(n, 1.0), float)


def _label_long(axes: Axes, gaps: Sequence[Gap], ends: tuple[float, float]) -> None:
    """Name the longest gaps of the machine where they lie."""
    lengthy = sorted(
        (gap for gap in gaps if not gap.source and gap.to_utc_ms - gap.from_utc_ms >= LEAST_LABELLED_MS),
        key=lambda gap: gap.from_utc_ms - gap.to_utc_ms,
    )
    taken: list[float] = []
    for gap in lengthy:
        at = float(np.clip((day_number(gap.from_utc_ms) + day_number(gap.to_utc_ms)) / 2.0, *ends))
        share = (at - ends[0]) / (ends[1] - ends[0])
        if len(taken) == MOST_LABELLED or any(abs(share - one) < LEAST_APART_SHARE for one in taken):
            continue
        taken.append(share)
        axes.annotate(
            f"{WORDS[gap.reason]}, {_length(gap)}",
            (at, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            ha="left" if share < 0.2 else "right" if share > 0.8 else "center",
            va="bottom",
            color=INK,
        )


def _title(found: Sequence[Coverage], n_days: int) -> str:
    counts = sorted({one.n_days for one in found})
    means = sorted({round(float(np.nanmean(one.hours["recorded"])), 1) for one in found})
    of_days, hours = (
        f"{ends[0]:g}" if ends[0] == ends[-1] else f"{ends[0]:g} to {ends[-1]:g}" for ends in (counts, means)
    )
    return f"Recorded on {of_days} of {n_days} days, {hours} hours a day"


def _words(found: Sequence[Coverage], gaps: Sequence[Gap]) -> str:
    said = []
    for one in found:
        shares = {name: float(np.nansum(hours)) for name, hours in one.hours.items()}
        told = [f"{name} {hours:,.0f} h" for name, hours in shares.items() if hours >= 0.5]
        said.append(f"{one.source}: {', '.join(told)}")
    if gaps:
        longest = max(gaps, key=lambda gap: gap.to_utc_ms - gap.from_utc_ms)
        whose = f" ({longest.source})" if longest.source else ""
        said.append(
            f"Longest gap: {_length(longest)} from {day_of_ms(longest.from_utc_ms)}{whose}, "
            f"{WORDS[longest.reason]}"
        )
    return ". ".join(said) + "."


def _length(gap: Gap) -> str:
    hours = (gap.to_utc_ms - gap.from_utc_ms) / HOUR_MS
    if hours >= 48.0:
        return f"{hours / 24.0:.0f} days"
    return f"{hours:.0f} hours" if hours >= 2.0 else f"{60.0 * hours:.0f} minutes"


def _apart(gaps: Sequence[Gap]) -> list[tuple[GapReason, tuple[int, int]]]:
    """Gaps by their beginning, none of which overlaps another: the earlier one keeps its time."""
    found = []
    until_ms = 0
    for gap in sorted(gaps, key=lambda one: (one.from_utc_ms, one.to_utc_ms)):
        begin_ms = max(gap.from_utc_ms, until_ms)
        if gap.to_utc_ms > begin_ms:
            found.append((gap.reason, (begin_ms, gap.to_utc_ms)))
            until_ms = gap.to_utc_ms
    return found


def _hours_until(spans: Array, moments_ms: Array) -> Array:
    """Hours of some spans that lie before each moment; spans rise and do not overlap, shape (n, 2)."""
    if not len(spans):
        return np.zeros(len(moments_ms))
    lengths = spans[:, 1] - spans[:, 0]
    before = np.concatenate([[0.0], np.cumsum(lengths)])
    last = np.searchsorted(spans[:, 0], moments_ms, side="right") - 1
    within = np.where(last >= 0, np.minimum(moments_ms - spans[last, 0], lengths[last]), 0.0)
    return np.asarray((before[np.maximum(last, 0)] + within) / HOUR_MS, float)
