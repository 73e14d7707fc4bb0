"""Guard and messages as the service carries them: shown every look, turned at every tick."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

from ..store.errors import HeatdriftError
from .clock import Clock
from .guard import Guard, Past
from .health import SensorHealth
from .layout import Layout
from .looks import Look
from .messages import MessageDesk

log = logging.getLogger(__name__)

JOURNAL_S = 3600.0  # an entry about liquid metal counts within the hour
ASK_AGAIN_S = 10.0  # where the record could not be read, or a server has not answered yet
ReadPast = Callable[[Layout, bool], Past]  # the bool: its fans, too


class GuardedHealth(SensorHealth):
    """The health of the sensors, and a guard that is shown the same looks."""

    def __init__(
        self, sources: Sequence[str], probes: Sequence[tuple[str, str]], see: Callable[[Look], None]
    ) -> None:
        super().__init__(sources, probes)
        self._see = see

    def note(self, look: Look) -> None:
        super().note(look)
        self._see(look)


class Watch:
    """Sees every look, posts alarms and lets messages leave.

    Parameters
    ----------
    guard
        Holds looks against the limits.
    desk
        Takes messages and sees to it that they leave.
    read_past
        What the record says about heat at a layout.
    clock
        Time.
    """

    def __init__(self, guard: Guard, desk: MessageDesk, read_past: ReadPast, clock: Clock) -> None:
        self._guard = guard
        self._desk = desk
        self._read_past = read_past
        self._clock = clock
        self._layout: Layout | None = None
        self._was_lent = self._wants_past = self._lacks_fans = False
        self._learned_at_s = clock.boot_s()

    def health(self, layout: Layout) -> SensorHealth:
        """Watch this layout from now on; what is returned shows each of its looks to the guard."""
        self._layout = layout
        past = self._past(layout, with_fans=True)
        self._wants_past = self._lacks_fans = past is None
        self._guard.follow(layout, past or Past())
        sources = [source.name for source in layout.sources]
        return GuardedHealth(sources, [(p.name, p.quantity) for p in layout.probes], self._guard.note)

    def turn(self, is_lent: bool) -> None:
        """One turn of the loop; ``is_lent`` says that another process has the pen."""
        if self._was_lent and not is_lent:
            self._desk.check()  # the nightly judgement may have found something
        self._was_lent = is_lent
        self._desk.advance()
        if self._wants_past and self._clock.boot_s() - self._learned_at_s >= ASK_AGAIN_S:
            self._learn()

    def check(self) -> None:
        """Look into the outbox and the journal; asked for every few minutes."""
        self._desk.check()
        if self._clock.boot_s() - self._learned_at_s >= JOURNAL_S:
            self._learn()

    def stop(self) -> None:
        """Store what is held, end the sender."""
        self._desk.stop()

    def _learn(self) -> None:
        """Ask for what the guard lacks; asked again soon where there is no answer."""
        if self._layout is None:
            return
        past = self._past(self._layout, with_fans=self._lacks_fans)
        if past is not None:
            if self._lacks_fans:
                self._guard.recall(past)
            self._guard.watch_metal(past.metal)
            self._lacks_fans = False
        self._wants_past = past is None

    def _past(self, layout: Layout, *, with_fans: bool) -> Past | None:
        self._learned_at_s = self._clock.boot_s()
        try:
            return self._read_past(layout, with_fans)
        except HeatdriftError as error:
            if not self._wants_past:
                log.info("the guard is without the past for now: %s", error)
            return None
