"""How temperature answers to a load step: the raw looks of many steps, laid on top of each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ...store.derived import DerivedStore
from ...store.errors import TooFewWindowsError
from ...store.packing import DAY_MS
from ...store.reader import Reader
from ..baseline import WITHIN_CLASS_SD
from ..classes import step_classes
from ..derivation import Derivation
from ..era_model import EraModel
from ..part_settings import airflow_settings
from ..power_history import correct_power

Array = npt.NDArray[np.float64]
Names = npt.NDArray[np.str_]
Span = tuple[int, int]

# Looks come once a second: finer times would show nothing more. After a minute only means are kept, and which
# work went on for longer, and what it did to fan and case, differs more from month to month than the path
# does: of eighteen healthy simulated paths one stood off by 14 % (2.8 standard errors) at 100 s, none by more
# than 6 % (1.4) at a minute.
AFTER_S = np.array([1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 13, 16, 20, 25, 32, 40, 50, 60.0])
JOINT_S = 3.0
MOST_DAYS, MOST_STEPS = 10, 150
LEAST_STEPS = 8  # on each side, at each time
# What was before still moves the temperature: a minute without a step is what most loads leave.
STEADY_BEFORE_S, BEFORE_S = 60.0, 12.0
STEADY_SHARE = 0.25  # of the step
BESIDE_SHARE = 0.5  # on a common sink a neighbour's watt counts about half: common practice, no source
SHOWN_LATE_S = 0.5  # the look that shows a step first comes half a second after it, on average
LONGEST_HOLE_S = 30.0
LEAST_STEP_W = 4.0
MEDIAN_ERROR = 1.2533  # standard error of a median over that of a mean of normal values
QUARTILES_OF_SD = 1.349


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """One side; arrays of shape (n_times,).

    Attributes
    ----------
    median, low, high
        Temperature rise per watt of the step, and its quartiles [K/W].
    n_steps
        How many of the steps were still steady then.
    days
        How many days they are from.
    """

    median: Array
    low: Array
    high: Array
    n_steps: npt.NDArray[np.int64]
    days: int


@dataclass(frozen=True, slots=True, eq=False)
class StepAnswers:
    """Then and now; both sides hold the same mixture of work. Arrays of shape (n_times,).

    Attributes
    ----------
    after_s
        Time since the step [s].
    then, now
        Both sides.
    grown, grown_error
        By how much more it answers now, and the standard error of that [K/W].
    """

    after_s: Array
    then: Answer
    now: Answer
    grown: Array
    grown_error: Array


def gather_answers(
    reader: Reader,
    derived: DerivedStore,
    derivation: Derivation,
    model: EraModel,
    *,
    then_utc_ms: Span,
    now_utc_ms: Span,
) -> StepAnswers:
    """Lay the load steps of two stretches on top of each other.

    Rising and falling steps count alike: the change of temperature since the onset over the change of power.
    A step counts for as long as its power stays, and while none of the sources on the same sink steps. Both
    sides take the same number of steps of each class of work.

    Parameters
    ----------
    reader, derived, derivation
        Of the machine, up to date.
    model
        Of the era.
    then_utc_ms, now_utc_ms
        Two stretches [ms since 1970]; of the first the first ten days with steps count, of the second the
        last ten.

    Raises
    ------
    TooFewWindowsError
        Too few steps on one side, or none of the same kind on both.
    """
    sides = [
        _side(reader, derived, derivation, model, then_utc_ms, is_newest=False),
        _side(reader, derived, derivation, model, now_utc_ms, is_newest=True),
    ]
    for side, words in zip(sides, ("in the baseline", "of late"), strict=True):
        if len(side.classes) < LEAST_STEPS:
            raise TooFewWindowsError(
                f"{len(side.classes)} load steps after a steady minute {words}, {LEAST_STEPS} are needed",
                remedy="record for longer, with work that starts and stops",
            )
    chosen = _matched(sides[0].classes, sides[1].classes)
    if len(chosen[0]) < LEAST_STEPS:
        raise TooFewWindowsError(
            "not comparable: the load steps of late are of another kind than those of the baseline",
            remedy="run something that was run in the baseline",
        )
    curves = [side.curves[which] for side, which in zip(sides, chosen, strict=True)]
    n_both = np.minimum(*(np.isfinite(one).sum(axis=0) for one in curves))
    enough = n_both >= LEAST_STEPS
    n_times = len(AFTER_S) if enough.all() else int(np.argmin(enough))
    if n_times < 2:
        raise TooFewWindowsError("no load step stayed for some seconds", remedy="record for longer")
    curves = [one[:, :n_times] for one in curves]
    then, now = (
        _answer(one, len(np.unique(side.days[which])))
        for one, side, which in zip(curves, sides, chosen, strict=True)
    )
    return StepAnswers(AFTER_S[:n_times], then, now, *_grown(curves, airflow_settings(model).systematic_sd))


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """Curves (n_steps, n_times), NaN from where a step ended; class and day of each step."""

    curves: Array
    classes: Names
    days: npt.NDArray[np.int64]


def _side(
    reader: Reader,
    derived: DerivedStore,
    derivation: Derivation,
    model: EraModel,
    span_utc_ms: Span,
    *,
    is_newest: bool,
) -> _Side:
    steps = derived.load_steps(model.source, *span_utc_ms)
    steps = steps[steps[["power_before_w", "power_after_w", "temperature_before_c"]].notna().all(axis=1)]
    change_w = (steps["power_after_w"] - steps["power_before_w"]).abs()
    steps = steps[change_w >= LEAST_STEP_W]
    days = np.unique(steps["at_utc_ms"].to_numpy(np.int64) // DAY_MS)
    days = days[-MOST_DAYS:] if is_newest else days[:MOST_DAYS]
    beside = _beside(derived, model, span_utc_ms)
    curves, classes, of_days = [], [], []
    for run in np.split(days, np.flatnonzero(np.diff(days) > 1) + 1):
        if not len(run):
            continue
        begin, end = int(run[0]) * DAY_MS, int(run[-1] + 1) * DAY_MS
        frame = reader.source_frame(model.source, begin, end)
        power_w = correct_power(frame["power_w"], derivation.scales[model.source])
        looks = _Looks.of(frame, np.asarray(power_w, float))
        mine = steps[(steps["at_utc_ms"] >= begin) & (steps["at_utc_ms"] < end)]
        names = step_classes(mine).to_numpy(str) if len(mine) else np.zeros(0, str)
        numbers = mine[["at_utc_ms", "power_before_w", "power_after_w"]].to_numpy(float)
        for (at_utc_ms, before_w, after_w), name in zip(numbers, names, strict=True):
            curve = looks.answer(at_utc_ms / 1000.0, before_w, after_w, beside)
            if curve is not None:
                curves.append(curve)
                classes.append(name)
                of_days.append(int(at_utc_ms) // DAY_MS)
    return _Side(
        np.array(curves).reshape(-1, len(AFTER_S)), np.array(classes, str), np.array(of_days, np.int64)
    )


def _beside(derived: DerivedStore, model: EraModel, span_utc_ms: Span) -> Array:
    """Steps of the sources on the same sink: when [s since 1970] and how large [W], by time."""
    found = [np.zeros((0, 2))]
    for name in model.shared_with:
        steps = derived.load_steps(name, *span_utc_ms)
        size_w = (steps["power_after_w"] - steps["power_before_w"]).abs()
        found.append(np.column_stack([steps["at_utc_ms"] / 1000.0, size_w]))
    every = np.concatenate(found)
    return np.asarray(every[np.argsort(every[:, 0])], float)


@dataclass(frozen=True, slots=True, eq=False)
class _Looks:
    """Rows with temperature and power both: s since 1970, °C, W."""

    times_s: Array
    temperature_c: Array
    power_w: Array

    @staticmethod
    def of(frame: pd.DataFrame, power_w: Array) -> _Looks:
        temperature_c = frame["temperature_c"].to_numpy(float)
        known = np.isfinite(temperature_c) & np.isfinite(power_w)
        times_s = pd.DatetimeIndex(frame.index).as_unit("ms").asi8 / 1000.0
        return _Looks(times_s[known], temperature_c[known], power_w[known])

    def answer(self, at_s: float, before_w: float, after_w: float, beside: Array) -> Array | None:
        """Answer to one step at `AFTER_S` [K/W], NaN from where it ended; None where it was not steady."""
        times_s, change_w = self.times_s, after_w - before_w
        steady, near, onset, end = np.searchsorted(
            times_s,
            [at_s - STEADY_BEFORE_S, at_s - BEFORE_S, at_s - 0.001, at_s + AFTER_S[-1] + LONGEST_HOLE_S],
        )
        room_w = STEADY_SHARE * abs(change_w)
        beside_s = beside[beside[:, 1] > BESIDE_SHARE * abs(change_w), 0]
        began, following = np.searchsorted(beside_s, [at_s - STEADY_BEFORE_S, at_s + JOINT_S])
        if onset - near < 1 or onset == len(times_s) or following > began:
            return None
        if np.abs(self.power_w[steady:onset] - before_w).max() > room_w:
            return None
        end_s = beside_s[following] if following < len(beside_s) else np.inf
        after = slice(onset, end)
        is_over = np.abs(self.power_w[after] - after_w) > room_w
        is_over[0] = False  # the first look is a mixture of before and after
        is_over |= (times_s[after] >= end_s) | (np.diff(times_s[after], prepend=at_s) > LONGEST_HOLE_S)
        n = int(np.argmax(is_over)) if is_over.any() else len(is_over)
        since_s = times_s[after][:n] - at_s + SHOWN_LATE_S
        rise_k = self.temperature_c[after][:n] - self.temperature_c[near:onset].mean()
        if n < 2:
            return None
        return np.asarray(np.interp(AFTER_S, since_s, rise_k / change_w, right=np.nan), float)


def _matched(then: Names, now: Names) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Which steps of both sides to take: as many of each class, spread evenly over the days."""
    both = np.intersect1d(then, now)
    places = [(np.flatnonzero(then == name), np.flatnonzero(now == name)) for name in both]
    n_all = sum(min(len(a), len(b)) for a, b in places)
    share = min(1.0, MOST_STEPS / max(n_all, 1))
    chosen: tuple[list[npt.NDArray[np.int64]], list[npt.NDArray[np.int64]]] = ([], [])
    for of_class in places:
        n = round(share * min(len(one) for one in of_class))
        for kept, one in zip(chosen, of_class, strict=True):
            kept.append(one[np.linspace(0, len(one) - 1, n).astype(np.int64)])
    first, second = (np.concatenate([np.zeros(0, np.int64), *kept]) for kept in chosen)
    return first, second


def _answer(curves: Array, n_days: int) -> Answer:
    low, median, high = np.nanquantile(curves, [0.25, 0.5, 0.75], axis=0)
    return Answer(median, low, high, np.isfinite(curves).sum(axis=0), n_days)


def _grown(curves: Sequence[Array], wander: float) -> tuple[Array, Array]:
    """Difference of the medians of both sides, and its standard error.

    Work of one class is not all alike, and what comes after the joint wanders with fan and weather.
    """
    quartiles = [np.nanquantile(one, [0.25, 0.5, 0.75], axis=0) for one in curves]
    errors = [
        MEDIAN_ERROR * (high - low) / QUARTILES_OF_SD / np.sqrt(np.isfinite(one).sum(axis=0))
        for one, (low, _, high) in zip(curves, quartiles, strict=True)
    ]
    then, now = (middle for _, middle, _ in quartiles)
    joint = np.where(AFTER_S[: len(then)] <= JOINT_S, then, np.interp(JOINT_S, AFTER_S[: len(then)], then))
    alike = (WITHIN_CLASS_SD * joint) ** 2 + (wander * (then - joint)) ** 2
    return now - then, np.sqrt(errors[0] ** 2 + errors[1] ** 2 + alike)
