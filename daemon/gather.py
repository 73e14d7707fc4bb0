"""Reads the groups that are due and puts every reading at its place in a look."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from typing import Any

from ..store.records import REASON_BITS, Missing
from ..store.units import POWER, QUANTITY_INDEX, SOURCE_QUANTITIES, UTILIZATION
from .layout import Layout, Place, SourceLayout
from .looks import Look, SourceLook
from .sensors.base import Peekable, Reading, SensorGroup

log = logging.getLogger(__name__)

SLOW_READ_S = 0.05  # embedded controllers that take longer are known to stutter sound and pointer
SLOW_READS = 3
SLOW_PERIOD_S = 60.0
# A group that wants to rest one second must not miss its turn because the timer woke a hair early.
EARLY_SHARE = 0.1
# No graphics card draws half as much again as its limit for as long as its own averaging takes.
# (A processor may: its short-term limit is several times the sustained one.)
ABSURD_POWER_SHARE = 1.5
# What is read within half a look belongs to it; counters are dated to a fiftieth of one.
LATE_S = 0.5
FRESH_S = 0.02
LIMIT = QUANTITY_INDEX["enforced_limit_w"]
POWER_SHIFT = REASON_BITS * POWER


class GroupReader:
    """One group, its pace and its trouble."""

    def __init__(self, group: SensorGroup, stopwatch: Callable[[], float]) -> None:
        self.group = group
        self.size = len(group.channels)
        self._stopwatch = stopwatch
        self._min_period_s = group.min_period_s * (1 - EARLY_SHARE)
        self._read_at_boot_s: float | None = None
        self._slow_reads = 0
        self._is_broken = False
        self._is_doubtful = False
        self.not_read: tuple[Reading, ...] = (Missing.NOT_READ,) * self.size
        self._failed: tuple[Reading, ...] = (Missing.READ_ERROR,) * self.size

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        """Read the group if it is due."""
        least_s = self._min_period_s if self._slow_reads < SLOW_READS else SLOW_PERIOD_S
        if self._read_at_boot_s is not None and 0 <= at_boot_s - self._read_at_boot_s < least_s:
            return self.not_read
        self._read_at_boot_s = at_boot_s
        began_s = self._stopwatch()
        readings = self._guarded(self.group.read, at_boot_s)
        self._note_cost(self._stopwatch() - began_s)
        if self._is_doubtful:
            self._is_doubtful = False
            return (Missing.FIRST_LOOK,) * self.size
        return readings

    def doubt(self) -> Sequence[Reading]:
        """Take back what was read last: it came too late to say of which moment it tells.

        What the next read gives goes as well, because counters are then compared with that moment.
        """
        self._is_doubtful = True
        return (Missing.TIMEOUT,) * self.size

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        """Read only what betrays a load; nothing from a group that is slow or broken."""
        if self._is_broken or self._slow_reads >= SLOW_READS:
            return self.not_read
        return self._guarded(self.group.peek, at_boot_s)

    def recipe(self, index: int) -> dict[str, Any] | None:
        """How another process may peek at a channel; None where it may not."""
        group = self.group
        if self._is_broken or self._slow_reads >= SLOW_READS or not isinstance(group, Peekable):
            return None
        return group.recipe(index)

    def _guarded(self, read: Callable[[float], Sequence[Reading]], at_boot_s: float) -> Sequence[Reading]:
        """A fault in one group's own code must not cost the readings of the others."""
        try:
            readings = read(at_boot_s)
        except Exception as error:
            return self._break(f"{type(error).__name__}: {error}")
        if len(readings) != self.size:
            return self._break(f"{len(readings)} readings for {self.size} channels")
        if self._is_broken:
            log.info("%s: reads again", self.group.name)
            self._is_broken = False
        return readings

    def _break(self, why: str) -> Sequence[Reading]:
        if not self._is_broken:
            log.warning("%s: cannot be read, its values stay empty (%s)", self.group.name, why)
            self._is_broken = True
        return self._failed

    def _note_cost(self, took_s: float) -> None:
        if took_s <= SLOW_READ_S:
            if self._slow_reads >= SLOW_READS:
                log.info("%s: answers quickly again, read at full pace", self.group.name)
            self._slow_reads = 0
            return
        self._slow_reads += 1
        if self._slow_reads == SLOW_READS:
            log.info(
                "%s: one read takes %.0f ms; read every %.0f s from now on, so as not to disturb the machine",
                self.group.name,
                took_s * 1000,
                SLOW_PERIOD_S,
            )


