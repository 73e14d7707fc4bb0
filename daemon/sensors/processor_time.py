"""How busy the processor is, from the first line of /proc/stat: one file, one line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ...store.records import Channel, Missing
from .base import Reading
from .kept_file import SYSTEM_FILES, FileDoor, KeptFile, missing_for

LINE_BYTES = 256
IDLE, IOWAIT, STEAL = 3, 4, 7
FULL_MILLI_PCT = 100_000


class _Busy:
    """Share of busy time between two looks."""

    __slots__ = ("_busy", "_total")

    def __init__(self) -> None:
        self._busy = self._total = -1

    def share_milli_pct(self, busy: int, total: int) -> Reading:
        before_busy, before_total = self._busy, self._total
        if total == before_total:
            return Missing.NOT_READ  # not one tick has passed
        self._busy, self._total = busy, total
        if before_total < 0:
            return Missing.FIRST_LOOK
        if total < before_total:
            return Missing.COUNTER_RESTART
        share = round((busy - before_busy) * FULL_MILLI_PCT / (total - before_total))
        return min(FULL_MILLI_PCT, max(0, share))  # the kernel's idle time may step back by a tick


class ProcessorTimeGroup:
    """Utilisation of all processors together."""

    min_period_s = 0.0

    def __init__(self, proc_root: Path, door: FileDoor = SYSTEM_FILES) -> None:
        self.name = "processor time"
        self.channels: tuple[Channel, ...] = (Channel("proc/stat/cpu", "utilization_pct", "proc", "cpu"),)
        self._file = KeptFile(proc_root / "stat", door, LINE_BYTES)
        self._read, self._peek = _Busy(), _Busy()

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        return (self._share(self._read),)

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return (self._share(self._peek),)

    def recipe(self, index: int) -> dict[str, Any] | None:
        return {"busy": self._file.path}

    def _share(self, busy: _Busy) -> Reading:
        try:
            line = self._file.content().split(b"\n", 1)[0]
            # Time of guests is already inside the user time.
            ticks = [int(word) for word in line.split()[1 : STEAL + 2]]
            total = sum(ticks)
            return busy.share_milli_pct(total - ticks[IDLE] - ticks[IOWAIT], total)
        except OSError as error:
            return missing_for(error)
        except (ValueError, IndexError):
            return Missing.NOT_NUMERIC

    def facts(self) -> Mapping[str, str]:
        return {}

    def close(self) -> None:
        self._file.close()
