"""The words that cross from one room to another: channels, samples, gaps, changes."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum, IntEnum
from typing import NamedTuple

from .units import SOURCE_QUANTITIES

N_QUANTITIES = len(SOURCE_QUANTITIES)
REASON_BITS = 4


class Missing(Enum):
    """Why a reading was not had. Stored with the NULL; 0 in a bit group means "nothing missing"."""

    ASLEEP = 1  # the device sleeps and was not woken
    PERMISSION = 2
    VANISHED = 3  # file or device gone
    READ_ERROR = 4  # EIO, ENODATA, EAGAIN ...
    TIMEOUT = 5
    IMPLAUSIBLE = 6  # outside the quantity's plausible range, or above 1.5 x the power limit
    STUCK = 7  # no change over a load swing
    AFTER_RESUME = 8  # quarantine after suspend
    FAULT_FLAG = 9  # the driver itself says "do not trust"
    COUNTER_RESTART = 10  # wrap not certain, driver reload, or a gap too long to bridge
    FIRST_LOOK = 11  # a counter needs two looks
    NOT_NUMERIC = 12
    DRIVER_ERROR = 13  # GPU lost, driver and library differ, reset required ...
    NOT_EXPOSED = 14  # the driver does not offer it
    NOT_READ = 15  # not due, or the service was shedding work


class Cadence(IntEnum):
    """How densely a row was looked at."""

    IDLE = 0  # mean of idle looks
    LOAD = 1  # mean of looks under load
    STEP = 2  # a single look near a load step


class SourceSample(NamedTuple):
    """One row of `source_sample`.

    ``time_utc_ms`` is the mean moment of the looks in it. ``values`` holds one integer of thousandths
    or None for each of `SOURCE_QUANTITIES`, in that order. ``missing_reasons`` packs one `Missing` code
    in each group of four bits, quantity 0 lowest.
    """

    time_utc_ms: int
    source: str
    values: tuple[int | None, ...]
    limit_reasons: int | None
    cadence: int
    n_looks: int
    missing_reasons: int


class ProbeSample(NamedTuple):
    """One row of `probe_sample`: a probe, a fan or another single channel, thousandths of its unit."""

    time_utc_ms: int
    probe: str
    quantity: str
    value: int | None
    missing_reason: int  # a `Missing` code, 0 where the value was had


@dataclass(frozen=True, slots=True)
class Channel:
    """One thing that can be read, under a key that survives reboots and renumbering.

    Attributes
    ----------
    key
        Stable key: driver name, resolved device path (bus address, platform id or zone type), kind and label;
        never an enumeration number such as ``hwmon3``.
    quantity
        A name from `units` (``temperature_c``, ``power_w``, ``speed_rpm``, ...).
    door
        Interface it is read through: ``hwmon``, ``powercap``, ``cpufreq``, ``nvml``, ``psutil`` ...
    label
        What the driver calls it, empty where it has no name.
    driver
        Driver identity, as precise as it can be had: name and version.
    method
        How the value comes about where that matters: ``energy`` (difference of a counter), ``average``,
        ``instant``, ``intended``, ``relative`` (offset unknown); empty otherwise.
    device
        Serial number or UUID where there is one: lets a moved device be recognised.
    """

    key: str
    quantity: str
    door: str
    label: str = ""
    driver: str = ""
    method: str = ""
    device: str = ""


class GapReason(Enum):
    """Why there are no rows between two moments."""

    STOPPED = "stopped"  # the service was not running
    SUSPEND = "suspend"
    ASLEEP = "asleep"  # the source slept and was not woken
    CLOCK_STEP = "clock_step"
    DISK_FULL = "disk_full"
    OVERLOAD = "overload"  # looks were missed though the machine was awake
    DAMAGED = "damaged"  # the database was, and the rows could not be read any more


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without rows, with its reason; ``source`` empty means the whole machine."""

    from_utc_ms: int
    to_utc_ms: int
    reason: GapReason
    source: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Boot:
    """One boot of the machine, as the kernel identifies it."""

    boot_id: str
    first_seen_utc_ms: int


# A driver's own throttle point, as the last word of the subject of a fact [°C]. Some say a default that means
# nothing, or a margin, under the same name: what lies outside is no temperature.
SLOWDOWN_FACT = "slowdown_c"
SLOWDOWN_POINTS_C = (60.0, 125.0)


@dataclass(frozen=True, slots=True)
class IdentityChange:
    """Something that a baseline may depend on changed: driver, firmware, limit, profile, power supply.

    ``before`` is None when it was seen for the first time.
    """

    at_utc_ms: int
    subject: str  # "kernel", "bios", "nvidia_driver", "ac", "platform_profile" ...
    before: str | None
    after: str


@dataclass(frozen=True, slots=True)
class Batch:
    """What one commit writes: all of it or nothing."""

    sources: tuple[SourceSample, ...] = ()
    probes: tuple[ProbeSample, ...] = ()
    gaps: tuple[Gap, ...] = ()
    boots: tuple[Boot, ...] = ()
    changes: tuple[IdentityChange, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.sources) + len(self.probes) + len(self.gaps) + len(self.boots) + len(self.changes)


def pack_missing(reasons: list[Missing | None] | tuple[Missing | None, ...]) -> int:
    """Pack one reason for each source quantity into the integer that is stored."""
    packed = 0
    for index, reason in enumerate(reasons):
        if reason is not None:
            packed |= reason.value << (REASON_BITS * index)
    return packed


def unpack_missing(packed: int) -> tuple[Missing | None, ...]:
    """Undo `pack_missing`."""
    mask = (1 << REASON_BITS) - 1
    codes = ((packed >> (REASON_BITS * index)) & mask for index in range(N_QUANTITIES))
    return tuple(Missing(code) if code else None for code in codes)
