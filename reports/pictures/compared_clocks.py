"""Clocks before and after a journal entry: a short run beside a long one."""

from __future__ import annotations

from matplotlib.axes import Axes

from ...store.reader import Reader
from ..compare import Comparison
from ..endurance import HELD_DOWN, MOMENTS, Quantity, compare_sustained
from ..load_stretches import load_stretches, load_threshold_w
from ..message_words import signed, size
from .picture import FAINT, INK, NOW, THEN, Picture, new_figure

SHORT = "clock in minute 1"
PLACES = {
    SHORT: "minute 1\n(a short run)",
    **dict(zip(MOMENTS, ("minutes 5 to 10", "minute 20 on"), strict=True)),
}
APART = 0.13  # of the way to the next moment, between before and after
ALIKE_PCT = 0.5  # of a clock, as good as the same: judgement, no source
LEAST_HALF_RANGE_PCT = 5.0  # so that what did not change looks as calm as it is


def compared_clocks(reader: Reader, one: Comparison, done: str, window: str) -> Picture:
    """Clock at three moments of load, before and after.

    Parameters
    ----------
    reader
        Of the machine, for the clocks of the first minute.
    one
        From `compare`.
    done, window
        What was done, and the days of both sides, in words.
    """
    key = f"{one.source}-compared-clocks"
    asked = f"{one.source}, {done}: which clock does it hold, for a short run and a long one?"
    if one.before is None or one.after is None:
        return Picture(key, asked, window, "", None, one.interface.reason)
    quantities = {SHORT: _short(reader, one)} | {name: one.sustained[name] for name in MOMENTS}
    known = [name for name, quantity in quantities.items() if quantity.after is not None]
    said = ". ".join(_quantity_words(name, quantity) for name, quantity in quantities.items())
    if not known:
        return Picture(key, asked, window, "", None, said)
    figure, (axes,) = new_figure(height_in=3.0)
    _draw_clocks(axes, quantities)
    held = one.sustained[HELD_DOWN]
    said += f". {_quantity_words(HELD_DOWN, held)}. Bar: 95 % interval of the change, at like work."
    title = f"{one.source}, {done}: {known[-1]} {_clock_finding(quantities[known[-1]])}"
    return Picture(key, title, window, said, figure)


def _clock_finding(quantity: Quantity) -> str:
    assert quantity.change is not None and quantity.ci95 is not None  # asked only of what is known
    low, high = quantity.ci95
    if not low <= 0.0 <= high and abs(quantity.change) >= ALIKE_PCT:
        return size(quantity.change)
    is_alike = max(-low, high) <= ALIKE_PCT
    return f"the same within {ALIKE_PCT:g} %" if is_alike else "not surely changed"


def _short(reader: Reader, one: Comparison) -> Quantity:
    """The clock of the first minute, compared as the later ones are."""
    assert one.before is not None and one.after is not None  # the caller has looked
    frames = [
        reader.source_frame(one.source, side.from_utc_ms, side.to_utc_ms) for side in (one.before, one.after)
    ]
    load_w = load_threshold_w(*frames)
    later, early = "after_5_min", "minute_1"
    tables = []
    for frame in frames:
        table = load_stretches(frame, load_w)
        names = [name.removesuffix(early) for name in table.columns if name.endswith(early)]
        tables.append(table.assign(**{f"{name}{later}": table[f"{name}{early}"] for name in names}))
    before, after = tables
    return compare_sustained(before, after)["clock after 5 min"]


def _quantity_words(name: str, quantity: Quantity) -> str:
    if quantity.before is None or quantity.after is None or quantity.change is None or quantity.ci95 is None:
        return f"{name[0].upper()}{name[1:]}: {quantity.reason}"
    unit = "%" if quantity.unit == "MHz" else "points"
    change = signed(quantity.change, quantity.ci95, unit).replace("-", "\u2212")
    return (
        f"{name[0].upper()}{name[1:]}: {quantity.before:,.0f} before, {quantity.after:,.0f} {quantity.unit} "
        f"after, {change}"
    )


def _draw_clocks(axes: Axes, quantities: dict[str, Quantity]) -> None:
    """Before and after at each moment; the interval of the change around what is now."""
    ends: list[float] = []
    lines: tuple[list[float], list[float], list[float]] = ([], [], [])
    for place, quantity in enumerate(quantities.values()):
        if quantity.before is None or quantity.after is None or quantity.ci95 is None:
            axes.annotate(
                "not known", (place, 0.5), xycoords=("data", "axes fraction"), ha="center", color=FAINT
            )
            continue
        assert quantity.change is not None  # where there is an interval
        interval = [quantity.before * (1.0 + end / 100.0) for end in quantity.ci95]
        axes.vlines(place + APART, interval[0], interval[1], color=NOW, lw=3.0, alpha=0.4)
        ends += [quantity.before, *interval]
        for line, one in zip(lines, (float(place), quantity.before, quantity.after), strict=True):
            line.append(one)
        axes.annotate(
            signed(quantity.change, quantity.ci95).replace("-", "\u2212").replace(" (", "\n("),
            (place, max(quantity.before, *interval)),
            xytext=(0, 7),
            textcoords="offset points",
            ha="center",
            color=INK,
        )
    at, before, after = lines
    axes.plot([one - APART for one in at], before, "s", ls="--", color=THEN, ms=5.0, lw=1.0, label="before")
    axes.plot([one + APART for one in at], after, "o", ls="-", color=NOW, ms=5.0, lw=1.0, label="after")
    low, high = min(ends), max(ends)
    least = LEAST_HALF_RANGE_PCT / 100.0 * high
    axes.set_ylim(low - max(least, 0.6 * (high - low)), high + max(least, 0.6 * (high - low)))
    axes.set_xlim(-0.6, len(quantities) - 0.4)
    axes.set_xticks(range(len(quantities)), [PLACES[name] for name in quantities])
    axes.grid(visible=False, axis="x")
    axes.locator_params(axis="y", nbins=5)
    axes.yaxis.set_major_formatter(lambda mhz, _: f"{mhz:,.0f}")
    axes.set_ylabel("clock, MHz")
    axes.legend(loc="lower left", frameon=False, labelcolor=INK, ncols=2)
