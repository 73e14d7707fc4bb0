"""Load swings, and channels that sleep through them.

Placeholders of firmware (a constant 27.8 °C) and sensors that a driver lost (the last value for ever) betray
 themselves by one thing: the machine goes from idle to full load and back, and they do not move.
"""

from __future__ import annotations

from .base import Reading

IDLE_MILLI_PCT = 20_000
BUSY_MILLI_PCT = 60_000
# A die answers within seconds, its sensor counts whole degrees: after half a minute of load it has moved.
HELD_S = 30.0
# Swings, and seconds, that a channel may sleep through. A die moves on the spot; a probe may sit in a calm
# place, but no place in or near a computer keeps its temperature for a day.
SOURCE_PATIENCE = (3, 0.0)
PROBE_PATIENCE = (10, 86_400.0)


class LoadSwings:
    """Counts how often a part went from idle to a load that lasted."""

    __slots__ = ("_busy_since_s", "_was_idle", "count")

    def __init__(self) -> None:
        self.count = 0
        self._was_idle = False
        self._busy_since_s: float | None = None

    def note(self, utilization_milli_pct: Reading, at_boot_s: float) -> None:
        """Follow the utilisation; a missing one ends nothing and starts nothing."""
        if not isinstance(utilization_milli_pct, int):
            return
        if utilization_milli_pct < IDLE_MILLI_PCT:
            self._was_idle, self._busy_since_s = True, None
        elif utilization_milli_pct < BUSY_MILLI_PCT:
            self._busy_since_s = None
        elif self._was_idle:
            if self._busy_since_s is None:
                self._busy_since_s = at_boot_s
            elif at_boot_s - self._busy_since_s >= HELD_S:
                self.count += 1
                self._was_idle, self._busy_since_s = False, None


class StuckWatch:
    """Follows one channel: stuck while it has shown one single value over enough swings and time."""

    __slots__ = ("_from_count", "_from_s", "_last", "_n_swings", "_span_s", "_swings")

    def __init__(self, swings: LoadSwings, n_swings: int, span_s: float) -> None:
        self._swings, self._n_swings, self._span_s = swings, n_swings, span_s
        self._last: int | None = None
        self._from_count, self._from_s = 0, 0.0

    def is_stuck(self, value_milli: int, at_boot_s: float) -> bool:
        """Note a reading [thousandths] and tell whether the channel is dead."""
        if value_milli != self._last:
            self._last, self._from_count, self._from_s = value_milli, self._swings.count, at_boot_s
            return False
        is_overslept = self._swings.count - self._from_count >= self._n_swings
        return is_overslept and at_boot_s - self._from_s >= self._span_s
