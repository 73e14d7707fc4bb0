"""A rig whose files fail in every known way at random moments, and a truth to hold each row against."""

from __future__ import annotations

import errno
import math
import os
import random
import threading
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path

import pandas as pd

from heatdrift.daemon.discovery import Doors, discover
from heatdrift.daemon.layout import Layout, Place, SourceLayout
from heatdrift.daemon.sensors.patience import Patience, PatientFiles
from heatdrift.daemon.sensors.watched import WatchedGroup
from heatdrift.store.records import Cadence, Missing

from ..daemon.trouble.rig import MeddledFiles, Record, Rig

BLOCK_S = 10.0
PATIENCE_S = 0.1
FILES = (
    "coretemp.0/hwmon/hwmon3/temp1_input",
    "intel-rapl:0/energy_uj",
    "cpufreq/policy",
    "thinkpad_hwmon/hwmon/hwmon0/fan1_input",
    "thermal_zone1/hwmon/hwmon1/temp1_input",
)
# Reasons that say that something is wrong; the others belong to a healthy day.
ORDINARY = {
    reason.value
    for reason in (
        Missing.NOT_READ, Missing.NOT_EXPOSED, Missing.FIRST_LOOK, Missing.COUNTER_RESTART, Missing.ASLEEP,
    )
}  # fmt: skip
# Around a row, how far the looks reach that it is a mean of [s]; a look that was held up is as late as the
# others may have been early.
REACH_S = {Cadence.IDLE: 36.0, Cadence.LOAD: 6.0, Cadence.STEP: 2.0}
BACK_S = 11.0  # a counter's mean reaches back to the look before, ten seconds at idle


@dataclass(frozen=True, slots=True)
class Injection:
    """One fault in one file, between two moments of the rig's monotonic time [s]."""

    fault: str
    file: str
    from_s: float
    to_s: float


def met_ones(injections: Sequence[Injection], met_s: Sequence[float]) -> list[Injection]:
    """The faults that any read ran into at all; what is read once a minute meets few."""
    met = []
    for one in injections:
        index = bisect_left(met_s, one.from_s)
        if index < len(met_s) and met_s[index] <= one.to_s:
            met.append(one)
    return met


class FaultyFiles(MeddledFiles):
    """Also files whose reading takes ten seconds; ``hold`` is called for each such reading."""

    def __init__(self) -> None:
        super().__init__()
        self.held: set[str] = set()
        self.hold: Callable[[], object] = lambda: None
        self.met: Callable[[], object] = lambda: None

    def _pread(self, fd: int, n_bytes: int, offset: int) -> bytes:
        path = self._paths[fd]
        if any(part in path for part in (*self.lies, *self.errors, *self.held)):
            self.met()
        if any(part in path for part in self.held):
            self.hold()
        return super()._pread(fd, n_bytes, offset)

    def _open(self, path: str) -> int:
        if any(part in os.path.realpath(path) for part in self.errors):
            self.met()
        return super()._open(path)


