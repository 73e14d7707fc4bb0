"""Wraps a group and takes out what sensors invent: dead channels, glitching tachometers, reads that stall.

Discovery puts every group that is read into this wrapper, so that no other code needs to know these habits.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from statistics import median
from typing import Any

from ...store.records import Channel, Missing
from .base import Peekable, Reading, SensorGroup
from .swing import LoadSwings, StuckWatch

log = logging.getLogger(__name__)

NO_SPEED_MILLI = 65_535_000  # all bits set: the controller has no answer
# Faster than the fans of desktops and laptops; what controllers invent for a standing fan begins about here.
USUAL_HIGHEST_MILLI = 8_000_000
HEADROOM = 1.2  # a healthy fan does not leave its learned range by more
# One invented speed never repeats; a fan that really spins so fast does.
PROOF_READS = 3
PROOF_SPREAD = 1.1
JUMP = 1.6  # the known miscounts are twofold and more
STALL_S = 0.2  # the notes of the controllers' drivers tell of hangs and sound drop-outs far below this
STALL_READS = 5
# A machine under full load reads slowly too: what was left in peace is asked again, less and less often.
FIRST_REST_S, LONGEST_REST_S = 3600.0, 86_400.0


class FanWatch:
    """Tells what a tachometer invents from a fan that starts, stops and changes its speed.

    Between two looks, a minute apart on some controllers, a healthy fan may go from standstill to full speed,
    so no change is impossible; but what is invented lasts for one look. A jump is therefore believed when
    the next look confirms it, and until then the fan has the middle one of its last three readings. Only what
    hardly any fan can do is refused, until the fan has proven it.
    """

    def __init__(self) -> None:
        self._last: deque[int] = deque(maxlen=2)
        self._beyond: deque[int] = deque(maxlen=PROOF_READS)
        self._learned = 0

    def filtered(self, speed_milli_rpm: int) -> Reading:
        """Pass one reading [mRPM] through the filter."""
        if speed_milli_rpm >= NO_SPEED_MILLI:
            self._beyond.clear()
            return Missing.IMPLAUSIBLE
        if speed_milli_rpm > max(USUAL_HIGHEST_MILLI, HEADROOM * self._learned):
            self._beyond.append(speed_milli_rpm)
            if not self._is_proven():
                return Missing.IMPLAUSIBLE if self._last else Missing.FIRST_LOOK
            self._last.extend(self._beyond)
        self._beyond.clear()
        before = self._last[-1] if self._last else speed_milli_rpm
        recent = sorted((*self._last, speed_milli_rpm))
        self._last.append(speed_milli_rpm)
        is_jump = max(before, speed_milli_rpm) > JUMP * min(before, speed_milli_rpm)
        believed = recent[(len(recent) - 1) // 2] if is_jump else speed_milli_rpm  # of two the lower
        self._learned = max(self._learned, believed)
        return believed

    def _is_proven(self) -> bool:
        """Whether speeds beyond all experience came in a row and agree; at first two are enough."""
        enough = len(self._beyond) == PROOF_READS or (not self._last and len(self._beyond) > 1)
        return enough and max(self._beyond) <= PROOF_SPREAD * min(self._beyond)


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
        self._is_off, self._off_until_s, self._rest_s = False, 0.0, FIRST_REST_S

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
        if self._is_off and at_boot_s < self._off_until_s:
            return [Missing.NOT_READ] * len(self.channels)
        self._is_off = False
        began_s = self._stopwatch()
        readings = list(self.group.read(at_boot_s))
        took_s = self._stopwatch() - began_s
        if took_s > STALL_S or self._costs_s:
            self._note_cost(took_s, at_boot_s)
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

    def recipe(self, index: int) -> dict[str, Any] | None:
        if self._is_off or not isinstance(self.group, Peekable):
            return None
        return self.group.recipe(index)

    def facts(self) -> Mapping[str, str]:
        return {} if self._is_off else self.group.facts()

    def close(self) -> None:
        self.group.close()

    def _note_cost(self, took_s: float, at_boot_s: float) -> None:
        self._costs_s.append(took_s)
        if len(self._costs_s) < STALL_READS:
            return
        middle_s = median(self._costs_s)
        self._costs_s.clear()
        if middle_s <= STALL_S:
            self._rest_s = FIRST_REST_S
            return
        self._is_off, self._off_until_s = True, at_boot_s + self._rest_s
        log.warning(
            "%s: one read takes %.0f ms and would disturb the machine; left in peace for %.0f h",
            self.name,
            middle_s * 1000,
            self._rest_s / 3600.0,
        )
        self._rest_s = min(2.0 * self._rest_s, LONGEST_REST_S)
