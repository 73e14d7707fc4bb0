"""Wraps a group and takes out what sensors invent: dead channels, glitching tachometers, reads that stall.

Discovery puts every group that is read into this wrapper, so that no other code needs to know these habits.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from statistics import median

from ...store.records import Channel, Missing
from .base import Reading, SensorGroup
from .swing import LoadSwings, StuckWatch

log = logging.getLogger(__name__)

NO_SPEED_MILLI = 65_535_000  # all bits set: the controller has no answer
# A healthy fan does not leave its learned range by more than this; twice the speed is a counting fault.
HEADROOM = 1.2
# One misread sample never repeats; a fan that really spins faster does.
PROOF_READS = 5
PROOF_SPREAD = 1.1
STALL_S = 0.2  # the notes of the controllers' drivers tell of hangs and sound drop-outs far below this
STALL_READS = 5


class FanWatch:
    """Median of three readings of one tachometer, bounded by what the fan has shown it can do."""

    def __init__(self) -> None:
        self._last: deque[int] = deque(maxlen=3)
        self._beyond: deque[int] = deque(maxlen=PROOF_READS)
        self._learned = 0

    def filtered(self, speed_milli_rpm: int) -> Reading:
        """Pass one reading [mRPM] through the filter."""
        if speed_milli_rpm >= NO_SPEED_MILLI:
            return Missing.IMPLAUSIBLE
        if (
            len(self._last) == 3
            and speed_milli_rpm > HEADROOM * self._learned
            and not self._is_proven(speed_milli_rpm)
        ):
            return Missing.IMPLAUSIBLE
        self._last.append(speed_milli_rpm)
        middle = sorted(self._last)[(len(self._last) - 1) // 2]  # of two the lower
        self._learned = max(self._learned, middle)
        return middle

    def _is_proven(self, speed_milli_rpm: int) -> bool:
        self._beyond.append(speed_milli_rpm)
        if len(self._beyond) < PROOF_READS or max(self._beyond) > PROOF_SPREAD * min(self._beyond):
            return False
        self._last.extend(self._beyond)
        self._beyond.clear()
        return True


class WatchedGroup:
    """A group whose readings have passed the watches.

    Parameters
    ----------
    group
        The group itself.
    swings
        Load swings of the part that heats this group's channels.
    patience
        How many swings, and over what time [s], a channel may sleep through before it counts as dead.
    stopwatch
        Seconds that pass while the group is read.
    """

    def __init__(
        self,
        group: SensorGroup,
        swings: LoadSwings,
        patience: tuple[int, float],
        stopwatch: Callable[[], float] = time.perf_counter,
    ) -> None:
        self.group = group
        self._swings, self._stopwatch = swings, stopwatch
        quantities = [channel.quantity for channel in group.channels]
        self._stuck = [
            (i, StuckWatch(swings, *patience))
            for i, q in enumerate(quantities)
            if "temperature" in q or q == "power_w"
        ]
        self._fans = [(i, FanWatch()) for i, q in enumerate(quantities) if q == "speed_rpm"]
        self._load = quantities.index("utilization_pct") if "utilization_pct" in quantities else None
        self._costs_s: deque[float] = deque(maxlen=STALL_READS)
        self._is_off = False

    @property
    def name(self) -> str:
        """Name of the group inside."""
        return self.group.name

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Channels of the group inside."""
        return self.group.channels

    @property
    def min_period_s(self) -> float:
        """Least time between two reads [s]."""
        return self.group.min_period_s

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        if self._is_off:
            return [Missing.NOT_READ] * len(self.channels)
        began_s = self._stopwatch()
        readings = list(self.group.read(at_boot_s))
        took_s = self._stopwatch() - began_s
        if took_s > STALL_S or self._costs_s:
            self._note_cost(took_s)
        if self._load is not None:
            self._swings.note(readings[self._load], at_boot_s)
        for index, watch in self._stuck:
            reading = readings[index]
            if isinstance(reading, int) and watch.is_stuck(reading, at_boot_s):
                readings[index] = Missing.STUCK
        for index, fan in self._fans:
            reading = readings[index]
            if isinstance(reading, int):
                readings[index] = fan.filtered(reading)
        return readings

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return [Missing.NOT_READ] * len(self.channels) if self._is_off else self.group.peek(at_boot_s)

    def facts(self) -> Mapping[str, str]:
        return {} if self._is_off else self.group.facts()

    def close(self) -> None:
        self.group.close()

    def _note_cost(self, took_s: float) -> None:
        self._costs_s.append(took_s)
        if len(self._costs_s) == STALL_READS:
            middle_s = median(self._costs_s)
            self._costs_s.clear()
            if middle_s > STALL_S:
                self._is_off = True
                log.warning(
                    "%s: one read takes %.0f ms and would disturb the machine; off until the next start",
                    self.name,
                    middle_s * 1000,
                )
