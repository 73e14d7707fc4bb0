"""Stretches of load, and what clock, power and temperature were early and late in each.

What a short run hides shows here: a sink that is not yet warm lets any clock stand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from .grid import Grid, Rows
from .reference_temperature import IDLE_FACTOR
from .window_groups import LOADED_FACTOR

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Index = npt.NDArray[np.int64]

BIN_S = 10.0
QUIET_BIN_S = 120.0  # at idle a row stands for a minute
LEAST_COVERAGE = 0.5
LONGEST_DIP_BINS = 3  # a loading screen is part of the work
LEAST_S = 120.0
LOAD_SHARE = 0.3  # of the range between idle and the highest power
HIGH_QUANTILE = 0.98
# Seconds since the load began: the first minute without its first look, minutes 5 to 10, and all from minute
# 20 on, of which there must be five.
MOMENTS_S = {"minute_1": (10.0, 60.0), "after_5_min": (300.0, 600.0), "after_20_min": (1200.0, math.inf)}
LEAST_LENGTH_S = {"minute_1": 60.0, "after_5_min": 600.0, "after_20_min": 1500.0}
QUANTITIES = ("clock_mhz", "power_w", "temperature_c", "utilization_pct", "memory_utilization_pct")
SHARES = ("thermal_limited_pct", "power_limited_pct")
LEAST_OF_MOMENT = 0.5  # of its bins
MINUTES = 60
BINS_OF_MINUTE = round(60.0 / BIN_S)


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Where the load of a source lies.

    Attributes
    ----------
    grid, rows
        Bins of `BIN_S`, and where the rows of the frame lie in them.
    begins, ends
        First bin and end (not included) of each stretch, shape (n_stretches,).
    """

    grid: Grid
    rows: Rows
    begins: Index
    ends: Index

    @property
    def begins_utc(self) -> pd.DatetimeIndex:
        """When each began."""
        moments = self.grid.middles(self.begins) - pd.Timedelta(seconds=BIN_S / 2)
        return pd.DatetimeIndex(moments, name="begin_utc")

    def load_time_s(self) -> Array:
        """For how long each row of the frame stands for load [s], 0 outside of every stretch."""
        is_load = np.zeros(self.grid.n_bins + 1, np.int64)
        np.add.at(is_load, self.begins, 1)
        np.add.at(is_load, self.ends, -1)
        return np.where(np.cumsum(is_load)[self.rows.bins] > 0, self.rows.spans_s, 0.0)


def load_threshold_w(*frames: pd.DataFrame) -> float | None:
    """Power above which a source is under load [W]; None where no power was ever had.

    It lies between what the source idles at and the highest that it was seen to take, so it depends on what
    is looked at: a day on which nothing heavy ran has a lower one. Take it once from a long stretch, such as
    an era, and hand it to every `load_stretches` of that stretch's parts; then a day gives alone what it
    gives within its week, and two periods mean the same by load.

    Parameters
    ----------
    frames
        As `Reader.source_frame` gives them; of several stretches, however far apart, those with rows count.
    """
    power_w = np.concatenate([frame["power_w"].to_numpy(float) for frame in frames])
    known_w = power_w[np.isfinite(power_w)]
    if not len(known_w):
        return None
    grids = [Grid.of(frame.index, QUIET_BIN_S) for frame in frames]
    by_minutes = [grid.mean(frame["power_w"]) for grid, frame in zip(grids, frames, strict=True)]
    idle_w = grids[0].idle(np.concatenate(by_minutes))
    high_w = float(np.quantile(known_w, HIGH_QUANTILE))
    return max(LOADED_FACTOR * IDLE_FACTOR * idle_w, idle_w + LOAD_SHARE * (high_w - idle_w))


def find_stretches(frame: pd.DataFrame, load_w: float | None = None) -> Stretches:
    """Find where the load of a source lies.

    Parameters
    ----------
    frame
        As `Reader.source_frame` gives it.
    load_w
        Power above which it is load [W], as `load_threshold_w` gives it; None takes it from this very frame.
    """
    grid = Grid.of(frame.index, BIN_S, LEAST_COVERAGE)
    rows = grid.rows(frame.index)
    threshold_w = load_threshold_w(frame) if load_w is None else load_w
    if threshold_w is None or not grid.n_bins:
        return Stretches(grid, rows, np.empty(0, np.int64), np.empty(0, np.int64))
    begins, ends = _runs(grid.mean(frame["power_w"], rows) > threshold_w)  # a bin without readings is none
    # Dips are closed by joining the runs on both sides of them.
    is_apart = begins[1:] - ends[:-1] > LONGEST_DIP_BINS
    begins = begins[np.concatenate([[True], is_apart])] if len(begins) else begins
    ends = ends[np.concatenate([is_apart, [True]])] if len(ends) else ends
    is_long = (ends - begins) * BIN_S >= LEAST_S
    return Stretches(grid, rows, begins[is_long], ends[is_long])


