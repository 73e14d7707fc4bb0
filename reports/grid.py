"""Time in bins on a fixed grid, so that a day gives the same numbers alone as within a year."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

MILLISECOND = "datetime64[ms]"
ROW_SPAN_LIMIT_S = 75.0  # a mean of idle looks stands for 60 s, a late one for a little more; beyond is a gap
LEAST_COVERAGE = 0.75
IDLE_QUANTILE = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Where rows lie in a grid: bin of each, and how long it stands for [s], 0 where it lies outside."""

    bins: Index
    spans_s: Array


@dataclass(frozen=True, slots=True)
class Grid:
    """Bins of equal length over a stretch of time, on multiples of their length since 1970.

    Attributes
    ----------
    first, n_bins
        Number of the first bin since 1970, and how many there are.
    bin_s
        Length [s].
    least_coverage
        Share of a bin for which rows must stand.
    """

    first: int
    n_bins: int
    bin_s: float
    least_coverage: float

    @classmethod
    def of(cls, index: pd.Index, bin_s: float, least_coverage: float = LEAST_COVERAGE) -> Grid:
        """The bins that hold every moment of an index."""
        if not len(index):
            return cls(0, 0, bin_s, least_coverage)
        edges = moments_ms(index[[0, -1]]) // round(bin_s * 1000)
        return cls(int(edges[0]), int(edges[1] - edges[0]) + 1, bin_s, least_coverage)

    def rows(self, index: pd.Index) -> Rows:
        """Where the rows of an index lie, for columns that share it."""
        times_ms = moments_ms(index)
        bins = times_ms // round(self.bin_s * 1000) - self.first
        is_inside = (bins >= 0) & (bins < self.n_bins)
        spans_s = np.where(is_inside, row_spans_s(times_ms), 0.0)
        return Rows(np.where(is_inside, bins, 0), spans_s)

    def mean(self, values: pd.Series, rows: Rows | None = None) -> Array:
        """Mean of each bin, weighted by the time that each row stands for; NaN where too little was had.

        ``rows`` saves the work for columns that share an index.
        """
        if not self.n_bins:
            return np.empty(0)
        bins, spans_s, numbers = self._had(values, rows)
        mean: Array = np.bincount(bins, spans_s * numbers, self.n_bins) / self._covered_s(bins, spans_s)
        return mean

    def mean_and_sd(self, values: pd.Series, rows: Rows | None = None) -> tuple[Array, Array]:
        """Mean and standard deviation of each bin, as `mean`."""
        if not self.n_bins:
            return np.empty(0), np.empty(0)
        bins, spans_s, numbers = self._had(values, rows)
        covered_s = self._covered_s(bins, spans_s)
        mean: Array = np.bincount(bins, spans_s * numbers, self.n_bins) / covered_s
        away = numbers - np.nan_to_num(mean)[bins]
        sd: Array = np.sqrt(np.bincount(bins, spans_s * away * away, self.n_bins) / covered_s)
        return mean, sd

    def _had(self, values: pd.Series, rows: Rows | None) -> tuple[Index, Array, Array]:
        placed = self.rows(values.index) if rows is None else rows
        numbers = values.to_numpy(float)
        is_had = np.isfinite(numbers)
        if is_had.all():
            return placed.bins, placed.spans_s, numbers
        return placed.bins[is_had], placed.spans_s[is_had], numbers[is_had]

    def _covered_s(self, bins: Index, spans_s: Array) -> Array:
        covered_s = np.bincount(bins, spans_s, self.n_bins)
        return np.where(covered_s >= self.least_coverage * self.bin_s, covered_s, np.nan)

    def idle(self, power_w: Array) -> float:
        """What a power is at idle [W]: the mean of the quiet bins, of which there is at least one in ten."""
        known = power_w[np.isfinite(power_w)]
        return float(np.quantile(known, IDLE_QUANTILE)) if len(known) else 0.0

    def lagged(self, power_w: Array, lag_s: float, fill_w: float | None = None) -> Array:
        """Mean in each bin of what a first-order lag makes of a power: what warms a part of that inertia [W].

        Where nothing was recorded the machine is taken to have idled, at ``fill_w`` or as the rest idles.
        """
        if not len(power_w):
            return power_w
        if fill_w is None:
            fill_w = self.idle(power_w)
        filled = np.where(np.isfinite(power_w), power_w, fill_w)
        kept = math.exp(-self.bin_s / lag_s)
        lag = pd.Series(filled).ewm(alpha=1.0 - kept, adjust=False)  # a first-order lag, settled at its start
        at_end: Array = lag.mean().to_numpy(float)
        at_start = np.concatenate([filled[:1], at_end[:-1]])
        lagged: Array = filled + (at_start - filled) * (1.0 - kept) * lag_s / self.bin_s
        return lagged

    def middles(self, bins: Index) -> pd.DatetimeIndex:
        """Middle of each bin, by its number."""
        length_ms = round(self.bin_s * 1000)
        middles = ((bins + self.first) * length_ms + length_ms // 2).astype(MILLISECOND)
        return pd.DatetimeIndex(middles, name="time_utc").tz_localize("UTC")


def moments_ms(index: pd.Index) -> Index:
    """Moments of a UTC index [ms since 1970]."""
    moments: Index = pd.DatetimeIndex(index).as_unit("ms").asi8
    return moments


def row_spans_s(times_ms: Index) -> Array:
    """How long each row stands for [s]: half way to its neighbours, and not across a gap."""
    steps_s = np.diff(times_ms) / 1000.0
    steps_s = np.where(steps_s > ROW_SPAN_LIMIT_S, np.nan, steps_s)
    before = np.concatenate([[np.nan], steps_s])
    after = np.concatenate([steps_s, [np.nan]])
    # At the edge of a gap the side that is known speaks for both.
    before, after = np.where(np.isnan(before), after, before), np.where(np.isnan(after), before, after)
    spans: Array = np.nan_to_num((before + after) / 2.0)
    return spans


def earlier(values: Array, n_bins: int) -> Array:
    """The values ``n_bins`` earlier, NaN where there is none."""
    shifted = np.full_like(values, np.nan)
    if n_bins < len(values):
        shifted[n_bins:] = values[: len(values) - n_bins]
    return shifted
