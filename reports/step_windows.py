"""Finds load steps in what was recorded and cuts out the looks around each of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.records import Cadence

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

AFTER_LOOKS = 3  # a shift that lasts fewer looks is a spike
BEFORE_LOOKS = 5
NEAR_SHARE = 0.4
# Looks "a second" apart: late ones count too, a missing one does not.
CLOSE_S = 1.6
BEFORE_S = 12.0  # at idle the machine is looked at every ten seconds: at least one look must fall in here
LONG_GAP_S = 120.0  # over a longer gap nobody knows what the power was
# What the slow parts still carry they learn from before the window, five rows at a time: four minutes where
# looks are a second apart, more where they are means.
NEAR_ROWS, FAR_ROWS, FAR_STRIDE = 16, 48, 5
IDLE_LOOK_S = 10.0  # distance of looks within a mean at idle; under load it is a second


@dataclass(frozen=True, slots=True)
class StepSettings:
    """What makes a load step [s, W, shares].

    Attributes
    ----------
    step_fraction
        Least change as a share of the range in which the source moves.
    step_range_w
        That range [W]; from the history at hand where None.
    least_step_w
        Least change in any case [W].
    steady_fraction
        Largest scatter before and after, as a share of the change.
    after_s, least_after_s
        Looks this long after a step are used; fewer than the second say nothing about slow parts.
    average_s
        Over how long before its time a power reading is the mean; None where since the last look.
    """

    step_fraction: float = 0.15
    step_range_w: float | None = None
    least_step_w: float = 4.0
    steady_fraction: float = 0.2
    after_s: float = 60.0
    least_after_s: float = 12.0
    average_s: float | None = 1.0


@dataclass(frozen=True, slots=True)
class Looks:
    """The usable rows of a source: those with temperature and power both.

    Attributes
    ----------
    times_s
        Seconds since 1970.
    power_end_s
        Where the mean in a row of several looks ends [s since 1970]; the time itself for a single look.
    temperature_c, power_w
        Readings, no NaN.
    is_single
        One look rather than a mean.
    rows
        Position in the frame.
    """

    times_s: Array
    power_end_s: Array
    temperature_c: Array
    power_w: Array
    is_single: Flags
    rows: Indices


@dataclass(frozen=True, slots=True)
class StepWindows:
    """The looks around each step; arrays of shape (n_steps, n_looks), padded at the front.

    Attributes
    ----------
    onsets
        Index in the looks of the first look of each step, shape (n_steps,).
    indices
        Index in the looks.
    is_read
        Whether the temperature of the look takes part; the rest is history and padding.
    is_far
        Columns that stand for several rows, shape (n_looks,).
    reasons
        Why a step cannot be used, empty where it can.
    """

    onsets: Indices
    indices: Indices
    is_read: Flags
    is_far: Flags
    reasons: list[str]

    def part(self, begin: int, end: int) -> StepWindows:
        """Some consecutive steps."""
        few = slice(begin, end)
        return StepWindows(
            self.onsets[few], self.indices[few], self.is_read[few], self.is_far, self.reasons[few]
        )


def usable_looks(frame: pd.DataFrame) -> Looks:
    """Rows of a source frame that have temperature and power."""
    temperature_c = frame["temperature_c"].to_numpy(float)
    power_w = frame["power_w"].to_numpy(float)
    rows = np.flatnonzero(np.isfinite(temperature_c) & np.isfinite(power_w))
    index = pd.DatetimeIndex(frame.index)
    times_s = index.as_unit("ms").asi8[rows] / 1000.0
    n_looks = frame["n_looks"].to_numpy()[rows]
    spacing_s = np.where(frame["cadence"].to_numpy()[rows] == Cadence.IDLE, IDLE_LOOK_S, 1.0)
    # A mean of hurried looks ends sooner than its pace says, but never after the next row's time.
    next_s = np.append(times_s[1:], np.inf)
    return Looks(
        times_s=times_s,
        power_end_s=np.minimum(times_s + (n_looks - 1) / 2 * spacing_s, next_s),
        temperature_c=temperature_c[rows],
        power_w=power_w[rows],
        is_single=n_looks == 1,
        rows=rows,
    )


def find_onsets(looks: Looks, settings: StepSettings) -> Indices:
    """Index of the first look of each load step.

    A step is a shift that lasts: the mean of the three looks after the first one against the median of up to
    five before it.
    """
    n = len(looks.times_s)
    if n < AFTER_LOOKS + 2:
        return np.empty(0, np.int64)
    power_w, times_s = looks.power_w, looks.times_s
    range_w = settings.step_range_w
    if range_w is None:
        range_w = float(np.diff(np.quantile(power_w, [0.02, 0.98]))[0])
    least_w = max(settings.step_fraction * range_w, settings.least_step_w)
    candidates = _worth_a_look(times_s, power_w, least_w)
    late = power_w[candidates[:, None] + np.arange(1, AFTER_LOOKS + 1)]
    early_at = candidates[:, None] - np.arange(1, BEFORE_LOOKS + 1)
    is_early = (early_at >= 0) & (times_s[np.maximum(early_at, 0)] >= times_s[candidates, None] - BEFORE_S)
    is_early[:, 0] = True
    early = np.where(is_early, power_w[np.maximum(early_at, 0)], np.nan)
    before_w = np.nanmedian(early, axis=1)
    change_w = late.mean(axis=1) - before_w
    scatter_w = np.maximum(np.nanstd(early, axis=1), late.std(axis=1))
    first_w = (power_w[candidates] - before_w) * np.sign(change_w)
    is_step = (
        (np.abs(change_w) >= least_w)
        & (scatter_w <= settings.steady_fraction * np.abs(change_w))
        & (first_w > -0.1 * np.abs(change_w))
    )
    return _strongest(candidates[is_step], np.abs(change_w[is_step]), first_w[is_step], times_s)


def _worth_a_look(times_s: Array, power_w: Array, least_w: float) -> Indices:
    """Looks that might begin a step: a year of looks is a thousand times its steps."""
    late_w = (power_w[2:-2] + power_w[3:-1] + power_w[4:]) / AFTER_LOOKS
    # A level that is as steady as it must be holds its last look within half of the change.
    is_far = np.abs(late_w - power_w[:-4]) >= NEAR_SHARE * least_w
    is_close = times_s[4:] - times_s[1:-3] <= AFTER_LOOKS * CLOSE_S
    is_known = times_s[1:-3] - times_s[:-4] <= BEFORE_S
    return np.flatnonzero(is_far & is_close & is_known) + 1


def cut_windows(looks: Looks, onsets: Indices, settings: StepSettings) -> StepWindows:
    """Cut the looks around each step, up to the next one, with the history before them."""
    times_s = looks.times_s
    n, n_after = len(times_s), int(settings.after_s) + 4
    far = -NEAR_ROWS - FAR_STRIDE * np.arange(FAR_ROWS, 0, -1)
    span = np.concatenate([far, np.arange(-NEAR_ROWS, n_after)])
    indices = np.clip(onsets[:, None] + span, 0, max(n - 1, 0))
    at_s = times_s[onsets][:, None]
    following = np.append(onsets[1:], n)
    previous = np.append(-1, onsets[:-1])
    ends = np.minimum(following, np.searchsorted(times_s, times_s[onsets] + settings.after_s, "right"))
    is_inside = (onsets[:, None] + span >= 0) & (indices < ends[:, None]) & (onsets[:, None] + span < n)
    spacing_s = np.diff(times_s, prepend=times_s[:1] - 1e9)
    is_gap = spacing_s > LONG_GAP_S
    last_gap = np.maximum.accumulate(np.where(is_gap, np.arange(n), 0))
    begin = last_gap[onsets]
    is_inside &= indices >= begin[:, None]
    is_read = (
        is_inside
        & looks.is_single[indices]
        & (times_s[indices] >= at_s - BEFORE_S)
        & (indices > previous[:, None])
    )
    # Outside: padding repeats the first look of the window in front, the last behind.
    first = np.argmax(is_inside, axis=1)
    last = is_inside.shape[1] - 1 - np.argmax(is_inside[:, ::-1], axis=1)
    columns = np.clip(np.arange(len(span)), first[:, None], last[:, None])
    indices = np.take_along_axis(indices, columns, axis=1)
    reasons = [
        _reason(times_s[indices[s]][is_read[s]] - times_s[onsets[s]], settings) for s in range(len(onsets))
    ]
    return StepWindows(onsets, indices, is_read, np.arange(len(span)) <= FAR_ROWS, reasons)


def _strongest(candidates: Indices, change_w: Array, first_w: Array, times_s: Array) -> Indices:
    """Of neighbours that see the same step, the one that sees it first and whole."""
    kept: list[int] = []
    group: list[int] = []
    for position, candidate in enumerate(candidates):
        if group and times_s[candidate] - times_s[candidates[group[-1]]] > CLOSE_S:
            kept.append(_first_of(group, candidates, change_w, first_w))
            group = []
        group.append(position)
    if group:
        kept.append(_first_of(group, candidates, change_w, first_w))
    return np.array(kept, np.int64)


def _first_of(group: list[int], candidates: Indices, change_w: Array, first_w: Array) -> int:
    largest = max(change_w[position] for position in group)
    whole = [position for position in group if change_w[position] >= 0.9 * largest]
    # The first look that shows anything of the step; before it the mean of the looks after shows it already.
    shown = [position for position in whole if first_w[position] >= 0.03 * change_w[position]]
    return int(candidates[(shown or whole)[0]])


def _reason(read_s: Array, settings: StepSettings) -> str:
    """Why looks at these times after the onset [s] cannot show an answer; empty where they can."""
    if not (read_s < 0.0).any():
        return f"not identifiable: no look within {BEFORE_S:g} s before the step"
    after_s = read_s[read_s >= 0.0]
    if after_s[-1] < settings.least_after_s:
        return f"not identifiable: the load changed again after {after_s[-1]:.0f} s"
    early_s = after_s[after_s <= settings.least_after_s]
    if np.diff(early_s, prepend=0.0, append=settings.least_after_s).max() > CLOSE_S:
        return "not identifiable: no looks a second apart after the step"
    return ""
