"""Months of a fake machine, straight through the real cadence and the real writer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..daemon.cadence import CadenceKeeper, CadenceSettings, Look
from ..store.records import Batch, Boot, Channel, Gap, GapReason, IdentityChange
from ..store.units import SOURCE_QUANTITIES
from ..store.writer import Writer
from .looks import Looker
from .machine import FakeMachine

DAY_MS = 86_400_000
BATCH_LOOKS = 4000  # large enough that a transaction costs nothing beside its rows
RUN_LOOKS = 60  # looks in one go at the fast pace
RESUME_S = 60.0  # sensors are not believed for a minute after a resume

Progress = Callable[[float, float], None]
"""Told how many days are recorded, of how many."""


@dataclass(frozen=True, slots=True)
class HistorySize:
    """What was recorded: looks at the machine, rows written, load steps kept, stretches asleep."""

    n_looks: int
    n_source_rows: int
    n_probe_rows: int
    n_steps: int
    n_gaps: int


def record_history(
    writer: Writer,
    machine: FakeMachine,
    from_utc_ms: int,
    days: float,
    progress: Progress | None = None,
    *,
    settings: CadenceSettings | None = None,
) -> HistorySize:
    """Record a stretch of a machine's life as the daemon would have.

    Looks come at the pace that the cadence asks for; at idle a peek a second may call for one at once. Where
    peeks could notice nothing, because the work stays as it is, time passes in one go.

    Parameters
    ----------
    writer
        Where to.
    machine
        Its time passes unrecorded until ``from_utc_ms``, recorded from then on.
    from_utc_ms
        Beginning [ms since 1970], not before the machine's own now.
    days
        Length [days].
    progress
        Called after every day.
    settings
        Paces and thresholds.

    Raises
    ------
    ValueError
        The beginning lies in the machine's past.
    """
    if from_utc_ms < machine.time_utc_ms:
        raise ValueError(f"{from_utc_ms} lies in the past of a machine at {machine.time_utc_ms}")
    machine.advance((from_utc_ms - machine.time_utc_ms) / 1000)
    recorder = Recorder(writer, machine, settings)
    end_ms = from_utc_ms + round(days * DAY_MS)
    next_day_ms = from_utc_ms + DAY_MS
    while machine.time_utc_ms < end_ms:
        recorder.look_next(end_ms)
        if machine.time_utc_ms >= next_day_ms:
            next_day_ms += DAY_MS
            if progress is not None:
                recorder.flush()
                progress((machine.time_utc_ms - from_utc_ms) / DAY_MS, days)
    return recorder.finish()


class Recorder:
    """Does what the poller does, with a machine instead of sensors and its time instead of a clock."""

    def __init__(self, writer: Writer, machine: FakeMachine, settings: CadenceSettings | None) -> None:
        self._writer = writer
        self._machine = machine
        self._looker = Looker(machine)
        self._settings = settings or CadenceSettings()
        self._keeper = CadenceKeeper(self._looker.source_names, self._looker.probe_names, self._settings)
        self._gaps: list[Gap] = []
        self._n_waiting = self._n_looks = self._n_source_rows = self._n_probe_rows = self._n_gaps = 0
        self._introduce()

    def look_next(self, until_ms: int) -> None:
        """Look as the cadence asks; sleep through what the machine sleeps through."""
        if self._keeper.look_period_s > self._settings.peek_period_s:
            self._wait(self._keeper.look_period_s)
            if not self._machine.is_off:
                self._add(self._looker.look())
        else:
            self._look_fast(until_ms)
        if self._machine.is_off:
            self._sleep()
        if self._n_waiting >= BATCH_LOOKS:
            self.flush()

    def flush(self) -> None:
        """Write what is finished."""
        self._n_waiting = 0
        sources, probes = self._keeper.take()
        self._n_source_rows += len(sources)
        self._n_probe_rows += len(probes)
        gaps, self._gaps = self._gaps, []
        if sources or probes or gaps:
            self._writer.write(Batch(tuple(sources), tuple(probes), tuple(gaps)))

    def finish(self) -> HistorySize:
        """Write everything."""
        self._keeper.close_open()
        self.flush()
        return HistorySize(
            self._n_looks, self._n_source_rows, self._n_probe_rows, self._keeper.n_steps, self._n_gaps
        )

    def _look_fast(self, until_ms: int) -> None:
        """Look for a while at the fast pace, then let the cadence judge.

        Doing the same thing many times in a row is a fifth faster than taking turns. Where the cadence falls
        back to the slow pace within the run, the looks that were not due serve as the peeks in between.
        """
        machine, keeper, looker = self._machine, self._keeper, self._looker
        period_s = keeper.look_period_s
        looks: list[Look] = []
        while len(looks) < RUN_LOOKS and machine.time_utc_ms < until_ms:
            machine.advance(period_s)
            if machine.is_off:
                break
            looks.append(looker.look())
        due_ms = 0
        for look in looks:
            if look.time_utc_ms < due_ms:
                quantities = zip(look.sources, keeper.trigger_quantities, strict=True)
                if not keeper.notices([source.values[quantity] for source, quantity in quantities]):
                    continue
            self._add(look)
            due_ms = look.time_utc_ms + round(keeper.look_period_s * 1000)

    def _add(self, look: Look) -> None:
        self._keeper.add(look)
        self._n_looks += 1
        self._n_waiting += 1

    def _wait(self, period_s: float) -> None:
        machine, peek_s = self._machine, self._settings.peek_period_s
        left_s = period_s
        while left_s > peek_s:
            if machine.segment.name == "idle" and machine.until_change_s >= left_s:
                break
            machine.advance(peek_s)
            left_s -= peek_s
            if machine.is_off or self._keeper.notices(self._looker.triggers()):
                return
        machine.advance(left_s)

    def _sleep(self) -> None:
        machine = self._machine
        from_ms = machine.time_utc_ms
        self._keeper.close_open()
        while machine.is_off:
            machine.advance(machine.until_change_s + RESUME_S)
        self._gaps.append(Gap(from_ms, machine.time_utc_ms, GapReason.SUSPEND))
        self._n_gaps += 1

    def _introduce(self) -> None:
        """Make machine, sources and channels known, as the daemon does at its start."""
        writer, at_ms = self._writer, self._machine.time_utc_ms
        sample = self._looker.look()
        named = zip(self._looker.source_names, self._looker.source_kinds, sample.sources, strict=True)
        for name, kind, source in named:
            writer.register_source(name, kind, at_ms)
            for quantity, value in zip(SOURCE_QUANTITIES, source.values, strict=True):
                if value is not None:
                    channel = Channel(f"fake/{name}/{quantity.name}", quantity.name, "fake", driver="fake 1")
                    writer.register_channel(channel, name, at_ms)
        for name, quantity_name in self._looker.probe_names:
            writer.register_channel(
                Channel(f"fake/{name}", quantity_name, "fake", driver="fake 1"), name, at_ms
            )
        known = {"kernel": "6.8.0", "bios": "1.0", "ac": "1"}
        changes = tuple(IdentityChange(at_ms, subject, None, value) for subject, value in known.items())
        writer.write(Batch(boots=(Boot(f"fake-{at_ms}", at_ms),), changes=changes))
