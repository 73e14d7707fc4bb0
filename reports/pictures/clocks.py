"""Does it keep its clock? What a short run shows and what is left of it in every minute of load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib import rc_context
from matplotlib.axes import Axes

from ..endurance import LEAST_STRETCHES, Measured, compare_sustained, mean_of
from ..load_stretches import (
    LEAST_LENGTH_S,
    MINUTES,
    MOMENTS_S,
    find_stretches,
    load_threshold_w,
    minutes_of,
    table_of,
)
from ..message_words import signed
from ..sustained import ALIKE_UTILIZATION_PCT, EXACT, LIMIT_BITS
from .day_axis import span_words
from .picture import FAINT, INK, NOW, RC, THEN, Picture, new_figure

Array = npt.NDArray[np.float64]
Days = tuple[int, int]
"""From the first moment up to, not including, the second [ms since 1970]."""

READ = ("power_w", "clock_mhz", "utilization_pct", "memory_utilization_pct", EXACT["heat"])
EARLY = "minute_1"
LATE_WORDS = {"after_20_min": "after 20 minutes", "after_5_min": "after 5 minutes"}
KEEPS_PCT = 1.0  # as good as the same clock: judgement, no source
LEAST_HALF_RANGE_PCT = 5.0  # so that a clock that holds looks as calm as it is


@dataclass(frozen=True, slots=True, eq=False)
class MinuteClocks:
    """Clocks of one period by minute of load, of stretches that were all long enough for the late moment.

    Attributes
    ----------
    minutes
        From 1, as far as there are `LEAST_STRETCHES` stretches.
    median_mhz, low_mhz, high_mhz
        Over stretches, with quartiles.
    n
        Stretches in each minute.
    all_until
        Last minute that every stretch reached.
    held_pct
        Mean share of the minute in which heat held the clock down [%]; None where no reasons were recorded.
    late
        Which late moment: one of `LATE_WORDS`.
    early_mhz, late_mhz
        Mean in minute 1 and at the late moment, of stretches that had both at like work.
    loss_mhz
        What the clock lost between both, each stretch against itself.
    table
        All stretches, as `table_of` gives them.
    days
        Days on which a stretch of these began.
    """

    minutes: Array
    median_mhz: Array
    low_mhz: Array
    high_mhz: Array
    n: Array
    all_until: int
    held_pct: Array | None
    late: str
    early_mhz: float
    late_mhz: float
    loss_mhz: Measured
    table: pd.DataFrame
    days: int


def minute_clocks(frame: pd.DataFrame, load_w: float | None) -> MinuteClocks | str:
    """Clocks by minute of load, or why there are none.

    Only stretches that reached the late moment count, in every minute: otherwise light work that ends soon
    would stand in the first minutes and heavy work in the late ones.

    Parameters
    ----------
    frame
        As `Reader.source_frame` gives it.
    load_w
        Power above which it is load [W].
    """
    if not len(frame) or load_w is None:
        return "nothing was recorded of its power"
    if not frame["clock_mhz"].notna().any():
        return "its clock was not had"
    frame = _told(frame)
    found = find_stretches(frame, load_w)
    table = table_of(frame, found)
    lengths_s = table["length_s"].to_numpy(float)
    by_minute = minutes_of(frame, found)
    for late in LATE_WORDS:
        early_mhz, late_mhz = (table[f"clock_mhz_{moment}"].to_numpy(float) for moment in (EARLY, late))
        busy = (table[f"utilization_pct_{moment}"].to_numpy(float) for moment in (EARLY, late))
        is_other = np.abs(np.subtract(*busy)) > ALIKE_UTILIZATION_PCT
        is_long = (
            (lengths_s >= LEAST_LENGTH_S[late]) & np.isfinite(early_mhz) & np.isfinite(late_mhz) & ~is_other
        )
        if is_long.sum() < LEAST_STRETCHES:
            continue
        mine = by_minute[is_long[by_minute["stretch"]] & (by_minute["minute"] <= MINUTES)]
        grouped = mine.groupby("minute")
        n = grouped["clock_mhz"].count()
        n = n[n >= LEAST_STRETCHES]
        clocks = grouped["clock_mhz"].quantile([0.25, 0.5, 0.75]).unstack().loc[n.index]
        held_pct = grouped[EXACT["heat"]].mean().loc[n.index].to_numpy(float)
        lost = mean_of((early_mhz - late_mhz)[is_long], "stretch long enough had a clock")
        return MinuteClocks(
            minutes=n.index.to_numpy(float),
            median_mhz=clocks[0.5].to_numpy(float),
            low_mhz=clocks[0.25].to_numpy(float),
            high_mhz=clocks[0.75].to_numpy(float),
            n=n.to_numpy(float),
            all_until=int(lengths_s[is_long].min() // 60.0),
            held_pct=held_pct if np.isfinite(held_pct).any() else None,
            late=late,
            early_mhz=float(early_mhz[is_long].mean()),
            late_mhz=float(late_mhz[is_long].mean()),
            loss_mhz=lost,
            table=table,
            days=pd.DatetimeIndex(table.index[is_long]).floor("D").nunique(),
        )
    n_short = int((lengths_s >= LEAST_LENGTH_S["after_5_min"]).sum())
    return (
        f"{n_short} stretch{'' if n_short == 1 else 'es'} of ten minutes of even load, {LEAST_STRETCHES} are "
        "needed; work or play for longer at a time brings them"
    )


@rc_context(RC)
def clocks_picture(
    source: str, now: pd.DataFrame, then: pd.DataFrame | None, days: tuple[Days, Days | None]
) -> Picture:
    """Clock by minute of load, the baseline beside it.

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
    key, asked = f"{source}-clocks", f"Does {source} keep its clock?"
    frames = [frame for frame in (then, now) if frame is not None]
    load_w = load_threshold_w(pd.concat([frame[["power_w"]] for frame in frames]))
    found = minute_clocks(now, load_w)
    if isinstance(found, str):
        return Picture(key, asked, span_words(*now_utc_ms, 0, "with long load"), "", None, found)
    before = minute_clocks(then, load_w) if then is not None else "nothing was recorded before"
    earlier = None if isinstance(before, str) else before
    n_axes = 1 if found.held_pct is None else 2
    figure, axes = new_figure(n_axes, height_in=2.4 + 0.9 * n_axes)
    if earlier is not None:
        _draw(axes[0], earlier, THEN, "--", f"baseline, {len_words(earlier)}")
    _draw(axes[0], found, NOW, "-", f"now, {len_words(found)}")
    _limit_range(axes[0], [one for one in (earlier, found) if one is not None])
    axes[0].set_ylabel("clock, MHz")
    axes[0].legend(loc="lower left", frameon=False, labelcolor=INK)
    if found.held_pct is not None:
        _draw_held(axes, found, earlier)
    for one in axes:
        one.set_xlim(0.0, MINUTES + 1)
        one.set_xticks([1, 10, 20, 30, 40, 50, 60])
    axes[-1].set_xlabel("minute of load")
    window = span_words(*now_utc_ms, found.days, "with long load")
    if earlier is not None and then_utc_ms is not None:
        window += f"; baseline {span_words(*then_utc_ms, earlier.days, 'with long load')}"
    return Picture(key, title_of(source, found, earlier), window, _words(found, earlier), figure)