class FaultRig(Rig):
    """A rig that remembers what was true when."""

    def __init__(self, root: Path, *, has_nvml: bool = False, deadline_s: float = 5.0) -> None:
        super().__init__(root, has_nvml=has_nvml, deadline_s=deadline_s)
        self.files: FaultyFiles = FaultyFiles()
        self.files.hold = self._hold
        self._began_s = self.clock.monotonic_s()
        self.met_s: list[float] = []
        self.files.met = lambda: self.met_s.append(self.clock.monotonic_s() - self._began_s)
        # Real patience is short here, because the threads that wait do it in real time.
        self.patience = Patience(PATIENCE_S, self._time_s)
        self.door = PatientFiles(self.files.door, self.patience).door
        self.longest_silence_s = 0.0
        self._looked_at_s = self.clock.monotonic_s()
        self._moments_ms: list[int] = []
        self._truths: dict[tuple[str, str], list[float]] = {}
        self.counter.read = self._note_look  # type: ignore[method-assign, assignment]
        self.clock.on_turn.append(lambda _boot_s: self._remember())
        self._remember()

    def layout(self) -> Layout:
        """What is found now; the looks are counted before anything can hold them up."""
        doors = Doors(self.tree.sys_root, self.tree.proc_root, self.link, False, self.door)
        found = discover(doors, self.overrides)
        for group in found.groups:
            if isinstance(group, WatchedGroup):  # it must not take a busy machine for a slow sensor
                group._stopwatch = self._time_s
        return replace(
            found,
            groups=(self.counter, *found.groups),
            sources=tuple(_moved(source) for source in found.sources),
            probes=tuple(replace(probe, place=_next(probe.place)) for probe in found.probes),
        )

    def _time_s(self) -> float:
        return self.clock.monotonic_s()

    def inject(self, one: Injection, begin: Callable[[], object], end: Callable[[], object]) -> None:
        """Let a fault begin and end; seconds are from now."""
        self.at(one.from_s, begin)
        self.at(one.to_s, end)

    def invented(self, record: Record) -> list[str]:
        """Values that the machine had at no moment that their row speaks of."""
        found = []
        for source, frame in record.sources.items():
            for quantity in ("temperature_c", "power_w"):
                truths = self._truths.get((source, quantity))
                if truths is None:
                    continue
                had = frame[frame[quantity].notna()]
                for at, value, cadence in zip(had.index, had[quantity], had["cadence"], strict=True):
                    reach_s = REACH_S[Cadence(int(cadence))]
                    back_s = reach_s + BACK_S
                    at_ms = at.value // 1_000_000
                    first = max(0, bisect_left(self._moments_ms, at_ms - round(back_s * 1000)) - 1)
                    last = bisect_right(self._moments_ms, at_ms + round(reach_s * 1000)) + 1
                    window = truths[first:last]
                    # One degree of rounding and noise; two per cent and half a watt of a meter's noise.
                    slack = 1.5 if quantity == "temperature_c" else 0.5 + 0.02 * max(window)
                    if not min(window) - slack <= value <= max(window) + slack:
                        found.append(
                            f"{source} {quantity} {value:g} at {at:%H:%M:%S} ({Cadence(int(cadence)).name}), "
                            f"true {min(window):.1f} to {max(window):.1f}"
                        )
        return found

    def n_said(self, record: Record, injections: list[Injection], log_times_s: list[float]) -> int:
        """How many of the faults left a reason in a row, or a line in the log."""
        told_s = sorted([*self._told_moments_s(record), *log_times_s])
        count = 0
        for one, following in zip_longest(injections, injections[1:]):
            index = bisect_left(told_s, one.from_s - 1.0)
            # A mean is dated in its middle, and the log speaks after the third look.
            until_s = min(one.to_s + 61.0, following.from_s if following else math.inf)
            count += index < len(told_s) and told_s[index] <= until_s
        return count

    def _told_moments_s(self, record: Record) -> list[float]:
        moments = []
        for frame in record.sources.values():
            packed = frame["missing_reasons"].tolist()
            said = [bool({(p >> s) & 15 for s in range(0, 64, 4)} - {0} - ORDINARY) for p in packed]
            moments += [
                self._since_start_s(record, at)
                for at, is_said in zip(frame.index, said, strict=True)
                if is_said
            ]
        for frame in record.probes.values():
            for column in [name for name in map(str, frame) if name.endswith("_missing_reason")]:
                bad = frame[~frame[column].fillna(0).isin([0, *ORDINARY])]
                moments += [self._since_start_s(record, at) for at in bad.index]
        return moments

    def _since_start_s(self, record: Record, at: pd.Timestamp) -> float:
        return float((at - record.start_utc).total_seconds())

    def _hold(self) -> None:
        """Ten seconds pass: for everybody where the service itself reads, else for this thread alone."""
        if threading.current_thread() is threading.main_thread():
            self.clock.turn(BLOCK_S)
            return
        over = threading.Event()
        self.at(BLOCK_S, over.set)
        over.wait(60.0)

    def _note_look(self, _at_boot_s: float) -> tuple[()]:
        now_s = self.clock.monotonic_s()
        self.longest_silence_s = max(self.longest_silence_s, now_s - self._looked_at_s)
        self._looked_at_s = now_s
        self.counter.n_looks += 1
        return ()

    def _remember(self) -> None:
        self._moments_ms.append(self.clock.wall_utc_ms())
        for source, truth in self.machine.truth().sources.items():
            said = {
                "temperature_c": truth.temperature_c + truth.temperature_offset_k,
                "power_w": truth.power_w * truth.power_scale,
            }
            for quantity, value in said.items():
                self._truths.setdefault((source, quantity), []).append(value)


def texts(rng: random.Random) -> dict[str, Callable[[str], str]]:
    """Texts that are no readings, by the name of the fault."""
    return {
        "text": lambda _: rng.choice(["N/A\n", "ok\n", "nan\n", "4e4\n", "0x2a\n", "45_000\n", "45,1\n"]),
        "binary": lambda _: rng.choice(["\x00\x01\x02", "\x7fELF\x01", "\x00" * 64, "45\x00000\n"]),
        "empty": lambda _: rng.choice(["", "\n", " \t\n"]),
        "huge text": lambda _: rng.choice([" " * 60 + "45000\n", "4" * 4096, "x" * 4096])[:64],
        "absurd number": lambda text: rng.choice(ABSURD_COUNTS if len(text) > COUNTER_DIGITS else ABSURD),
    }


ABSURD = ("0\n", "255000000\n", "-273150\n", "18446744073709551615\n")
# A counter that jumps by what a processor may have spent cannot be told from one that has counted.
ABSURD_COUNTS = ("-273150\n", "18446744073709551615\n")
COUNTER_DIGITS = 8
ERRNOS = (errno.EIO, errno.ENXIO, errno.EAGAIN, errno.EINVAL, errno.ENODATA, errno.EREMOTEIO, errno.EBUSY)


def _next(place: Place) -> Place:
    return Place(place.group + 1, place.index)


def _moved(source: SourceLayout) -> SourceLayout:
    places = tuple(None if place is None else _next(place) for place in source.places)
    reasons = source.limit_reasons
    return replace(source, places=places, limit_reasons=None if reasons is None else _next(reasons))
