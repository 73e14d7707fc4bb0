"""Does the fan turn as it used to at the same temperature?"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from matplotlib import rc_context
from matplotlib.axes import Axes

from ...store.packing import day_of
from ..baseline import Change
from ..days import FAN_BIN_K
from ..message_words import all_of, day, signed
from ..part_series import FAN as FAN_PART
from ..verdict import Verdict
from ..window_groups import owner_of
from .clocks import Days
from .day_axis import foreign, span_words
from .picture import FAN, INK, RC, THEN, Picture, new_figure

CLASS = re.compile(r" at (-?\d+)-(-?\d+) °C$")
LEAST_WINDOWS = 5  # of two minutes, for a temperature to be drawn: fewer tell nothing of their own spread
APART_K = 0.35  # so that two bars of one temperature stand beside each other
LONGEST_HOLE_K = 2.5 * FAN_BIN_K
LEAST_RANGE_SHARE = 0.15  # so that a fan of one speed looks as calm as it is


def speeds_by_heat(cells: pd.DataFrame) -> pd.DataFrame:
    """Speed of a fan by temperature, each day as heavy as it has settled windows.

    Parameters
    ----------
    cells
        As `DerivedStore.cells` gives them.

    Returns
    -------
    DataFrame
        Index ``temperature_c``, middle of each class, rising; ``low``, ``median``, ``high`` (quartiles, in
        the fan's own unit), ``n_windows`` and ``n_days``; classes of fewer than `LEAST_WINDOWS` are left out.
    """
    mine = cells[cells["part"] == FAN_PART]
    edges = mine["workload_class"].astype(str).str.extract(CLASS)[0].astype(float)
    rows = {}
    for middle_c, one in mine.groupby(edges + FAN_BIN_K / 2.0):
        if (n := int(one["n"].sum())) < LEAST_WINDOWS:
            continue
        of_windows = np.repeat(one["value"].to_numpy(float), one["n"].to_numpy(int))
        low, median, high = np.quantile(of_windows, [0.25, 0.5, 0.75])
        rows[middle_c] = (low, median, high, n, one["day"].nunique())
    columns = ["low", "median", "high", "n_windows", "n_days"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("temperature_c")


@rc_context(RC)
def fan_picture(verdict: Verdict, cells: pd.DataFrame, days: tuple[Days, Days | None]) -> Picture:
    """Speed of the fan against temperature, on the baseline days and now.

    Parameters
    ----------
    verdict
        Of one source.
    cells
        Of that source, as `DerivedStore.cells` gives them.
    days
        What is shown as now, and the baseline; None where there is none before.
    """
    now_utc_ms, then_utc_ms = days
    source = verdict.source
    key = f"{source}-fan"
    fan = verdict.model.fan if verdict.model is not None else ""
    asked = f"{source}: does its fan turn as it used to at the same temperature?"
    window = span_words(*now_utc_ms, 0, "with a fan's speed")
    if not fan or owner_of(fan):
        return Picture(key, asked, window, "", None, _no_fan(verdict, fan))
    mine = cells[(cells["part"] == FAN_PART) & (cells["era_from_utc_ms"] == verdict.era.from_utc_ms)]
    now_cells = _between(mine, now_utc_ms)
    now = speeds_by_heat(now_cells)
    then = speeds_by_heat(_between(mine, then_utc_ms)) if then_utc_ms is not None else now.iloc[:0]
    if not len(now):
        why = f"{fan} hardly turned under steady work in these days; half an hour of steady load brings it"
        return Picture(key, asked, window, "", None, why)
    figure, (axes,) = new_figure(height_in=3.3)
    if len(then):
        _draw(axes, then, -APART_K, color=THEN, marker="s", style="--", label="baseline")
    apart_k = APART_K if len(then) else 0.0
    _draw(axes, now, apart_k, color=FAN, marker="o", style="-", label="now")
    _limit_range(axes, pd.concat([then, now]))
    axes.set_ylabel(f"{foreign(fan)}, rpm")
    axes.set_xlabel(f"{_whose(verdict)}, °C")
    axes.legend(loc="upper left", frameon=False, labelcolor=INK)
    window = span_words(*now_utc_ms, now_cells["day"].nunique(), "with the fan turning")
    if len(then) and then_utc_ms is not None:
        window += f"; baseline {span_words(*then_utc_ms, int(then['n_days'].max()), 'with the fan turning')}"
    return Picture(key, _title(verdict, fan, now_utc_ms[1]), window, _words(verdict, now, then), figure)


def _title(verdict: Verdict, fan: str, beside_utc_ms: int) -> str:
    found = verdict.fan.detection
    if found is None:
        return f"{verdict.source}: how fast {fan} turns at which temperature"
    if found.state == "changed":
        turns = f"{abs(found.change_pct):.0f} % {'faster' if found.change_pct > 0.0 else 'slower'}"
        since = f", since {day(found.onset_utc, beside_utc_ms)}" if found.onset_utc else ""
        return f"{verdict.source}: {fan} turns {turns} at the same temperature{since}"
    return f"{verdict.source}: {fan} turns as fast at the same temperature as on its baseline days"


def _words(verdict: Verdict, now: pd.DataFrame, then: pd.DataFrame) -> str:
    hottest = float(now.index[-1])
    said = [f"Now {now['median'].iloc[-1]:,.0f} rpm at {_bin(hottest)}"]
    both = now.index.intersection(then.index)
    if len(both):
        at = float(both[-1])
        now_rpm, then_rpm = now["median"].loc[at], then["median"].loc[at]
        said = [f"At {_bin(at)} it turns at {now_rpm:,.0f} rpm, on its baseline days at {then_rpm:,.0f}"]
    elif len(then):
        said.append("no temperature of the baseline days was reached again")
    change: Change = verdict.fan.change
    if change.pct is not None and change.ci95_pct is not None:
        told = signed(change.pct, change.ci95_pct).replace("-", "\u2212")
        said.append(f"Last 30 days against the baseline, at like temperature: {told}")
    if verdict.fan.reason:
        said.append(f"Whether it changed is not known: {verdict.fan.reason}")
    said.append(
        "Bars: half of the time at that temperature; between two steps of speed a fan turns at either"
    )
    return ". ".join(said) + "."


def _no_fan(verdict: Verdict, fan: str) -> str:
    """Why nothing can be said of a fan, and what would bring it."""
    if fan:
        return f"{verdict.fan.reason or 'its speed is not counted'}; a fan that counts its turns would tell"
    return "no fan is counted that follows this path; one with a tachometer on the board would tell"


def _bin(middle_c: float) -> str:
    return f"{middle_c - FAN_BIN_K / 2.0:.0f} to {middle_c + FAN_BIN_K / 2.0:.0f} °C"


def _whose(verdict: Verdict) -> str:
    assert verdict.model is not None  # it has a fan
    if not verdict.model.shared_with:
        return f"temperature of {verdict.source}"
    return f"the hottest of {all_of([verdict.source, *verdict.model.shared_with])}"


def _between(cells: pd.DataFrame, days: Days) -> pd.DataFrame:
    first, end = day_of(days[0]).isoformat(), day_of(days[1] - 1).isoformat()
    found: pd.DataFrame = cells[(cells["day"] >= first) & (cells["day"] <= end)]
    return found


def _draw(
    axes: Axes, speeds: pd.DataFrame, apart_k: float, *, color: str, marker: str, style: str, label: str
) -> None:
    at_c = speeds.index.to_numpy(float) + apart_k
    axes.vlines(at_c, speeds["low"], speeds["high"], color=color, lw=3.0, alpha=0.45)
    # No line over temperatures that were not seen.
    holes = np.flatnonzero(np.diff(at_c) > LONGEST_HOLE_K) + 1
    line_c, median = (np.insert(one, holes, np.nan) for one in (at_c, speeds["median"].to_numpy(float)))
    axes.plot(line_c, median, marker, ls=style, color=color, ms=5.0, lw=1.0, label=label)


def _limit_range(axes: Axes, speeds: pd.DataFrame) -> None:
    low, high = float(speeds["low"].min()), float(speeds["high"].max())
    least = LEAST_RANGE_SHARE * high
    axes.set_ylim(max(0.0, low - max(least, 0.1 * (high - low))), high + max(least, 0.25 * (high - low)))
    axes.locator_params(nbins=6)
    axes.yaxis.set_major_formatter(lambda rpm, _: f"{rpm:,.0f}")