def title_of(source: str, now: MinuteClocks, then: MinuteClocks | None) -> str:
    """The finding in one line."""
    lost, until = now.loss_mhz, LATE_WORDS[now.late]
    assert lost.value is not None and lost.ci95 is not None  # of at least `LEAST_STRETCHES` stretches
    enough = KEEPS_PCT / 100.0 * now.early_mhz
    if lost.value >= enough and lost.ci95[0] > 0.0:
        said = f"{source} loses {lost.value:,.0f} MHz from minute 1 to what it holds {until}"
        if then is not None and then.late == now.late and then.loss_mhz.value is not None:
            said += f", {max(then.loss_mhz.value, 0.0):,.0f} on its baseline days"
        return said
    if lost.ci95[1] < 2.0 * enough:
        said = f"{now.early_mhz:,.0f} MHz in minute 1, {now.late_mhz:,.0f} {until}"
        return f"{source} keeps its clock: {said}"
    return f"Whether {source} keeps its clock is not clear: {_lost_words(now)}"


def len_words(one: MinuteClocks) -> str:
    """How many stretches there are."""
    return f"{int(one.n.max())} stretches"


def _lost_words(one: MinuteClocks) -> str:
    value, ci95 = one.loss_mhz.value, one.loss_mhz.ci95
    assert value is not None and ci95 is not None  # as in `title_of`
    value, low, high = (round(mhz) for mhz in (value, *ci95))  # no minus before a nought
    return f"{value:,} MHz lost (95 % interval {low:,} to {high:,} MHz)".replace("-", "\u2212")


