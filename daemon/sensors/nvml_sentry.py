"""In the NVML child: looks out for load while the service rests, and rings when there is some.

Two processes that wake once a second each wake the machine twice; while it idles, one is enough. The service
says with each look what it expects of every source; the child peeks at all of them, files included, until
one is not as expected, and then rings for a full look. It also rings when a clock jumps, and in another way
when it cannot go on.
This module is loaded by the child, so it imports nothing of ours.
"""

from __future__ import annotations

import os
import time

TYPE_CHECKING = False  # as in the child
if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import Any

    Clocks = tuple[float, float, float]

BELL_VARIABLE = "HEATDRIFT_BELL"  # number of the descriptor that the child rings with
LOAD, TROUBLE = b"!", b"?"  # what is rung
PERIOD_S = 1.0
TEXT_BYTES = 256  # the first line of /proc/stat is the longest
SUSPEND_S, WALL_STEP_S = 2.0, 5.0  # as the service tells them apart
IDLE, IOWAIT, N_TICKS = 3, 4, 8  # of that line: guests are already inside the user time


class Sentry:
    """Keeps the watch that it was last told to keep.

    Parameters
    ----------
    bell
        Descriptor to ring with; None where nobody listens.
    peek
        What a GPU says now, by UUID: power [mW], else utilisation [%].
    clocks
        Monotonic, boot and wall time [s].
    """

    def __init__(
        self, bell: int | None, peek: Callable[[str], Sequence[Any]], clocks: Callable[[], Clocks]
    ) -> None:
        self._bell, self._peek, self._clocks = bell, peek, clocks
        self._orders: list[_Order] = []
        self._began = clocks()
        self._next_s = 0.0

    def post(self, orders: Sequence[dict[str, Any]] | None) -> None:
        """Begin a new watch; None ends it.

        Parameters
        ----------
        orders
            ``low`` and ``high`` [thousandths], beyond which it is worth a look, and one of ``gpu`` (a UUID,
            with ``which`` answer of a peek and ``scale``), ``energy`` (path, range [uJ] and highest power
            [W] of each counter that makes up a sum) and ``busy`` (path of ``/proc/stat``).
        """
        self._leave()
        if self._bell is None or not orders:
            return
        self._began = self._clocks()
        now_s = self._began[0]
        self._next_s = now_s + PERIOD_S
        try:
            for order in orders:
                self._orders.append(_Order(order))
                self._orders[-1].leaves_level(self._peek, now_s)  # counters have their first look
        except Exception:
            self._ring(TROUBLE)

    def rest_s(self) -> float | None:
        """How long until the next peek [s]; None for ever."""
        return max(0.0, self._next_s - self._clocks()[0]) if self._orders else None

    def look(self) -> None:
        """Take one peek at everything, and ring if need be."""
        now = self._clocks()
        self._next_s = max(self._next_s + PERIOD_S, now[0])
        try:
            if self._has_jumped(now) or any(one.leaves_level(self._peek, now[0]) for one in self._orders):
                self._ring(LOAD)
        except Exception:  # whatever it is, the service's own look will meet it
            self._ring(TROUBLE)

    def _ring(self, what: bytes) -> None:
        self._leave()
        if self._bell is not None:
            os.write(self._bell, what)

    def _leave(self) -> None:
        for order in self._orders:
            order.close()
        self._orders = []

    def _has_jumped(self, now: Clocks) -> bool:
        passed_s, boot_s, wall_s = (late - early for late, early in zip(now, self._began, strict=True))
        return boot_s - passed_s > SUSPEND_S or abs(wall_s - boot_s) > WALL_STEP_S


class _Order:
    """One source: how its power or its use is had, and where it stays while it idles."""

    def __init__(self, order: dict[str, Any]) -> None:
        self._low, self._high = order["low"], order["high"]
        self._gpu, self._which, self._scale = order.get("gpu"), order.get("which", 0), order.get("scale", 1)
        self._meters = [_Energy(*counter) for counter in order.get("energy", ())]
        self._busy = _Busy(order["busy"]) if "busy" in order else None

    def leaves_level(self, peek: Callable[[str], Sequence[Any]], now_s: float) -> bool:
        """Whether what it does now is worth a look; where nothing can be had now, it is not."""
        value = self._value(peek, now_s)
        return value is not None and not self._low < value < self._high

    def _value(self, peek: Callable[[str], Sequence[Any]], now_s: float) -> float | None:
        if self._gpu is not None:
            answer = peek(self._gpu)[self._which]
            return answer * self._scale if isinstance(answer, int) else None
        if self._busy is not None:
            return self._busy.share_milli_pct()
        powers = [meter.power_milli_w(now_s) for meter in self._meters]
        known = [power for power in powers if power is not None]
        return sum(known) if len(known) == len(powers) else None

    def close(self) -> None:
        for one in (*self._meters, self._busy):
            if one is not None:
                one.close()


class _File:
    """A small file that stays open."""

    def __init__(self, path: str) -> None:
        self._fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)

    def text(self) -> bytes:
        return os.pread(self._fd, TEXT_BYTES, 0)

    def close(self) -> None:
        os.close(self._fd)


class _Energy(_File):
    """Mean power between two peeks at a counter [uJ]."""

    def __init__(self, path: str, range_uj: int | None, highest_w: float) -> None:
        super().__init__(path)
        self._range_uj, self._highest_w = range_uj, highest_w
        self._before: tuple[float, int] | None = None

    def power_milli_w(self, now_s: float) -> float | None:
        counter_uj = int(self.text())
        before, self._before = self._before, (now_s, counter_uj)
        if before is None or now_s <= before[0]:
            return None
        spent_uj = counter_uj - before[1]
        if spent_uj < 0 and self._range_uj is not None:
            spent_uj += self._range_uj + 1
        power_w = spent_uj / (now_s - before[0]) / 1e6
        return power_w * 1000.0 if 0.0 < power_w <= self._highest_w else None


class _Busy(_File):
    """Share of busy time between two peeks at the first line of /proc/stat."""

    def __init__(self, path: str) -> None:
        super().__init__(path)
        self._before = (0, 0)

    def share_milli_pct(self) -> float | None:
        ticks = [int(word) for word in self.text().split(b"\n", 1)[0].split()[1 : N_TICKS + 1]]
        now = sum(ticks), sum(ticks) - ticks[IDLE] - ticks[IOWAIT]
        before, self._before = self._before, now
        total = now[0] - before[0]
        return 1e5 * (now[1] - before[1]) / total if before[0] and total > 0 else None


def own_clocks() -> Clocks:
    """The computer's own clocks."""
    monotonic_s = time.monotonic()
    has_boot = hasattr(time, "CLOCK_BOOTTIME")
    return monotonic_s, time.clock_gettime(time.CLOCK_BOOTTIME) if has_boot else monotonic_s, time.time()
