"""How often did it heat up and cool down, and for how long was it hot?"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from matplotlib import rc_context
from matplotlib.axes import Axes

from ...store.packing import DAY_MS
from ..cycles import HOT_C, RANGES_K, ThermalCycles, thermal_cycles
from .clocks import Days
from .day_axis import span_words
from .picture import INK, NOW, RC, THEN, Picture, new_figure

LARGE_K = 20.0  # which cycles the title counts; one of `RANGES_K`
FEWEST_PER_DAY = 0.01  # left end of the axis
ROOM, ROOM_LOG = 1.6, 6.0  # of the longest bar, for its label
LEAST_H = 24.0
NONE_H = 1.0 / 60.0  # shorter is no time


@rc_context(RC)
def cycles_picture(
    source: str, now: pd.DataFrame, then: pd.DataFrame | None, days: tuple[Days, Days | None]
) -> Picture:
    """Thermal cycles by range and hours hot, per day of the record; those of the baseline days beside them.

    Parameters
    ----------
    source
        Its name.
    now, then
        As `Reader.source_frame` gives them; ``then`` is None where the baseline is what is shown as now.
    days
        Of both.
    """
    now_utc_ms, then_utc_ms = days
    key, asked = f"{source}-cycles", f"How often did {source} heat up and cool down?"
    found = thermal_cycles(now)
    n_days = _days(now)
    if found.recorded_h < LEAST_H:
        why = f"{found.recorded_h:.0f} hours of temperature were recorded, {LEAST_H:.0f} are needed"
        return Picture(key, asked, span_words(*now_utc_ms, n_days, "with readings"), "", None, why)
    before = thermal_cycles(then) if then is not None else None
    earlier = before if before is not None and before.recorded_h >= LEAST_H else None
    figure, axes = new_figure(1, n_columns=2, height_in=3.1)
    grid = axes[0].get_gridspec()
    assert grid is not None  # made by subplots
    grid.set_width_ratios([3.0, 2.0])
    _draw_cycles(axes[0], found, earlier)
    _draw_hours(axes[1], found, earlier)
    window = span_words(*now_utc_ms, n_days, "with readings")
    if earlier is not None and then is not None and then_utc_ms is not None:
        window += f"; baseline {span_words(*then_utc_ms, _days(then), 'with readings')}"
    return Picture(key, _title(source, found, earlier), window, _words(found, earlier), figure)


def _title(source: str, now: ThermalCycles, then: ThermalCycles | None) -> str:
    rates = [_rate_words(_per_day(one, one.n_above(LARGE_K))) for one in (now, then) if one is not None]
    said = f"{source}: {rates[0]} cycles of {LARGE_K:.0f} K or more a day"
    if len(rates) > 1:
        said += f", {rates[1]} on its baseline days"
    hot_c = next((one for one in reversed(HOT_C) if now.hot_h[one] >= NONE_H), None)
    if hot_c is None:
        return f"{said}; never at {HOT_C[0]:.0f} °C"
    return f"{said}; {_hours_words(now.hot_h[hot_c])} at {hot_c:.0f} °C or more"


def _words(now: ThermalCycles, then: ThermalCycles | None) -> str:
    classes = [f"{_name(low_k)} {_count_words(n)}" for low_k, n in now.by_range_k.items()]
    hot = [f"{hot_c:.0f} °C or more {_hours_words(hours)}" for hot_c, hours in now.hot_h.items()]
    said = (
        f"Cycles by range, in {now.recorded_h:,.0f} recorded hours: {', '.join(classes)}. "
        f"Hours hot: {', '.join(hot)}."
    )
    if then is not None:
        n = _count_words(sum(then.by_range_k.values()))
        said += f" The baseline days had {n} cycles in {then.recorded_h:,.0f} hours."
    return f"{said} Smaller swings are not counted; what a cycle does to a joint is not claimed."


def _draw_cycles(axes: Axes, now: ThermalCycles, then: ThermalCycles | None) -> None:
    per_day = [_per_day(now, n) for n in now.by_range_k.values()]
    of_then = None if then is None else [_per_day(then, n) for n in then.by_range_k.values()]
    _draw_bars(axes, per_day, of_then, [_count_words(n) for n in now.by_range_k.values()])
    axes.set_xscale("log")
    axes.set_xlim(FEWEST_PER_DAY, ROOM_LOG * max([*per_day, *(of_then or []), 1.0]))
    axes.set_yticks(range(len(RANGES_K)), [_name(low_k) for low_k in RANGES_K])
    axes.set_xticks([0.01, 0.1, 1.0, 10.0], ["0.01", "0.1", "1", "10"])
    axes.minorticks_off()
    axes.set_xlabel("cycles a day (number: all of them)")


def _draw_hours(axes: Axes, now: ThermalCycles, then: ThermalCycles | None) -> None:
    per_day = [_per_day(now, now.hot_h[one]) for one in HOT_C]
    of_then = None if then is None else [_per_day(then, then.hot_h[one]) for one in HOT_C]
    _draw_bars(axes, per_day, of_then, [_hours_words(now.hot_h[one]) for one in HOT_C])
    axes.set_xlim(0.0, ROOM * max([*per_day, *(of_then or []), 0.5]))
    axes.set_yticks(range(len(HOT_C)), [f"{one:.0f} °C +" for one in HOT_C])
    axes.locator_params(axis="x", nbins=3)
    axes.set_xlabel("hours a day at or above")
    if then is not None:
        axes.legend(loc="upper right", frameon=False, labelcolor=INK)


def _draw_bars(axes: Axes, now: Sequence[float], then: Sequence[float] | None, labels: Sequence[str]) -> None:
    """A bar for each class with its label, a thin one of the baseline below it."""
    bars = axes.barh([n + 0.12 for n in range(len(now))], now, 0.42, color=NOW, alpha=0.75, lw=0, label="now")
    if then is not None:
        axes.barh([n - 0.23 for n in range(len(then))], then, 0.2, color=THEN, lw=0, label="baseline")
    for bar, label in zip(bars, labels, strict=True):
        axes.annotate(
            label,
            (max(bar.get_width(), FEWEST_PER_DAY), bar.get_y() + bar.get_height() / 2.0),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            color=INK,
        )
    axes.grid(visible=False, axis="y")


def _per_day(one: ThermalCycles, amount: float) -> float:
    """Of 24 recorded hours: what was not recorded counts for nothing."""
    return 24.0 * amount / one.recorded_h


def _days(frame: pd.DataFrame) -> int:
    moments = pd.DatetimeIndex(frame.index).as_unit("ms").asi8
    return len(set((moments // DAY_MS).tolist()))


def _name(low_k: float) -> str:
    later = [one for one in RANGES_K if one > low_k]
    return f"{low_k:.0f}\u2013{later[0]:.0f} K" if later else f"{low_k:.0f} K +"


def _count_words(n: float) -> str:
    return f"{n:,.1f}".removesuffix(".0")


def _rate_words(rate: float) -> str:
    return f"{rate:.1f}" if rate < 10.0 else f"{rate:.0f}"


def _hours_words(hours: float) -> str:
    if hours < NONE_H:
        return "none"
    if hours >= 10.0:
        return f"{hours:,.0f} h"
    return f"{hours:.1f} h" if hours >= 0.1 else f"{60.0 * hours:.0f} min"