def _words(now: MinuteClocks, then: MinuteClocks | None) -> str:
    said = [
        f"Now {now.early_mhz:,.0f} MHz in minute 1 and {now.late_mhz:,.0f} {LATE_WORDS[now.late]}, "
        f"{_lost_words(now)}, in {len_words(now)} of load"
    ]
    if then is not None:
        said.append(
            f"On the baseline days {then.early_mhz:,.0f} and {then.late_mhz:,.0f} MHz, {_lost_words(then)}"
        )
        change = compare_sustained(then.table, now.table)[f"clock {now.late.replace('_', ' ')}"]
        if change.change is not None and change.ci95 is not None:
            at_like = signed(change.change, change.ci95).replace("-", "\u2212")
            said.append(f"At like work the late clock has changed by {at_like}")
        else:
            said.append(f"At like work: {change.reason}")
    if now.held_pct is None:
        said.append("What held the clock down was not recorded")
    else:
        late = now.minutes * 60.0 > MOMENTS_S[now.late][0]
        told = f"{np.nanmean(now.held_pct[late]):.0f} % of the time {LATE_WORDS[now.late]}"
        said.append(f"Heat held the clock down for {told}")
    said.append("Band: half of the stretches. Faint: not every stretch lasted so long")
    return ". ".join(said) + "."


def _draw(axes: Axes, one: MinuteClocks, color: str, style: str, label: str) -> None:
    """Median and quartiles, fainter from where not every stretch is in it."""
    whole = one.minutes <= one.all_until
    axes.fill_between(one.minutes, one.low_mhz, one.high_mhz, color=color, alpha=0.14, lw=0)
    axes.plot(one.minutes[whole], one.median_mhz[whole], style, color=color, label=label)
    rest = one.minutes >= one.all_until
    axes.plot(one.minutes[rest], one.median_mhz[rest], style, color=color, alpha=0.45, lw=1.0)


def _draw_held(axes: list[Axes], now: MinuteClocks, then: MinuteClocks | None) -> None:
    grid = axes[0].get_gridspec()
    assert grid is not None  # made by subplots
    grid.set_height_ratios([3.0, 1.0])
    axes[0].tick_params(labelbottom=False)
    for one, color, style in ((then, THEN, "--"), (now, NOW, "-")):
        if one is not None and one.held_pct is not None:
            axes[1].plot(one.minutes, one.held_pct, style, color=color, lw=1.2)
    axes[1].set_ylim(-4.0, 104.0)
    axes[1].set_yticks([0, 50, 100])
    axes[1].set_ylabel("held down\nby heat, %")
    axes[1].axhline(0.0, color=FAINT, lw=0.6, zorder=-1)


def _limit_range(axes: Axes, shown: list[MinuteClocks]) -> None:
    values = np.concatenate([both for one in shown for both in (one.low_mhz, one.high_mhz)])
    least = LEAST_HALF_RANGE_PCT / 100.0 * max(one.early_mhz for one in shown)
    low, high = float(values.min()), float(values.max())
    axes.set_ylim(low - max(least, 0.25 * (high - low)), high + least / 2.0)
    axes.locator_params(axis="y", nbins=5)
    axes.yaxis.set_major_formatter(lambda mhz, _: f"{mhz:,.0f}")


def _told(frame: pd.DataFrame) -> pd.DataFrame:
    """What is read of a frame; the share held down by heat from limit reasons where it was not had itself."""
    kept = frame[[name for name in READ if name in frame]]
    share = EXACT["heat"]
    if "limit_reasons" not in frame or (share in frame and frame[share].notna().all()):
        return kept
    told = frame["limit_reasons"]
    pct = 100.0 * (told.fillna(0).to_numpy(np.int64) & LIMIT_BITS["heat"] != 0)
    of_bits = pd.Series(pct, index=frame.index).mask(told.isna().to_numpy(bool))
    return kept.assign(**{share: kept[share].fillna(of_bits) if share in kept else of_bits})
