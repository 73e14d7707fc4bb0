"""Does it keep its clock? What a short run shows and what is left of it in every minute of load."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib import rc_context
from matplotlib.axes import Axes

from ..endurance import MOMENTS, Quantity, compare_sustained
from ..load_stretches import MINUTES, MOMENTS_S, load_threshold_w
from ..message_words import signed
from .day_axis import span_words
from .minute_clocks import LATE_WORDS, MinuteClocks, minute_clocks
from .picture import FAINT, INK, NOW, RC, THEN, Picture, new_figure

Days = tuple[int, int]
"""From the first moment up to, not including, the second [ms since 1970]."""

CHANGES = {moment: name for name, moment in MOMENTS.items()}
KEEPS_PCT = 1.0  # as good as the same clock: judgement, no source
LEAST_HALF_RANGE_PCT = 5.0  # so that a clock that holds looks as calm as it is


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
    load_w = load_threshold_w(*frames)
    found = minute_clocks(now, load_w)
    if isinstance(found, str):
        return Picture(key, asked, span_words(*now_utc_ms, 0, "with long load"), "", None, found)
    before = minute_clocks(then, load_w) if then is not None else "nothing was recorded before"
    earlier = None if isinstance(before, str) else before
    n_axes = 1 if found.held_pct is None else 2
    figure, axes = new_figure(n_axes, height_in=2.4 + 0.9 * n_axes)
    if earlier is not None:
        _draw(axes[0], earlier, THEN, "--", f"baseline, {_n_words(earlier)}")
    _draw(axes[0], found, NOW, "-", f"now, {_n_words(found)}")
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
    change = compare_sustained(earlier.table, found.table)[CHANGES[found.late]] if earlier else None
    return Picture(
        key, _title(source, found, earlier, change), window, _words(found, earlier, change), figure
    )


def _title(source: str, now: MinuteClocks, then: MinuteClocks | None, change: Quantity | None) -> str:
    """The finding in one line; ``change`` is that of the late clock at like work."""
    lost, until = now.loss_mhz, LATE_WORDS[now.late]
    assert lost.value is not None and lost.ci95 is not None  # of at least `LEAST_STRETCHES` stretches
    enough = KEEPS_PCT / 100.0 * now.early_mhz
    if lost.value >= enough and lost.ci95[0] > 0.0:
        said = f"{source} loses {lost.value:,.0f} MHz from minute 1 to what it holds {until}"
        if then is not None and then.late == now.late and then.loss_mhz.value is not None:
            said += f", {max(then.loss_mhz.value, 0.0):,.0f} on its baseline days"
        return said
    if lost.ci95[1] < 2.0 * enough:
        if change is not None and change.change is not None and change.ci95 is not None:
            is_clear = not change.ci95[0] <= 0.0 <= change.ci95[1]
            if is_clear and abs(change.change) >= KEEPS_PCT:
                side = "below" if change.change < 0.0 else "above"
                by = f"{abs(change.change):.{0 if abs(change.change) >= 9.5 else 1}f} %"
                return f"{source} keeps its clock through a long run, {by} {side} its baseline days"
        said = f"{now.early_mhz:,.0f} MHz in minute 1, {now.late_mhz:,.0f} {until}"
        return f"{source} keeps its clock: {said}"
    return f"Whether {source} keeps its clock is not clear: {_lost_words(now)}"


def _n_words(one: MinuteClocks) -> str:
    """How many stretches there are."""
    return f"{int(one.n.max())} stretches"


def _lost_words(one: MinuteClocks) -> str:
    value, ci95 = one.loss_mhz.value, one.loss_mhz.ci95
    assert value is not None and ci95 is not None  # as in `_title`
    value, low, high = (round(mhz) for mhz in (value, *ci95))  # no minus before a nought
    return f"{value:,} MHz lost (95 % interval {low:,} to {high:,} MHz)".replace("-", "\u2212")


def _words(now: MinuteClocks, then: MinuteClocks | None, change: Quantity | None) -> str:
    said = [
        f"Now {now.early_mhz:,.0f} MHz in minute 1 and {now.late_mhz:,.0f} {LATE_WORDS[now.late]}, "
        f"{_lost_words(now)}, in {_n_words(now)} of load"
    ]
    if then is not None:
        said.append(
            f"On the baseline days {then.early_mhz:,.0f} and {then.late_mhz:,.0f} MHz, {_lost_words(then)}"
        )
    if change is not None:
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
