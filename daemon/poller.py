"""The monotonic loop's one tick: look or peek when due, and account for the time in which nobody looked."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from ..store.records import Gap, GapReason, IdentityChange, Missing, ProbeSample, SourceSample, unpack_missing
from .cadence import CadenceKeeper, CadenceSettings, Look
from .clock import Clock, JumpDetector, TimeJump
from .gather import LATE_S, Gatherer
from .health import SensorHealth
from .identity import IdentityWatch
from .layout import Layout

log = logging.getLogger(__name__)

# Just after resume sensors answer with errors, zeros and values from before: seen for some seconds on several
# machines, a minute is safe.
QUARANTINE_S = 60.0
FACTS_PERIOD_S = 60.0
OVERLOAD_S = 5.0  # one mean under load: a shorter hiccup shows in the times of the rows
# Some kernels let the monotonic clock run on in suspend: so long a silence is treated like a resume.
SILENCE_S = 60.0
EARLY_S = 0.05  # a timer may wake a hair before the look is due


class Harvest(NamedTuple):
    """What was gathered since the last time, ready to be stored."""

    sources: list[SourceSample]
    probes: list[ProbeSample]
    gaps: list[Gap]
    changes: list[IdentityChange]


class Poller:
    """Looks at one layout for as long as it holds.

    Parameters
    ----------
    layout
        What is read.
    clock
        Time.
    settings
        Paces and thresholds.
    identity
        Facts known so far.
    health
        What is already known to be lost, where an earlier poller of the same sensors was replaced.
    overload_s
        A look later than this leaves a gap behind [s].
    unmet
        Sources of the past that sleep, so that no sensor of theirs is in the layout.
    stopwatch
        Real seconds, for the cost of reads.

    Attributes
    ----------
    due_s
        When to call `tick` next, on the monotonic clock [s].
    n_looks
        Full looks so far.
    has_jumped
        Time jumped (suspend or clock step) since the flag was last cleared.
    """

    def __init__(
        self,
        layout: Layout,
        clock: Clock,
        settings: CadenceSettings,
        identity: IdentityWatch,
        *,
        health: SensorHealth | None = None,
        overload_s: float = OVERLOAD_S,
        unmet: Sequence[str] = (),
        stopwatch: Callable[[], float] = time.perf_counter,
    ) -> None:
        sources = [source.name for source in layout.sources]
        probes = [(probe.name, probe.quantity) for probe in layout.probes]
        self.layout = layout
        self.keeper = CadenceKeeper(sources, probes, settings)
        self.health = health or SensorHealth(sources, probes)
        self.due_s = clock.monotonic_s()
        self.n_looks = 0
        self.has_jumped = False
        self._clock = clock
        self._settings = settings
        self._overload_s = overload_s
        # Where the clock is turned fast, the same hiccup lasts longer on it; `overload_s` says how much.
        late_s = LATE_S * overload_s / OVERLOAD_S
        self._gatherer = Gatherer(layout, stopwatch, clock.boot_s, late_s)
        self._identity = identity
        self._jumps = JumpDetector(clock)
        self._look_due_s = self._facts_due_s = self.due_s
        self._trusted_from_boot_s: float | None = None
        self._last_utc_ms = clock.wall_utc_ms()
        self._asleep_since_ms = dict.fromkeys(unmet, self._last_utc_ms)
        self._is_late = self._is_called = False
        self._gaps: list[Gap] = []
        self._changes: list[IdentityChange] = []

    def tick(self) -> bool:
        """Do what is due now; True when it was a full look."""
        now_s = self._clock.monotonic_s()
        boot_s = self._clock.boot_s()
        jump = self._jumps.look()
        if jump is not None:
            self._jump(jump, boot_s)
        else:
            self._notice_silence(now_s, boot_s)
        is_look = self._is_called or now_s >= self._look_due_s - EARLY_S
        if self._is_called:
            self._is_called = False
            self.keeper.excite()
        if not is_look and self._trusted_from_boot_s is None:
            is_look = self.keeper.notices(self._gatherer.peek(boot_s, self.keeper.trigger_quantities))
        if is_look:
            self._look(self._clock.boot_s())  # the peek may have taken its time
        if now_s >= self._facts_due_s:
            self._facts_due_s = now_s + FACTS_PERIOD_S
            self._changes += self._identity.changes(self.layout.groups, self._clock.wall_utc_ms())
        self._plan(now_s, is_look)
        return is_look

    @property
    def orders(self) -> list[dict[str, Any]] | None:
        """What another process has to peek at until the next look; None where that is our own work now."""
        levels = self.keeper.levels() if self._trusted_from_boot_s is None else None
        return None if levels is None else self._gatherer.orders(self.keeper.trigger_quantities, levels)

    def rest(self) -> None:
        """Leave the peeks until the next look to that other process."""
        self.due_s = self._look_due_s

    def call(self) -> None:
        """Let the next tick be a full look: the other process has seen something."""
        self._is_called = True

    @property
    def last_look_utc_ms(self) -> int:
        """Moment of the last full look [ms since 1970]."""
        return self._last_utc_ms

    def take(self) -> Harvest:
        """Hand over what is finished."""
        sources, probes = self.keeper.take()
        harvest = Harvest(sources, probes, self._gaps, self._changes)
        self._gaps, self._changes = [], []
        return harvest

    def finish(self) -> Harvest:
        """Hand over everything, finished or not: at the end, or before another layout takes over."""
        self.keeper.close_open()
        for source in list(self._asleep_since_ms):
            self._wake(source, self._last_utc_ms)
        return self.take()

    def _look(self, boot_s: float) -> None:
        withheld = None
        if self._trusted_from_boot_s is not None:
            if boot_s < self._trusted_from_boot_s:
                withheld = Missing.AFTER_RESUME
            else:
                self._trusted_from_boot_s = None
        wall_ms = self._clock.wall_utc_ms()
        look = self._gatherer.look(wall_ms, boot_s, withheld)
        self.keeper.add(look)
        self.health.note(look)
        self._note_sleep(look)
        self._last_utc_ms = wall_ms
        self.n_looks += 1

    def _plan(self, now_s: float, was_look: bool) -> None:
        """Keep to a fixed grid, so that no lateness adds up; what was missed is not made up for."""
        step_s = self.keeper.look_period_s
        if was_look:
            # A look that a peek called for, or a late one, begins a new grid.
            is_on_grid = abs(now_s - self._look_due_s) < step_s / 2
            self._look_due_s = (self._look_due_s if is_on_grid else now_s) + step_s
        tick_s = min(step_s, self._settings.peek_period_s)
        next_s = self.due_s + tick_s
        if not now_s < next_s <= now_s + tick_s + EARLY_S:
            next_s = now_s + tick_s
        self.due_s = min(next_s, self._look_due_s)

    def _notice_silence(self, now_s: float, boot_s: float) -> None:
        late_s = now_s - self.due_s
        if late_s < self._overload_s:
            self._is_late = False
            return
        to_ms = self._clock.wall_utc_ms()
        self.keeper.close_open()
        detail = f"nothing was read for {late_s:.0f} s though the machine was awake"
        if late_s >= SILENCE_S:
            detail = (
                f"nothing was read for {late_s:.0f} s: overload, or a suspend that the clocks do not show"
            )
            self._trusted_from_boot_s = boot_s + QUARANTINE_S
        self._gaps.append(Gap(self._last_utc_ms, to_ms, GapReason.OVERLOAD, "", detail))
        if not self._is_late:
            log.warning("%s", detail)
        self._is_late = True

    def _jump(self, jump: TimeJump, boot_s: float) -> None:
        self.has_jumped = True
        self.keeper.close_open()
        from_ms, now_ms = self._last_utc_ms, self._clock.wall_utc_ms()
        step_ms = round(jump.wall_step_s * 1000)
        before_step_ms = now_ms - step_ms
        if jump.suspended_s:
            detail = f"suspended for {jump.suspended_s:.0f} s"
            log.info("%s; readings count again in %.0f s", detail, QUARANTINE_S)
            self._gaps.append(Gap(from_ms, before_step_ms, GapReason.SUSPEND, "", detail))
            self._trusted_from_boot_s = boot_s + QUARANTINE_S
            from_ms = before_step_ms
        if step_ms:
            way = "forward" if step_ms > 0 else "back"
            detail = f"wall clock set {way} by {abs(jump.wall_step_s):.0f} s"
            log.warning("%s", detail)
            first_ms, last_ms = sorted((before_step_ms, now_ms))
            self._gaps.append(Gap(first_ms, last_ms, GapReason.CLOCK_STEP, "", detail))
            # A sleep that spans the step is told in two pieces, each in its own time.
            asleep = list(self._asleep_since_ms)
            for source in asleep:
                self._wake(source, before_step_ms)
            self._asleep_since_ms = dict.fromkeys(asleep, now_ms)
        self._last_utc_ms = now_ms
        now_s = self._clock.monotonic_s()
        self._look_due_s = self._facts_due_s = self.due_s = now_s

    def _note_sleep(self, look: Look) -> None:
        for source, layout in zip(look.sources, self.layout.sources, strict=True):
            is_asleep = _sleeps(source.values, source.missing_reasons)
            if is_asleep and layout.name not in self._asleep_since_ms:
                self._asleep_since_ms[layout.name] = look.time_utc_ms
            elif not is_asleep and layout.name in self._asleep_since_ms:
                self._wake(layout.name, look.time_utc_ms)

    def _wake(self, source: str, to_utc_ms: int) -> None:
        since_ms = self._asleep_since_ms.pop(source)
        if to_utc_ms > since_ms:
            self._gaps.append(Gap(since_ms, to_utc_ms, GapReason.ASLEEP, source, "slept and was not woken"))


def _sleeps(values: tuple[int | None, ...], missing_reasons: int) -> bool:
    """Whether a look found nothing because the device sleeps."""
    if any(value is not None for value in values):
        return False
    return Missing.ASLEEP in unpack_missing(missing_reasons)
