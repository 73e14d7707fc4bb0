"""One GPU's channels, made from what the NVML child says: units, shares, rates, and what nobody believes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ...store.records import Channel, Missing
from ...store.units import MILLI
from .base import Reading, checked, quantity_of
from .nvml_answers import STAMP, NvmlGpu, Raw
from .nvml_link import NvmlLink
from .nvml_protocol import (
    CLOCK,
    ENERGY,
    ENFORCED_LIMIT,
    FANS,
    FUNCTION_NOT_FOUND,
    GPU_NOT_FOUND,
    LIMIT_REASONS,
    MEMORY_CLOCK,
    MEMORY_TEMPERATURE,
    MEMORY_UTILIZATION,
    NO_PERMISSION,
    NOT_DUE,
    NOT_FOUND,
    NOT_SUPPORTED,
    POWER,
    POWER_LIMITED,
    TEMPERATURE,
    THERMAL_LIMITED,
    TIMEOUT,
    UTILIZATION,
)
from .nvml_wake import WakeGuard

QUANTITIES = {
    TEMPERATURE: "temperature_c",
    MEMORY_TEMPERATURE: "memory_temperature_c",
    POWER: "power_w",
    CLOCK: "clock_mhz",
    MEMORY_CLOCK: "memory_clock_mhz",
    UTILIZATION: "utilization_pct",
    MEMORY_UTILIZATION: "memory_utilization_pct",
    LIMIT_REASONS: "limit_reasons",
    THERMAL_LIMITED: "thermal_limited_pct",
    POWER_LIMITED: "power_limited_pct",
    ENFORCED_LIMIT: "enforced_limit_w",
}
ALREADY_MILLI = (POWER, ENFORCED_LIMIT)  # NVML says milliwatts
# Clock event bits. Hardware slowdown (0x8) alone may also be a power brake or a change of state.
THERMAL_BITS = 0x20 | 0x40
POWER_BITS = 0x4
ALL_BITS = 2**31 - 1  # far above the highest that is known; a mask beyond it is no mask
BITS = {THERMAL_LIMITED: THERMAL_BITS, POWER_LIMITED: POWER_BITS}
ABSURD_POWER_SHARE = 1.5  # some laptops report 752 W on an 80 W part
# Longer, and nobody can say that the driver did not begin to count again in between.
LONGEST_BRIDGE_S = 30.0
# The child's own stamp is nearer to the counter than the tick's; a clock that ran through a suspend, or is
# turned fast for an invented machine, differs from it by more than any tick is late.
LATEST_S = 0.5
# A counter that moves once in 100 ms can show 110 % of a second; more than half as much again is a fault.
NS_PER_S = 1e9
FULL_MILLI_PCT = 100 * MILLI
REASONS = {
    NOT_DUE: Missing.NOT_READ,
    NOT_SUPPORTED: Missing.NOT_EXPOSED,
    FUNCTION_NOT_FOUND: Missing.NOT_EXPOSED,
    NO_PERMISSION: Missing.PERMISSION,
    NOT_FOUND: Missing.VANISHED,
    GPU_NOT_FOUND: Missing.VANISHED,
    TIMEOUT: Missing.TIMEOUT,
}


class NvmlGroup:
    """One GPU, read through the link that all GPUs share.

    Parameters
    ----------
    link
        The way to NVML.
    gpu
        Which GPU, and what it offers.
    """

    min_period_s = 0.0

    def __init__(self, link: NvmlLink, gpu: NvmlGpu) -> None:
        self._link = link
        self._gpu = gpu
        self._slots = [slot for slot in range(len(gpu.offered)) if _is_offered(gpu, slot)]
        self._channels = tuple(_channel(gpu, slot) for slot in self._slots)
        self._quantities = [
            quantity_of(channel) if channel.quantity != "limit_reasons" else None
            for channel in self._channels
        ]
        self._counters: dict[int, tuple[float, float, int]] = {}
        link.enter()

    @property
    def name(self) -> str:
        """The GPU's product name."""
        return self._gpu.facts.get("name", self._gpu.uuid)

    @property
    def bus_id(self) -> str:
        """PCI address, as the kernel writes it."""
        return self._gpu.bus_id

    @property
    def channels(self) -> tuple[Channel, ...]:
        """What this GPU offers with this driver."""
        return self._channels

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        """Read every channel once; the same `Missing` for all where NVML cannot or must not be asked."""
        raw = self._mine(self._link.look(at_boot_s))
        if isinstance(raw, Missing):
            self._counters.clear()  # a mean over the time in which nobody looked is no reading of now
            return [raw] * len(self._slots)
        limit = raw[STAMP + ENFORCED_LIMIT]
        readings = []
        for slot, quantity in zip(self._slots, self._quantities, strict=True):
            reading = self._reading(slot, raw, at_boot_s)
            if quantity is not None and not isinstance(reading, Missing):
                reading = checked(reading, quantity)
            if slot == POWER and isinstance(reading, int) and isinstance(limit, int) and limit > 0:
                reading = reading if reading <= ABSURD_POWER_SHARE * limit else Missing.IMPLAUSIBLE
            readings.append(reading)
        return readings

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        """Power, else utilisation, where NVML is open anyway."""
        raw = self._mine(self._link.peek(at_boot_s))
        if isinstance(raw, Missing):
            return [raw] * len(self._slots)
        peeked = {POWER: _value(raw[0], 1), UTILIZATION: _value(raw[1], MILLI)}
        return [peeked.get(slot, Missing.NOT_READ) for slot in self._slots]

    def recipe(self, index: int) -> dict[str, Any] | None:
        """As for `peek`; the link sees to it that no GPU that can sleep is peeked at."""
        slot = self._slots[index]
        if slot not in (POWER, UTILIZATION):
            return None
        which, scale = (0, 1) if slot == POWER else (1, MILLI)
        return {"gpu": self._gpu.uuid, "which": which, "scale": scale}

    def facts(self) -> Mapping[str, str]:
        """Driver, firmware, limits and how power is had; the last known ones where NVML is closed."""
        facts = dict(self._link.facts(self._gpu.uuid))
        driver = facts.pop("nvidia_driver", self._gpu.driver)
        return {"nvidia_driver": driver, **{f"{self._gpu.uuid}.{key}": facts[key] for key in facts}}

    def close(self) -> None:
        """Give up this GPU; the child ends with its last one."""
        self._link.leave()

    def _mine(self, answer: Mapping[str, Raw] | Missing) -> Raw | Missing:
        return answer if isinstance(answer, Missing) else answer.get(self._gpu.uuid, Missing.DRIVER_ERROR)

    def _reading(self, slot: int, raw: Raw, at_boot_s: float) -> Reading:
        if STAMP + slot >= len(raw):
            return Missing.VANISHED
        answer = raw[STAMP + slot]
        if slot in BITS:
            if not self._gpu.offered[slot]:
                reasons = _mask(raw[STAMP + LIMIT_REASONS])
                if isinstance(reasons, Missing):
                    return reasons
                return FULL_MILLI_PCT if reasons & BITS[slot] else 0
            return _full(self._rate(slot, answer, raw[0], at_boot_s, FULL_MILLI_PCT / NS_PER_S))
        if slot == POWER and self._gpu.method == ENERGY:
            return self._rate(slot, answer, raw[0], at_boot_s, 1.0)
        return (
            _mask(answer) if slot == LIMIT_REASONS else _value(answer, 1 if slot in ALREADY_MILLI else MILLI)
        )

    def _rate(self, slot: int, answer: object, stamp_s: float, at_boot_s: float, scale: float) -> Reading:
        """Growth of a counter per second, times ``scale``."""
        count = _value(answer, 1)
        if isinstance(count, Missing):
            if count is not Missing.NOT_READ:  # it was only not due
                self._counters.pop(slot, None)
            return count
        before = self._counters.get(slot)
        self._counters[slot] = (stamp_s, at_boot_s, count)
        if before is None:
            return Missing.FIRST_LOOK
        elapsed_s = at_boot_s - before[1]
        if abs(stamp_s - before[0] - elapsed_s) < LATEST_S:
            elapsed_s = stamp_s - before[0]
        if not 0 < elapsed_s <= LONGEST_BRIDGE_S or count < before[2]:
            return Missing.COUNTER_RESTART
        return round((count - before[2]) / elapsed_s * scale)


