"""Before and after a journal entry: resistances, temperature and clocks, each with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ...store.reader import Reader
from ..baseline import NORMAL_95, Change
from ..compare import Comparison
from ..heat_path import Estimate
from ..message_words import all_of, day_of_ms, signed, size
from .compared_clocks import compared_clocks
from .day_axis import span_words
from .picture import AIRFLOW, FAINT, INK, INTERFACE, NOW, RC, THEN, Picture, new_figure

Interval = tuple[float, float]

APART = 0.16  # of a row, between before and after
LEAST_HALF_RANGE_PCT = 5.0  # so that what did not change looks as calm as it is
ROOM_SHARE = 0.15
NUMBER_ROOM = 0.15  # of the axis, for the number beside the longest bar


@dataclass(frozen=True, slots=True)
class Pair:
    """One quantity before and after in its own unit, and its change; None where ``reason`` says why.

    Attributes
    ----------
    before_ci95, after_ci95
        Each by itself.
    change, change_ci95
        Known better than either side: what is wrong in both cancels.
    """

    name: str
    color: str
    before: float | None = None
    before_ci95: Interval | None = None
    after: float | None = None
    after_ci95: Interval | None = None
    change: float | None = None
    change_ci95: Interval | None = None
    reason: str = ""


@rc_context(RC)
def comparison_pictures(reader: Reader, one: Comparison) -> list[Picture]:
    """What an entry did to one source; what is not known says why.

    Parameters
    ----------
    reader
        Of the machine, for the clocks of the first minute.
    one
        From `compare`.
    """
    window = "; ".join(
        f"{word} {span_words(side.from_utc_ms, side.to_utc_ms, side.n_days)}"
        for word, side in (("before:", one.before), ("after:", one.after))
        if side is not None
    )
    kinds = list(dict.fromkeys(entry.kind.value.replace("_", " ") for entry in one.entries))
    done = f"{all_of(kinds)} of {day_of_ms(one.era.from_utc_ms)}"
    return [
        _parts(one, done, window),
        _temperature(one, done, window),
        compared_clocks(reader, one, done, window),
    ]


def _parts(one: Comparison, done: str, window: str) -> Picture:
    fit = one.fit
    pairs = [
        _pair_of("interface part", INTERFACE, fit.interface if fit else None, one.interface),
        _pair_of("airflow part", AIRFLOW, fit.airflow if fit else None, one.airflow),
        _pair_of("whole path", NOW, fit.total if fit else None, one.total),
    ]
    if fit is not None:
        lacking = (fit.no_interface, fit.no_airflow, fit.no_airflow)
        pairs = [
            pair if pair.after is not None else Pair(pair.name, pair.color, reason=pair.reason or why)
            for pair, why in zip(pairs, lacking, strict=True)
        ]
    key = f"{one.source}-compared-parts"
    title = f"{one.source}, {done}: {', '.join(_finding(pair) for pair in pairs[:2])}"
    if all(pair.after is None for pair in pairs):
        return Picture(key, title, window, "", None, all_of(list(dict.fromkeys(p.reason for p in pairs))))
    said = ". ".join(_pair_words(pair, "K/W", "%") for pair in pairs)
    if one.is_joint:
        said += ". Several things were done within a day; what each did cannot be told"
    return Picture(key, title, window, f"{said}.", _drawn(pairs, "K/W", "%"))


def _temperature(one: Comparison, done: str, window: str) -> Picture:
    key, told = f"{one.source}-compared-temperature", one.temperatures
    asked = f"{one.source}, {done}: how hot at the same power in the same room?"
    if told is None or one.fit is None or one.fit.total is None:
        return Picture(key, asked, window, "", None, one.no_temperatures)
    half_k = NORMAL_95 * told.power_w * one.fit.total.standard_error_k_per_w
    after_half_k = math.hypot(half_k, (told.ci95_k[1] - told.ci95_k[0]) / 2.0)
    pair = Pair(
        f"{told.power_w:.0f} W,\n{told.ambient_c:.0f} °C room",
        NOW,
        told.before_c,
        (told.before_c - half_k, told.before_c + half_k),
        told.after_c,
        (told.after_c - after_half_k, told.after_c + after_half_k),
        told.change_k,
        told.ci95_k,
    )
    if told.ci95_k[0] <= 0.0 <= told.ci95_k[1]:
        found = "not surely another temperature"
    else:
        found = f"{abs(told.change_k):.1f} K {'cooler' if told.change_k < 0.0 else 'hotter'}"
    title = f"{one.source}, {done}: {found} at {told.power_w:.0f} W in a room of {told.ambient_c:.0f} °C"
    return Picture(key, title, window, f"{_pair_words(pair, '°C', 'K')}.", _drawn([pair], "°C", "K"))


def _pair_of(name: str, color: str, known: Estimate | None, told: Change) -> Pair:
    """A part of the path [K/W] and its change [%]."""
    if known is None or told.pct is None or told.ci95_pct is None:
        return Pair(name, color, reason=told.reason)
    ratio = 1.0 + told.pct / 100.0
    after = known.k_per_w * ratio
    of_change = (told.ci95_pct[1] - told.ci95_pct[0]) / 200.0 * known.k_per_w
    half = math.hypot(NORMAL_95 * known.standard_error_k_per_w * ratio, of_change)
    return Pair(
        name,
        color,
        known.k_per_w,
        known.ci95,
        after,
        (after - half, after + half),
        told.pct,
        told.ci95_pct,
    )


def _finding(pair: Pair) -> str:
    if pair.change is None or pair.change_ci95 is None:
        return f"{pair.name} not known"
    if pair.change_ci95[0] <= 0.0 <= pair.change_ci95[1]:
        return f"{pair.name} not surely changed"
    return f"{pair.name} {size(pair.change)}"


def _pair_words(pair: Pair, unit: str, change_unit: str) -> str:
    name = pair.name.replace("\n", " ")
    if pair.before is None or pair.after is None or pair.change is None or pair.change_ci95 is None:
        return f"{name[0].upper()}{name[1:]}: {pair.reason}"
    before, after = (_plain(value, unit) for value in (pair.before, pair.after))
    change = signed(pair.change, pair.change_ci95, change_unit).replace("-", "\u2212")
    return f"{name[0].upper()}{name[1:]}: {before} before, {after} {unit} after, {change}"


def _plain(value: float, unit: str) -> str:
    return f"{value:.1f}" if unit == "°C" else f"{value:.{3 if value >= 0.1 else 4}f}"


def _drawn(pairs: list[Pair], unit: str, change_unit: str) -> Figure:
    """Before above after in each row, with intervals; the change beside them."""
    figure, (values, changes) = new_figure(n_columns=2, height_in=1.3 + 0.6 * len(pairs))
    grid = values.get_gridspec()
    assert grid is not None  # made by subplots
    grid.set_width_ratios([3.0, 2.0])
    shown: list[float] = []
    for row, pair in enumerate(pairs):
        if pair.before is None or pair.after is None or pair.change is None:
            values.annotate(
                "not known", (0.02, row), xycoords=("axes fraction", "data"), va="center", color=FAINT
            )
            continue
        _draw_interval(values, pair.before, pair.before_ci95, row - APART, (THEN, "s"))
        _draw_interval(values, pair.after, pair.after_ci95, row + APART, (pair.color, "o"))
        for value, ci95, at in (
            (pair.before, pair.before_ci95, row - APART),
            (pair.after, pair.after_ci95, row + APART),
        ):
            end = value if ci95 is None else ci95[1]
            values.annotate(
                _plain(value, unit),
                (end, at),
                xytext=(5, 0),
                textcoords="offset points",
                va="center",
                color=INK,
            )
        _draw_interval(changes, pair.change, pair.change_ci95, row, (pair.color, "o"))
        assert pair.change_ci95 is not None  # where there is a change
        shown += pair.change_ci95
        label = signed(pair.change, pair.change_ci95, change_unit).split(" (")[0].replace("-", "\u2212")
        changes.annotate(
            label, (pair.change, row), xytext=(0, 6), textcoords="offset points", ha="center", color=INK
        )
    for axes in (values, changes):
        axes.set_ylim(len(pairs) - 0.45, -0.55)
        axes.grid(visible=False, axis="y")
        axes.set_yticks(range(len(pairs)), [pair.name for pair in pairs] if axes is values else [])
        axes.locator_params(axis="x", nbins=5)
    changes.axvline(0.0, color=FAINT, lw=0.9, zorder=-1)
    least = 2.0 if change_unit == "K" else LEAST_HALF_RANGE_PCT
    low, high = min([*shown, -least]), max([*shown, least])
    changes.set_xlim(low - ROOM_SHARE * (high - low), high + ROOM_SHARE * (high - low))
    changes.tick_params(axis="y", length=0.0)
    left, right = values.get_xlim()
    if unit == "K/W":
        left = 0.0  # the parts are parts of the whole
    values.set_xlim(left, right + NUMBER_ROOM * (right - left))
    values.set_xlabel(f"{unit}; before (square) and after (round)")
    changes.set_xlabel(f"change, {change_unit}")
    return figure


def _draw_interval(
    axes: Axes, value: float, ci95: Interval | None, row: float, look: tuple[str, str]
) -> None:
    color, marker = look
    if ci95 is not None:
        axes.plot(ci95, [row, row], color=color, lw=3.0, alpha=0.4, solid_capstyle="butt")
    axes.plot([value], [row], marker, color=color, ms=5.0)