class Gatherer:
    """Makes looks of a layout.

    Parameters
    ----------
    layout
        Groups, and which of their readings belongs to which source or probe.
    stopwatch
        Seconds that pass while a group is read; real ones, even where the clock is turned fast.
    boot_s
        Seconds since boot [s].
    late_s
        A group that takes longer ends the look [s since boot].
    """

    def __init__(
        self,
        layout: Layout,
        stopwatch: Callable[[], float] = time.perf_counter,
        boot_s: Callable[[], float] = time.monotonic,
        late_s: float = LATE_S,
    ) -> None:
        self._boot_s, self._late_s = boot_s, late_s
        self._readers = [GroupReader(group, stopwatch) for group in layout.groups]
        offsets, end = [], 0
        for reader in self._readers:
            offsets.append(end)
            end += reader.size
        self._offsets = offsets
        self._end = end

        def at(place: Place | None) -> int:
            # The last entry of every look's readings says "not exposed".
            return end if place is None else offsets[place.group] + place.index

        self._sources = [tuple(at(place) for place in source.places) for source in layout.sources]
        self._layout_sources = layout.sources
        self._limit_reasons = [at(source.limit_reasons) for source in layout.sources]
        self._has_hard_limit = [source.kind == "gpu" for source in layout.sources]
        self._probes = [at(probe.place) for probe in layout.probes]
        self._peeked = sorted({p.group for source in layout.sources for p in _trigger_places(source)})

    def look(self, time_utc_ms: int, at_boot_s: float, withheld: Missing | None = None) -> Look:
        """Read everything that is due.

        Parameters
        ----------
        time_utc_ms
            What the look is dated [ms since 1970].
        at_boot_s
            Seconds since boot [s].
        withheld
            A reason to trust no value of this look; the groups are read all the same, so that counters find
            their footing and closed files are opened again.
        """
        readings = self._readings(at_boot_s)
        if withheld is not None:
            readings = [r if r is Missing.ASLEEP or r is Missing.NOT_READ else withheld for r in readings]
        readings.append(Missing.NOT_EXPOSED)
        sources = tuple(self._source(readings, index, places) for index, places in enumerate(self._sources))
        if not self._probes:
            return Look(time_utc_ms, sources, None, None)
        values: list[int | None] = []
        reasons: list[int] = []
        for place in self._probes:
            reading = readings[place]
            if isinstance(reading, Missing):
                values.append(None)
                reasons.append(reading.value)
            else:
                values.append(reading)
                reasons.append(0)
        return Look(time_utc_ms, sources, tuple(values), tuple(reasons))

    def peek(self, at_boot_s: float, quantities: Sequence[int]) -> list[int | None]:
        """Read one triggering quantity of each source, as cheaply as it can be had.

        Parameters
        ----------
        at_boot_s
            Seconds since boot [s].
        quantities
            Index in `SOURCE_QUANTITIES`, one for each source.
        """
        readings: list[Reading] = [Missing.NOT_READ] * (self._end + 1)
        for index in self._peeked:
            reader = self._readers[index]
            offset = self._offsets[index]
            readings[offset : offset + reader.size] = reader.peek(at_boot_s)
        triggers: list[int | None] = []
        for places, quantity in zip(self._sources, quantities, strict=True):
            reading = readings[places[quantity]]
            triggers.append(None if isinstance(reading, Missing) else reading)
        return triggers

    def _readings(self, at_boot_s: float) -> list[Reading]:
        """Every group's readings; what a group that was late has held up is read at the next look."""
        readings: list[Reading] = []
        is_held_up = False
        for reader in self._readers:
            if is_held_up:
                readings.extend(reader.not_read)
                continue
            own = reader.read(at_boot_s)
            passed_s = self._boot_s() - at_boot_s
            is_held_up = passed_s > self._late_s
            readings.extend(reader.doubt() if is_held_up else own)
            if passed_s > FRESH_S:  # the rates of the others are taken against the time that it is now
                at_boot_s += passed_s
        return readings

    def orders(
        self, quantities: Sequence[int], levels: Sequence[tuple[float, float] | None]
    ) -> list[dict[str, Any]] | None:
        """What another process has to peek at in our stead; None where it cannot.

        Parameters
        ----------
        quantities
            Index in `SOURCE_QUANTITIES`, one for each source.
        levels
            Between what each stays [thousandths], None where that is not known.
        """
        found = []
        for source, quantity, level in zip(self._layout_sources, quantities, levels, strict=True):
            place = source.places[quantity]
            if place is None or level is None:
                continue
            recipe = self._readers[place.group].recipe(place.index)
            if recipe is None:
                return None
            found.append({**recipe, "low": level[0], "high": level[1]})
        return found or None

    def _source(self, readings: list[Reading], index: int, places: tuple[int, ...]) -> SourceLook:
        values: list[int | None] = []
        missing = shift = 0
        for place in places:
            reading = readings[place]
            if isinstance(reading, Missing):
                values.append(None)
                missing |= reading.value << shift
            else:
                values.append(reading)
            shift += REASON_BITS
        power, limit = values[POWER], values[LIMIT]
        if power is not None and limit and self._has_hard_limit[index] and power > ABSURD_POWER_SHARE * limit:
            values[POWER] = None
            missing |= Missing.IMPLAUSIBLE.value << POWER_SHIFT
        limit_reasons = readings[self._limit_reasons[index]]
        return SourceLook(
            tuple(values), None if isinstance(limit_reasons, Missing) else limit_reasons, missing
        )


def _trigger_places(source: SourceLayout) -> list[Place]:
    assert len(source.places) == len(SOURCE_QUANTITIES)
    return [place for place in (source.places[POWER], source.places[UTILIZATION]) if place is not None]