class SleepingGroup:
    """Stands for GPUs that slept or hung at discovery: it has no channel, but meets them once they answer.

    ``is_asleep`` says that one of them slept.
    """

    min_period_s = 0.0
    channels: tuple[Channel, ...] = ()
    name = "nvml (a GPU not yet met)"

    def __init__(self, link: NvmlLink, *, is_asleep: bool) -> None:
        self._link = link
        self.is_asleep = is_asleep
        link.enter()

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        """Meet the GPUs if they answer now and somebody else has woken them; nothing to say meanwhile."""
        self._link.look(at_boot_s)
        return ()

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        """Nothing."""
        return ()

    def facts(self) -> Mapping[str, str]:
        """Nothing is known."""
        return {}

    def close(self) -> None:
        """Give up waiting."""
        self._link.leave()


def nvml_groups(link: NvmlLink, sys_root: Path) -> tuple[NvmlGroup | SleepingGroup, ...]:
    """One group for each GPU that NVML shows, none where there is no NVML.

    Parameters
    ----------
    link
        The way to NVML.
    sys_root
        Where ``/sys`` is: its PCI power files say whether a GPU sleeps.

    Returns
    -------
    tuple of groups
        A `SleepingGroup` where every GPU that could be asked sleeps, or NVML hangs: when it has met them,
        the link's ``has_news`` is set and discovering again finds them.
    """
    gpus = link.attach(sys_root)
    if not gpus and link.is_pending:
        return (SleepingGroup(link, is_asleep=not WakeGuard(sys_root).are_awake),)
    return tuple(NvmlGroup(link, gpu) for gpu in gpus)


