"""Wall, boot and monotonic time, and what the differences between them say.

The wall clock (UTC) dates rows; the boot clock keeps counting through suspend and is what rates are
taken against; the monotonic clock stops in suspend and paces the loop. Suspend is the growth of
boot - monotonic; a clock step is a jump of wall - boot. See clock_getres(2).
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")


class Clock(Protocol):
    """Everything that the service may know about time."""

    def wall_utc_ms(self) -> int:
        """UTC [ms since 1970]."""

    def boot_s(self) -> float:
        """Seconds since boot, suspended time included."""

    def monotonic_s(self) -> float:
        """Seconds that do not pass in suspend."""

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        """Wait, or return True at once when ``stop`` is set."""

    def boot_id(self) -> str:
        """Identity of this boot."""


class SystemClock:
    """The computer's own clocks."""

    def wall_utc_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def boot_s(self) -> float:
        if hasattr(time, "CLOCK_BOOTTIME"):
            return time.clock_gettime(time.CLOCK_BOOTTIME)
        return time.monotonic()

    def monotonic_s(self) -> float:
        return time.monotonic()

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.wait(max(0.0, seconds))

    def boot_id(self) -> str:
        try:
            return BOOT_ID_FILE.read_text().strip()
        except OSError:  # not Linux: the start of the process is the best there is
            return f"process-{time.time_ns() // 1_000_000_000 - int(time.monotonic())}"


class FastClock:
    """The computer's clocks, run ``speed`` times as fast from a chosen start: for the fake machine, live."""

    def __init__(self, speed: float, start_utc_ms: int) -> None:
        self._speed = speed
        self._start_utc_ms = start_utc_ms
        self._origin_s = time.monotonic()

    def monotonic_s(self) -> float:
        return (time.monotonic() - self._origin_s) * self._speed

    def boot_s(self) -> float:
        return self.monotonic_s()

    def wall_utc_ms(self) -> int:
        return self._start_utc_ms + round(self.monotonic_s() * 1000)

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.wait(max(0.0, seconds / self._speed))

    def boot_id(self) -> str:
        return f"fake-{self._start_utc_ms}"


class TurnableClock:
    """A clock that only moves when it is turned; waiting turns it.

    ``on_turn`` is called with the new boot time after every turn, so that a simulated machine can keep pace.
    """

    def __init__(self, start_utc_ms: int = 1_767_225_600_000) -> None:
        self._wall_ms = float(start_utc_ms)
        self._boot_s = 1000.0
        self._monotonic_s = 1000.0
        self.on_turn: list[TurnListener] = []

    def wall_utc_ms(self) -> int:
        return int(self._wall_ms)

    def boot_s(self) -> float:
        return self._boot_s

    def monotonic_s(self) -> float:
        return self._monotonic_s

    def boot_id(self) -> str:
        return "turned-1"

    def turn(self, seconds: float) -> None:
        """Let time pass, awake."""
        self._monotonic_s += seconds
        self._pass(seconds)

    def suspend(self, seconds: float) -> None:
        """Let time pass, suspended: the monotonic clock stands still."""
        self._pass(seconds)

    def step_wall(self, seconds: float) -> None:
        """Somebody sets the wall clock."""
        self._wall_ms += seconds * 1000

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        if stop.is_set():
            return True
        self.turn(max(0.0, seconds))
        return stop.is_set()

    def _pass(self, seconds: float) -> None:
        self._boot_s += seconds
        self._wall_ms += seconds * 1000
        for listener in self.on_turn:
            listener(self._boot_s)


class TurnListener(Protocol):
    """Told the boot time after every turn of a `TurnableClock`."""

    def __call__(self, boot_s: float, /) -> None: ...


@dataclass(frozen=True, slots=True)
class TimeJump:
    """What happened to time between two looks [s]; zeros where nothing did."""

    suspended_s: float
    wall_step_s: float


class JumpDetector:
    """Compares the clocks from look to look and names suspends and clock steps."""

    SUSPEND_S = 2.0  # scheduling jitter between two clock reads is microseconds; 2 s is a real suspend
    WALL_STEP_S = 5.0  # NTP slews stay far below; a correction above 5 s would misplace a load step
    TOGETHER_S = 0.5  # a process put to sleep between two readings must not look like a suspend
    TRIES = 5

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._asleep_s, self._wall_minus_boot_s = self._offsets()

    def _offsets(self) -> tuple[float, float]:
        """Boot minus monotonic and wall minus boot, read so close together that they belong to one moment."""
        for _ in range(self.TRIES):
            began_s = self._clock.monotonic_s()
            boot_s = self._clock.boot_s()
            wall_s = self._clock.wall_utc_ms() / 1000
            ended_s = self._clock.monotonic_s()
            if ended_s - began_s < self.TOGETHER_S:
                break
        return boot_s - ended_s, wall_s - boot_s

    def look(self) -> TimeJump | None:
        """The jump since the last call, None where there was none."""
        asleep_s, wall_minus_boot_s = self._offsets()
        suspended_s = asleep_s - self._asleep_s
        wall_step_s = wall_minus_boot_s - self._wall_minus_boot_s
        # Small slews add up over weeks: follow them, so that only a sudden step is one.
        self._asleep_s, self._wall_minus_boot_s = asleep_s, wall_minus_boot_s
        jump = TimeJump(
            suspended_s if suspended_s > self.SUSPEND_S else 0.0,
            wall_step_s if abs(wall_step_s) > self.WALL_STEP_S else 0.0,
        )
        return jump if jump.suspended_s or jump.wall_step_s else None
