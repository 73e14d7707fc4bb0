"""How the service rests between two ticks: by itself, or while the NVML child looks out in its stead.

Idle, the machine is looked at every ten seconds and peeked at every second. Where a child has NVML open, both
would wake for each peek; so the child peeks at everything (`sensors/nvml_sentry.py`), the service sleeps
until the next look is due, and is rung for when something is not as it was expected to be.
"""

from __future__ import annotations

import os
import select
import threading
from typing import Protocol

from .clock import Clock
from .poller import Poller
from .sensors.nvml_link import NvmlLink
from .sensors.nvml_sentry import LOAD

AFTER_TROUBLE_S = 600.0


class Rest(Protocol):
    """What the loop does between two ticks."""

    def wait(self, poller: Poller, stop: threading.Event) -> bool:
        """Wait until the next tick is due, or return True once ``stop`` is set."""


class PlainRest:
    """Sleeps by the clock.

    Parameters
    ----------
    clock
        Time.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def wait(self, poller: Poller, stop: threading.Event) -> bool:
        return self._clock.wait(poller.due_s - self._clock.monotonic_s(), stop)


class Vigil:
    """Sleeps while the NVML child looks out, where it can see everything; else by the clock.

    Only for a clock that is the computer's own: the child knows no other.

    Parameters
    ----------
    clock
        Time.
    link
        The way to the child.
    """

    def __init__(self, clock: Clock, link: NvmlLink) -> None:
        self._clock, self._link = clock, link
        self._plain = PlainRest(clock)
        self._stopped: int | None = None
        self._has_rested = False
        self._again_at_s = float("-inf")

    def wait(self, poller: Poller, stop: threading.Event) -> bool:
        now_s = self._clock.monotonic_s()
        bell = self._link.bell
        if self._has_rested and bell is None:
            # It did not answer afterwards: perhaps a file that it peeked at holds it up.
            self._again_at_s = now_s + AFTER_TROUBLE_S
        self._has_rested = False
        orders = poller.orders if now_s >= self._again_at_s else None
        if bell is None or orders is None:
            is_stopped = self._plain.wait(poller, stop)
        else:
            is_stopped = self._rest(bell, poller, stop)
        # They go out with the next look, and hold from then on.
        self._link.orders = orders
        return is_stopped

    def _rest(self, bell: int, poller: Poller, stop: threading.Event) -> bool:
        stopped = self._end_of(stop)
        poller.rest()
        seconds = max(0.0, poller.due_s - self._clock.monotonic_s())
        readable, _, _ = select.select([bell, stopped], [], [], seconds)
        if bell not in readable:
            self._has_rested = True
        elif self._link.hear() == LOAD:
            poller.call()
        else:
            self._again_at_s = self._clock.monotonic_s() + AFTER_TROUBLE_S
        return stop.is_set()

    def _end_of(self, stop: threading.Event) -> int:
        """A descriptor that can be read once ``stop`` is set: nothing else waits for a bell and an event."""
        if self._stopped is None:
            self._stopped, end = os.pipe()
            threading.Thread(target=_tell, args=(stop, end), name="stop", daemon=True).start()
        return self._stopped


def _tell(stop: threading.Event, end: int) -> None:
    stop.wait()
    os.close(end)  # the other end is at its end of file then
