"""What the air was: from a probe in the room, from a probe in the case, or from the source's own idle.

Every reference carries two errors: one that all moments share (its offset against the room) and one of each
moment alone. A probe in the case lies above the room by an amount that is learned where the machine was seen
to start cold; where it never did, only what rooms are like bounds it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError

Array = npt.NDArray[np.float64]

# Rooms that people work in, over a month: common practice, no source.
ROOM_C, ROOM_SD_K = 21.5, 3.0
AMBIENT_OFFSET_SD_K = 1.0  # a probe in the room hangs nearer to or farther from the machine: common practice
AMBIENT_SCATTER_K = 0.1
COLD_AFTER_S = 3 * 3600.0  # off for so long, everything in a case has the temperature of the room
COLD_WITHIN_S = 180.0  # and keeps it for the first minutes
COLD_ERROR_K = 1.0  # what those minutes and the parts nearby may have warmed it already
WARM_FROM_S, WARM_TO_S = 3600.0, 3 * 3600.0  # by then an idle machine is warm, and the room still the same
IDLE_QUANTILE, IDLE_FACTOR = 0.1, 1.3
IDLE_MEDIAN = "2h"
HOURLY = "1h"
STALE_S = 2 * 3600.0  # beyond, a reading says nothing of the moment
LEAST_IDLE_WINDOWS = 10
RESTED_SHARE = 0.1  # of the idle power, what a lag may still make of earlier work
SELF_WARMED = ("ssd", "nvme", "disk", "dimm")  # by their own work, just when the sources work too


class ReferenceKind(Enum):
    """Where a reference temperature comes from, best first."""

    AMBIENT = "ambient probe"
    PROXY = "probe in the case"
    OWN_IDLE = "the source's own idle"


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """The air's temperature over time.

    Attributes
    ----------
    kind, name
        Where it comes from; name of the probe, empty for the source's own idle.
    readings_c
        What the probe (or the idle source) said [°C], UTC index.
    offset_k, offset_error_k
        What it says above the air and its standard error [K]; common to all moments.
    scatter_k
        Standard error of each moment alone [K].
    n_cold_starts
        How often the machine was seen to start cold.
    """

    kind: ReferenceKind
    name: str
    readings_c: pd.Series
    offset_k: float
    offset_error_k: float
    scatter_k: float
    n_cold_starts: int = 0

    def at(self, moments: pd.DatetimeIndex) -> Array:
        """Temperature of the air at some moments [°C]; NaN where no reading is near enough."""
        if not len(self.readings_c):
            return np.full(len(moments), np.nan)
        known_s, asked_s = seconds(pd.DatetimeIndex(self.readings_c.index)), seconds(moments)
        values = self.readings_c.to_numpy(float)
        read_c = np.interp(asked_s, known_s, values)
        after = np.clip(np.searchsorted(known_s, asked_s), 0, len(known_s) - 1)
        before = np.maximum(after - 1, 0)
        distance_s = np.minimum(np.abs(known_s[after] - asked_s), np.abs(known_s[before] - asked_s))
        stale_s = STALE_S if self.kind is not ReferenceKind.OWN_IDLE else 12 * STALE_S
        air_c: Array = np.where(distance_s <= stale_s, read_c - self.offset_k, np.nan)
        return air_c


def choose_reference(
    windows: pd.DataFrame,
    readings_c: pd.Series,
    probes_c: Mapping[str, pd.Series],
    ambient: str = "ambient",
) -> Reference:
    """The best reference that a machine offers.

    Parameters
    ----------
    windows
        Settled windows of the source, as `settled_windows` gives them.
    readings_c
        Temperature of the source itself as it was recorded [°C], UTC index.
    probes_c
        Temperature of each probe [°C], UTC index.
    ambient
        Name of the probe that hangs in the room.

    Raises
    ------
    AnalysisError
        No probe, and the source was never seen idle.
    """
    known = {name: readings.dropna() for name, readings in probes_c.items()}
    if len(known.get(ambient, ())):
        return from_ambient(known[ambient], ambient)
    inside = [
        from_case(name, readings, windows)
        for name, readings in known.items()
        if len(readings) and not name.startswith(SELF_WARMED)
    ]
    steady = [reference for reference in inside if reference.scatter_k < ROOM_SD_K]
    if steady:
        return min(steady, key=lambda reference: math.hypot(reference.offset_error_k, reference.scatter_k))
    return from_own_idle(windows, readings_c)


def from_ambient(readings_c: pd.Series, name: str = "ambient") -> Reference:
    """A reference from a probe in the room."""
    return Reference(
        ReferenceKind.AMBIENT, name, readings_c.dropna(), 0.0, AMBIENT_OFFSET_SD_K, AMBIENT_SCATTER_K
    )


def from_case(name: str, readings_c: pd.Series, windows: pd.DataFrame) -> Reference:
    """A reference from a probe in the case, its offset learned from cold starts and from what rooms are like.

    The scatter is how far the probe wanders against the idle source, both hung in the same air.
    """
    readings_c = readings_c.dropna()
    idle = idle_windows(windows)
    offset_k, error_k, n_cold = offset_of(readings_c, windows)
    reference = Reference(ReferenceKind.PROXY, name, readings_c, offset_k, error_k, 0.0, n_cold)
    apart_k = idle["temperature_c"].to_numpy(float) - reference.at(pd.DatetimeIndex(idle.index))
    apart_k = apart_k[np.isfinite(apart_k)]
    scatter_k = float(np.std(apart_k)) if len(apart_k) >= LEAST_IDLE_WINDOWS else ROOM_SD_K
    return Reference(ReferenceKind.PROXY, name, readings_c, offset_k, error_k, scatter_k, n_cold)


def from_own_idle(windows: pd.DataFrame, readings_c: pd.Series) -> Reference:
    """A reference from the source's own idle, by the hour; its idle rise is bounded by what rooms are like.

    Raises
    ------
    AnalysisError
        The source was hardly ever seen idle.
    """
    idle = rested(idle_windows(windows))["temperature_c"]
    if len(idle) < LEAST_IDLE_WINDOWS:
        raise AnalysisError(
            "not identifiable: no probe says what the air was, and the source was hardly ever idle",
            remedy="hang a probe in the room, or let the machine idle for an hour now and then",
        )
    smooth = hourly_idle(idle)
    offset_k, error_k, n_cold = offset_of(smooth, windows, readings_c)
    wander_k = float(np.std(np.diff(smooth.to_numpy(float)))) if len(smooth) > 2 else ROOM_SD_K
    return Reference(ReferenceKind.OWN_IDLE, "", smooth, offset_k, error_k, wander_k, n_cold)


def hourly_idle(idle_c: pd.Series) -> pd.Series:
    """Idle temperature by the hour [°C]: the median of this hour and the one before."""
    hourly = idle_c.groupby(pd.DatetimeIndex(idle_c.index).floor(HOURLY)).median()
    return hourly.rolling(IDLE_MEDIAN, min_periods=1).median()


def idle_windows(windows: pd.DataFrame) -> pd.DataFrame:
    """Those of some settled windows in which all sources idled."""
    is_idle = np.ones(len(windows), bool)
    for column in windows.columns:
        if column == "power_w" or column.startswith("power_w."):
            power_w = windows[column].to_numpy(float)
            idle_w = float(np.quantile(power_w, IDLE_QUANTILE)) if len(power_w) else 0.0
            is_idle &= power_w <= IDLE_FACTOR * idle_w
    return windows[is_idle]


def rested(idle: pd.DataFrame) -> pd.DataFrame:
    """Those of some idle windows that no longer feel earlier work."""
    late = [column for column in idle.columns if column.startswith("late_")]
    if not late:
        return idle
    is_rested = idle[late].abs().max(axis=1) <= RESTED_SHARE * idle["power_w"]
    return idle[is_rested] if int(is_rested.sum()) >= LEAST_IDLE_WINDOWS else idle


def offset_of(
    readings_c: pd.Series, windows: pd.DataFrame, recorded_c: pd.Series | None = None
) -> tuple[float, float, int]:
    """What a probe says above the room when warm and idle, its standard error [K], and cold starts seen.

    Two sources of knowledge are joined, each by its own error: rooms are like rooms; and after hours of rest
    a probe's first readings are the room's.
    """
    usual_c = float(np.median(readings_c))
    idle = idle_windows(windows)
    if len(idle):
        idle_s, known_s = (seconds(pd.DatetimeIndex(index)) for index in (idle.index, readings_c.index))
        usual_c = float(np.median(np.interp(idle_s, known_s, readings_c)))
    offset_k, variance_k2 = usual_c - ROOM_C, ROOM_SD_K**2
    seen_k = cold_offsets_k(readings_c if recorded_c is None else recorded_c.dropna())
    if len(seen_k):
        learned_k = float(np.median(seen_k))
        own_k2 = float(np.var(seen_k)) / len(seen_k) if len(seen_k) > 1 else COLD_ERROR_K**2
        learned_k2 = own_k2 + COLD_ERROR_K**2
        weight = variance_k2 / (variance_k2 + learned_k2)
        offset_k = weight * learned_k + (1.0 - weight) * offset_k
        variance_k2 = 1.0 / (1.0 / variance_k2 + 1.0 / learned_k2)
    return offset_k, math.sqrt(variance_k2), len(seen_k)


def cold_offsets_k(readings_c: pd.Series) -> Array:
    """By how much a probe rose from each cold start to the warm idle of the hours after it [K]."""
    times_s, values = seconds(pd.DatetimeIndex(readings_c.index)), readings_c.to_numpy(float)
    if len(values) < 2:
        return np.empty(0)
    starts = np.flatnonzero(np.diff(times_s) >= COLD_AFTER_S) + 1
    found = []
    for start in starts:
        first = times_s[start]
        cold = values[start : np.searchsorted(times_s, first + COLD_WITHIN_S)]
        warm = values[
            np.searchsorted(times_s, first + WARM_FROM_S) : np.searchsorted(times_s, first + WARM_TO_S)
        ]
        if len(cold) and len(warm):
            found.append(float(np.quantile(warm, IDLE_QUANTILE)) - float(np.min(cold)))
    return np.array(found)


def seconds(index: pd.DatetimeIndex) -> Array:
    """Moments as seconds since 1970."""
    moments: Array = index.as_unit("ms").asi8 / 1000.0
    return moments
