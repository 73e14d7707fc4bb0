"""Share of the time in which heat held a processor back, from the kernel's throttle counters.

The counters start again at boot, and the kernel leaves out short spikes. Only the counters of time are used:
how often it throttled says nothing about how long.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from ...store.records import Channel, Missing
from .base import Reading
from .cpufreq import package_of
from .kept_file import SYSTEM_FILES, FileDoor, KeptFile, listed

COUNTERS = ("package_throttle_total_time_ms", "core_throttle_total_time_ms")
FULL_MILLI_PCT = 100_000


def find_throttle_counter(sys_root: Path, package: int) -> Path | None:
    """The counter of a package [ms], None where the kernel keeps none."""
    base = sys_root / "devices/system/cpu"
    cpus = sorted(int(n[3:]) for n in listed(base) if n.startswith("cpu") and n[3:].isdigit())
    for cpu in cpus:
        if package_of(sys_root, cpu) != package:
            continue
        for counter in COUNTERS:
            path = base / f"cpu{cpu}/thermal_throttle" / counter
            if path.exists():
                return path
    return None


class ThrottleGroup:
    """How much of the time since the last look the package was throttled by heat."""

    min_period_s = 0.0

    def __init__(self, counter: Path, package: int, door: FileDoor = SYSTEM_FILES) -> None:
        self.name = f"throttle package-{package}"
        self.channels: tuple[Channel, ...] = (
            Channel(f"throttle/package-{package}", "thermal_limited_pct", "throttle", counter.name),
        )
        self._file = KeptFile(counter, door)
        self._before_ms: int | None = None
        self._at_s = 0.0

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        now_ms = self._file.number()
        if isinstance(now_ms, Missing):
            self._before_ms = None
            return (now_ms,)
        before_ms, span_s = self._before_ms, at_boot_s - self._at_s
        if before_ms is not None and span_s == 0:
            return (Missing.NOT_READ,)
        self._before_ms, self._at_s = now_ms, at_boot_s
        if before_ms is None:
            return (Missing.FIRST_LOOK,)
        if now_ms < before_ms or span_s < 0:
            return (Missing.COUNTER_RESTART,)
        # ms over s is a thousandth; in thousandths of a percent that is times 100. A spell of throttling is
        # added when it ends, so one look can get more than its own span.
        return (min(FULL_MILLI_PCT, round((now_ms - before_ms) * 100 / span_s)),)

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return (Missing.NOT_READ,)

    def facts(self) -> Mapping[str, str]:
        return {}

    def close(self) -> None:
        self._file.close()