def load_stretches(frame: pd.DataFrame, load_w: float | None = None) -> pd.DataFrame:
    """Find the stretches of load of a source, and what it did in each.

    Parameters
    ----------
    frame, load_w
        As for `find_stretches`.

    Returns
    -------
    DataFrame
        As `table_of` gives it.
    """
    return table_of(frame, find_stretches(frame, load_w))


def table_of(frame: pd.DataFrame, stretches: Stretches) -> pd.DataFrame:
    """What a source did in each of its stretches.

    Returns
    -------
    DataFrame
        One row a stretch, index its begin in UTC: ``length_s``; each of `QUANTITIES` at each of `MOMENTS_S`,
        such as ``clock_mhz_after_5_min``; the mean of each of `SHARES`. NaN where the stretch was too short,
        or nothing was had. A gap ends a stretch.
    """
    begins, ends = stretches.begins, stretches.ends
    lengths_s: Array = np.asarray((ends - begins) * BIN_S, float)
    columns: dict[str, Array] = {"length_s": lengths_s}
    for name in (*QUANTITIES, *SHARES):
        sums = _Sums(_binned(frame, stretches, name))
        if name in SHARES:
            columns[name] = sums.means(begins, ends)
            continue
        for word, (from_s, to_s) in MOMENTS_S.items():
            last = ends if math.isinf(to_s) else np.minimum(begins + round(to_s / BIN_S), ends)
            mean = sums.means(begins + round(from_s / BIN_S), last)
            columns[f"{name}_{word}"] = np.where(lengths_s >= LEAST_LENGTH_S[word], mean, np.nan)
    return pd.DataFrame(columns, index=stretches.begins_utc)


def minutes_of(frame: pd.DataFrame, stretches: Stretches) -> pd.DataFrame:
    """What a source did in each whole minute of its stretches.

    Returns
    -------
    DataFrame
        One row a minute: ``stretch`` (its number, from 0), ``minute`` (from 1, the first without its first
        bin), and the mean of each of `QUANTITIES` and `SHARES`, NaN where half of it was not had.
    """
    counts = (stretches.ends - stretches.begins) // BINS_OF_MINUTE
    which = np.repeat(np.arange(len(counts)), counts)
    minute = np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)
    first = stretches.begins[which] + minute * BINS_OF_MINUTE
    means = {
        name: _Sums(_binned(frame, stretches, name)).means(first + (minute == 0), first + BINS_OF_MINUTE)
        for name in (*QUANTITIES, *SHARES)
    }
    return pd.DataFrame({"stretch": which, "minute": minute + 1} | means)


def minutes_of_load(frame: pd.DataFrame, load_w: float | None = None) -> pd.DataFrame:
    """Mean clock, power and temperature in each of the first sixty minutes of load.

    Parameters
    ----------
    frame, load_w
        As for `find_stretches`.

    Returns
    -------
    DataFrame
        Index ``minute``, from 1; ``clock_mhz``, ``power_w``, ``temperature_c``, and in how many stretches the
        minute was seen, ``n``.
    """
    found = find_stretches(frame, load_w)
    sums = {name: _Sums(_binned(frame, found, name)) for name in ("clock_mhz", "power_w", "temperature_c")}
    rows = []
    for minute in range(1, MINUTES + 1):
        is_long = found.begins + minute * BINS_OF_MINUTE <= found.ends
        first = found.begins[is_long] + (minute - 1) * BINS_OF_MINUTE
        means = {name: one.means(first, first + BINS_OF_MINUTE) for name, one in sums.items()}
        rows.append(
            {"minute": minute, "n": int(is_long.sum())}
            | {
                name: float(np.nanmean(mean)) if np.isfinite(mean).any() else np.nan
                for name, mean in means.items()
            }
        )
    return pd.DataFrame(rows).set_index("minute")


def _binned(frame: pd.DataFrame, stretches: Stretches, name: str) -> Array:
    if name not in frame:
        return np.full(stretches.grid.n_bins, np.nan)
    return stretches.grid.mean(frame[name], stretches.rows)


def _runs(flags: Flags) -> tuple[Index, Index]:
    edges = np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


class _Sums:
    """Running sums of a series with holes, for means between any two bins."""

    def __init__(self, values: Array) -> None:
        is_had = np.isfinite(values)
        self._sums = np.concatenate([[0.0], np.cumsum(np.where(is_had, values, 0.0))])
        self._counts = np.concatenate([[0], np.cumsum(is_had)])

    def means(self, first: Index, end: Index) -> Array:
        """Mean from each first bin up to, not including, each end; NaN where half of them are missing."""
        last = len(self._counts) - 1
        first, end = np.minimum(first, last), np.minimum(np.maximum(end, first), last)
        count = self._counts[end] - self._counts[first]
        total = self._sums[end] - self._sums[first]
        enough = count >= np.maximum(LEAST_OF_MOMENT * (end - first), 1)
        return np.where(enough, total / np.maximum(count, 1), np.nan)
