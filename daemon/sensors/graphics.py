"""Graphics cards seen through hwmon: AMD and Intel. A sleeping card is never woken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from ...store.records import Channel, Missing
from ...store.units import QUANTITY_INDEX
from .base import Reading
from .hwmon import HwmonChip, HwmonInput, device_folder
from .hwmon_group import HwmonGroup
from .kept_file import SYSTEM_FILES, FileDoor, line_of, listed
from .runtime_power import RuntimePower

BUSY_MILLI_PCT = 5_000  # a desktop that draws a clock stays below
# Reading marks a card as used: at idle, stay away for twice as long as it takes to fall asleep.
REST_SHARE = 2.0
PERCENT_FILES = {"gpu_busy_percent": "utilization_pct", "mem_busy_percent": "memory_utilization_pct"}


def is_shared_with_processor(chip: HwmonChip) -> bool:
    """Graphics inside the processor, alone with a ``vddnb`` voltage: their power has the cores in it."""
    return any(line_of(chip.folder / f"in{n}_label") == "vddnb" for n in (0, 1))


def graphics_inputs(chip: HwmonChip) -> tuple[HwmonInput, ...]:
    """What a card shows about itself as a source: one input for each quantity, plus its own percentages."""
    chosen: dict[str, HwmonInput] = {}
    for entry in chip.inputs:
        if entry.channel.quantity in QUANTITY_INDEX:
            before = chosen.get(entry.channel.quantity)
            # The energy counter is the truest mean; a first one wins over what comes later.
            if before is None or (entry.is_energy and not before.is_energy):
                chosen[entry.channel.quantity] = entry
    inputs = list(chosen.values())
    device = device_folder(chip)
    for file, quantity in PERCENT_FILES.items():
        if (device / file).exists():
            channel = Channel(f"{chip.key}/{file}", quantity, "hwmon", file, chip.name)
            inputs.append(HwmonInput(channel, str(device / file), 1000, 1))
    if (chip.folder / "power1_cap").exists():
        channel = Channel(f"{chip.key}/power1_cap", "enforced_limit_w", "hwmon", "power1_cap", chip.name)
        inputs.append(HwmonInput(channel, "power1_cap", 1, 1000))
    return tuple(inputs)


class GraphicsGroup:
    """One card: power state first, then its hwmon files, and a rest at idle so that it may fall asleep."""

    min_period_s = 0.0

    def __init__(
        self, sys_root: Path, chip: HwmonChip, inputs: Sequence[HwmonInput], door: FileDoor = SYSTEM_FILES
    ) -> None:
        self._hwmon = HwmonGroup(sys_root, chip, inputs, door=door)
        self.name, self.channels = self._hwmon.name, self._hwmon.channels
        self._device = device_folder(chip)
        self._power_state = RuntimePower(self._device, door)
        quantities = [channel.quantity for channel in self.channels]
        self._utilization = quantities.index("utilization_pct") if "utilization_pct" in quantities else None
        self._asleep: list[Reading] = [Missing.ASLEEP] * len(quantities)
        self._not_read: list[Reading] = [Missing.NOT_READ] * len(quantities)
        self._rest_until_s = float("-inf")

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        if not self._power_state.is_awake():
            return self._sleep()
        if at_boot_s < self._rest_until_s:
            return self._not_read
        readings = self._hwmon.read(at_boot_s)
        if Missing.PERMISSION in readings:
            return self._sleep()  # newer drivers say EPERM for a card that fell asleep just now
        self._rest_until_s = at_boot_s + self._rest_s(readings)
        return readings

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        if not self._power_state.is_awake():
            return self._sleep()
        if at_boot_s < self._rest_until_s:
            return self._not_read
        readings = self._hwmon.peek(at_boot_s)
        return self._sleep() if Missing.PERMISSION in readings else readings

    def facts(self) -> Mapping[str, str]:
        if not self._power_state.is_awake():
            return {}
        version = line_of(self._device / "vbios_version")
        return {f"{self.name}.vbios": version} if version else {}

    def close(self) -> None:
        self._power_state.close()
        self._hwmon.close()

    def _sleep(self) -> Sequence[Reading]:
        self._hwmon.restart()
        return self._asleep

    def _rest_s(self, readings: Sequence[Reading]) -> float:
        """How long to leave the card alone [s]: not at all while others use it or it drives a display."""
        if self._utilization is not None:
            busy = readings[self._utilization]
            if isinstance(busy, int) and busy >= BUSY_MILLI_PCT:
                return 0.0
        delay_s = self._power_state.delay_s()
        return 0.0 if delay_s == 0.0 or self._drives_display() else REST_SHARE * delay_s

    def _drives_display(self) -> bool:
        drm = self._device / "drm"
        return any(
            line_of(drm / card / connector / "enabled") == "enabled"
            for card in listed(drm)
            if card.startswith("card")
            for connector in listed(drm / card)
            if connector.startswith(f"{card}-")
        )