def _is_offered(gpu: NvmlGpu, slot: int) -> bool:
    return gpu.offered[slot] or (slot in BITS and gpu.offered[LIMIT_REASONS])


def _channel(gpu: NvmlGpu, slot: int) -> Channel:
    quantity, place, method = QUANTITIES.get(slot, "intended_speed_pct"), "", ""
    if slot >= FANS:
        place, method = f"fan{slot - FANS + 1}:", "intended"
    elif slot == POWER:
        method = gpu.method
    elif slot in BITS:
        method = "counter" if gpu.offered[slot] else "mask"
    return Channel(
        key=f"nvml:{gpu.uuid}:{place}{quantity}",
        quantity=quantity,
        door="nvml",
        label=gpu.facts.get("name", ""),
        driver=f"nvidia {gpu.driver}",
        method=method,
        device=gpu.uuid,
    )


def _value(answer: object, scale: int) -> Reading:
    if isinstance(answer, list):
        return REASONS.get(answer[0], Missing.READ_ERROR)
    return round(answer * scale) if isinstance(answer, int | float) else Missing.NOT_EXPOSED


def _mask(answer: object) -> Reading:
    reasons = _value(answer, 1)
    return reasons if isinstance(reasons, Missing) or 0 <= reasons <= ALL_BITS else Missing.IMPLAUSIBLE


def _full(share: Reading) -> Reading:
    """A share that its counter's coarse steps carried a little over the full."""
    if isinstance(share, int) and FULL_MILLI_PCT < share <= 1.5 * FULL_MILLI_PCT:
        return FULL_MILLI_PCT
    return share
