"""The axis of days that pictures share: few ticks, the month that is reported, what stands in the journal."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from ...store.journal_entry import JournalEntry
from ...store.packing import DAY_MS
from ..message_words import MONTHS, day_of_ms
from .picture import BAND, FAINT, INK

Array = npt.NDArray[np.float64]

MOST_TICKS = 6
MONTHS_APART = (1, 2, 3, 6, 12, 24)
DAYS_APART = (1, 2, 5, 10, 15)
LONGEST_BY_DAY = 50.0  # longer stretches are told by months
MARGIN_SHARE = 0.02
MOST_LISTED = 6
LONGEST_LINE = 95  # characters across a drawing
LABEL_SHARE = 0.03  # of the span: nearer numbers would lie on each other


def day_numbers(days: pd.Index) -> Array:
    """Moments as days since 1970, which is how drawings place them."""
    return np.asarray((pd.DatetimeIndex(days) - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(days=1), float)


def day_number(at_utc_ms: float) -> float:
    """One moment [ms since 1970] as days since 1970."""
    return at_utc_ms / DAY_MS


def draw_days(axes: Axes, first: float, last: float, ahead: float = 0.0) -> None:
    """Give an axis its span and few ticks that are days of the calendar.

    Parameters
    ----------
    axes
        Whose horizontal axis.
    first, last
        Days since 1970.
    ahead
        Room after the last for a label, as a share of the span.
    """
    span = max(last - first, 1.0)
    axes.set_xlim(first - MARGIN_SHARE * span, last + (MARGIN_SHARE + ahead) * span)
    ticks = day_ticks(first, last)
    names = []
    year = None
    is_by_day = span <= LONGEST_BY_DAY
    for when in ticks:
        name = f"{when.day} {MONTHS[when.month - 1][:3]}" if is_by_day else MONTHS[when.month - 1][:3]
        names.append(name if when.year == year else f"{name}\n{when.year}")
        year = when.year
    axes.set_xticks([when.timestamp() * 1000 / DAY_MS for when in ticks], names)


def day_ticks(first: float, last: float) -> list[datetime]:
    """Days of the calendar that divide a span, at most ``MOST_TICKS``.

    Parameters
    ----------
    first, last
        Days since 1970.
    """
    begin, end = (datetime.fromtimestamp(one * DAY_MS / 1000, UTC) for one in (first, last))
    if last - first <= LONGEST_BY_DAY:
        midnight = datetime(begin.year, begin.month, begin.day, tzinfo=UTC)
        days = [midnight + timedelta(days=n) for n in range(math.ceil(last - first) + 2)]
        inside = [one for one in days if begin <= one <= end]
        every = next((n for n in DAYS_APART if len(inside) <= n * MOST_TICKS), DAYS_APART[-1])
        return inside[::every]
    n_months = 12 * (end.year - begin.year) + end.month - begin.month + 1
    starts = [
        datetime(begin.year + (begin.month - 1 + n) // 12, (begin.month - 1 + n) % 12 + 1, 1, tzinfo=UTC)
        for n in range(n_months)
    ]
    every = next((n for n in MONTHS_APART if n_months <= n * MOST_TICKS), n_months // MOST_TICKS + 1)
    return [one for one in starts if begin <= one <= end and (one.month - 1) % every == 0]


def shade_month(axes: Axes, from_utc_ms: int, to_utc_ms: int) -> None:
    """Shade the stretch that the report is about."""
    axes.axvspan(day_number(from_utc_ms), day_number(to_utc_ms), color=BAND, alpha=0.45, lw=0, zorder=-3)


def entries_between(
    entries: Sequence[JournalEntry], source: str, from_utc_ms: int, to_utc_ms: int
) -> list[JournalEntry]:
    """What the journal says of a path in a stretch, by time; their numbers in a picture are their places."""
    mine = [one for one in entries if one.source in ("", source) and from_utc_ms <= one.at_utc_ms < to_utc_ms]
    return sorted(mine, key=lambda one: (one.at_utc_ms, one.entry_id or 0))


def draw_entries(axes: Axes, entries: Sequence[JournalEntry], *, numbered: bool = True) -> None:
    """A dotted line for each entry, its number on top; the span must be known, neighbours share a label."""
    begin, end = axes.get_xlim()
    places = [day_number(entry.at_utc_ms) for entry in entries]
    labels: list[tuple[float, list[int]]] = []
    for number, at in enumerate(places, start=1):
        axes.axvline(at, color=FAINT, lw=1.0, ls=(0, (1, 1.5)), zorder=-1)
        if labels and at - labels[-1][0] < LABEL_SHARE * (end - begin):
            labels[-1][1].append(number)
        else:
            labels.append((at, [number]))
    for at, numbers in labels if numbered else ():
        said = f"{numbers[0]}\u2013{numbers[-1]}" if len(numbers) > 1 else f"{numbers[0]}"
        axes.annotate(
            said,
            (at, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 2),
            textcoords="offset points",
            ha="center",
            va="bottom",
            color=INK,
        )


def listed_entries(entries: Sequence[JournalEntry], beside_utc_ms: int) -> str:
    """Numbers and what they stand for, no line wider than a drawing; empty where none are."""
    said = [
        f"{number} {entry.kind.value.replace('_', ' ')} {day_of_ms(entry.at_utc_ms, beside_utc_ms)}"
        for number, entry in enumerate(entries[:MOST_LISTED], start=1)
    ]
    if len(entries) > MOST_LISTED:
        said.append(f"{len(entries) - MOST_LISTED} more in the journal")
    return textwrap.fill(f"Journal: {'; '.join(said)}", LONGEST_LINE) if said else ""


def span_words(from_utc_ms: int, to_utc_ms: int, n_days: int | None = None, what: str = "with load") -> str:
    """Which days a picture shows: ``1 March to 31 March 2026, 28 days with load``."""
    last_ms = max(from_utc_ms, to_utc_ms - 1)
    said = f"{day_of_ms(from_utc_ms, last_ms)} to {day_of_ms(last_ms)}"
    return said if n_days is None else f"{said}, {n_days} day{'' if n_days == 1 else 's'} {what}"


def foreign(text: str) -> str:
    """Text of others as a drawing shows it: a dollar sign is a dollar sign, no formula."""
    return text.replace("$", r"\$")
