"""Reads chosen inputs of one hwmon chip through kept files."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from pathlib import Path

from ...store.records import Channel, Missing
from ...store.units import MILLI, PROBE_TEMPERATURE_C
from .base import Reading, quantity_of
from .energy import EnergyMeter
from .hwmon import HwmonChip, HwmonInput, find_chips
from .kept_file import SYSTEM_FILES, FileDoor, KeptFile, line_of

log = logging.getLogger(__name__)

SEARCH_PERIOD_S = 10.0  # looking through all chips costs milliseconds: seldom, and ever more seldom
LONGEST_SEARCH_PERIOD_S = 600.0
# Drivers that ask an embedded controller, the SMBus or a drive: each read disturbs somebody.
SLOW_DRIVERS = frozenset(
    {"nvme", "drivetemp", "jc42", "spd5118", "ee1004", "thinkpad", "dell_smm", "dell_ddv", "applesmc"}
    | {"asus_ec_sensors", "asusec", "hp", "acer", "steamdeck_hwmon", "cros_ec", "oxpec", "msi_wmi_platform"}
)
SLOW_PERIOD_S = 60.0


class _Slot:
    """One input with its file, bounds and, for energy, its two baselines."""

    __slots__ = (
        "divisor",
        "fault",
        "file",
        "highest",
        "is_off",
        "lowest",
        "multiplier",
        "peek_meter",
        "read_meter",
    )

    def __init__(self, entry: HwmonInput, folder: Path, door: FileDoor, is_outdoor: bool) -> None:
        self.file = KeptFile(folder / entry.file, door)
        self.fault = KeptFile(folder / entry.fault_file, door) if entry.fault_file else None
        self.is_off = bool(entry.enable_file) and line_of(folder / entry.enable_file) == "0"
        self.multiplier, self.divisor = entry.multiplier, entry.divisor
        bounds = PROBE_TEMPERATURE_C if is_outdoor else quantity_of(entry.channel)
        self.lowest, self.highest = round(bounds.lowest * MILLI), round(bounds.highest * MILLI)
        self.read_meter = EnergyMeter(None, bounds.highest) if entry.is_energy else None
        self.peek_meter = EnergyMeter(None, bounds.highest) if entry.is_energy else None

    def reading(self, meter: EnergyMeter | None, at_boot_s: float) -> Reading:
        if self.is_off:
            return Missing.NOT_EXPOSED
        if self.fault is not None and self.fault.number() == 1:
            return Missing.FAULT_FLAG
        number = self.file.number()
        if not isinstance(number, int):
            if meter is not None:
                meter.restart()  # a mean over the time in which nobody looked is no reading of now
            return number
        if meter is not None:
            return meter.mean_milli_w(number, at_boot_s)
        value = number if self.multiplier == self.divisor else number * self.multiplier // self.divisor
        if value < self.lowest or value > self.highest or (value == 0 and self.lowest < 0):
            return Missing.IMPLAUSIBLE
        return value

    def restart(self) -> None:
        for meter in (self.read_meter, self.peek_meter):
            if meter is not None:
                meter.restart()

    def close(self) -> None:
        self.file.close()
        if self.fault is not None:
            self.fault.close()


class HwmonGroup:
    """Some inputs of one chip, read together.

    When the chip's files vanish it is looked for under its key, since a driver that is loaded again gets
    another ``hwmonN``.

    Parameters
    ----------
    sys_root
        The root of sysfs.
    chip
        The chip as it was found.
    inputs
        Which of its inputs to read, in this order.
    min_period_s
        Least time between two reads [s]; drivers known to be slow get at least 60 s.
    outdoor_keys
        Channel keys of probes that may stand below 1 °C.
    """

    def __init__(
        self,
        sys_root: Path,
        chip: HwmonChip,
        inputs: Sequence[HwmonInput],
        min_period_s: float = 0.0,
        *,
        door: FileDoor = SYSTEM_FILES,
        outdoor_keys: frozenset[str] = frozenset(),
    ) -> None:
        self.name = chip.key.removeprefix("hwmon/")
        self.channels: tuple[Channel, ...] = tuple(entry.channel for entry in inputs)
        self.min_period_s = max(min_period_s, SLOW_PERIOD_S if chip.name in SLOW_DRIVERS else 0.0)
        self._sys_root, self._chip, self._door = sys_root, chip, door
        self._inputs, self._outdoor_keys = tuple(inputs), outdoor_keys
        self._slots = self._open(chip.folder)
        self._triggers = [i for i, channel in enumerate(self.channels) if channel.quantity == "power_w"]
        self._not_read: list[Reading] = [Missing.NOT_READ] * len(inputs)
        self._search_period_s = SEARCH_PERIOD_S
        self._search_at_s = float("-inf")

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        readings = self._read_all(at_boot_s)
        if Missing.VANISHED not in readings:
            self._search_period_s = SEARCH_PERIOD_S
        elif self._is_found_elsewhere(at_boot_s):
            return self._read_all(at_boot_s)
        return readings

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        if not self._triggers or self.min_period_s > 1.0:
            return self._not_read
        readings = self._not_read.copy()
        for index in self._triggers:
            slot = self._slots[index]
            readings[index] = slot.reading(slot.peek_meter, at_boot_s)
        return readings

    def restart(self) -> None:
        """Forget the baselines of counters: the device slept."""
        for slot in self._slots:
            slot.restart()

    def facts(self) -> Mapping[str, str]:
        return {}

    def close(self) -> None:
        for slot in self._slots:
            slot.close()

    def _read_all(self, at_boot_s: float) -> list[Reading]:
        return [slot.reading(slot.read_meter, at_boot_s) for slot in self._slots]

    def _open(self, folder: Path) -> list[_Slot]:
        keys = self._outdoor_keys
        return [_Slot(entry, folder, self._door, entry.channel.key in keys) for entry in self._inputs]

    def _is_found_elsewhere(self, at_boot_s: float) -> bool:
        if at_boot_s < self._search_at_s:
            return False
        self._search_at_s = at_boot_s + self._search_period_s
        self._search_period_s = min(2 * self._search_period_s, LONGEST_SEARCH_PERIOD_S)
        same = next((chip for chip in find_chips(self._sys_root) if chip.key == self._chip.key), None)
        if same is None or (same.folder == self._chip.folder and self._is_same_files(same)):
            return False
        log.info("%s: now at %s", self.name, same.folder.name)
        self._follow(same)
        return True

    def _is_same_files(self, same: HwmonChip) -> bool:
        return {e.file for e in self._inputs} >= {e.file for e in self._inputs_of(same)}

    def _inputs_of(self, chip: HwmonChip) -> list[HwmonInput]:
        keys = {channel.key for channel in self.channels}
        return [entry for entry in chip.inputs if entry.channel.key in keys]

    def _follow(self, same: HwmonChip) -> None:
        by_key = {entry.channel.key: entry for entry in same.inputs}
        self.close()
        self._chip = same
        self._inputs = tuple(by_key.get(entry.channel.key, entry) for entry in self._inputs)
        self._slots = self._open(same.folder)
