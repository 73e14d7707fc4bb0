"""Everything that can be read on this machine, before anybody decides what for.

A shelf holds the channels of one device and makes groups of them: some for each second,
some for now and then.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from ..store.records import Channel
from .sensors.base import Reading, SensorGroup
from .sensors.cpufreq import CpufreqGroup, find_policies, package_of
from .sensors.graphics import GraphicsGroup, graphics_inputs, is_shared_with_processor
from .sensors.hwmon import DRIVE_DRIVERS, GPU_DRIVERS, HwmonChip, HwmonInput, find_chips
from .sensors.hwmon_group import HwmonGroup
from .sensors.kept_file import SYSTEM_FILES, FileDoor, listed
from .sensors.portable import PortableTemperatures, PortableUtilization
from .sensors.power_supply import PowerSupplyGroup, find_supplies
from .sensors.powercap import PowercapGroup, find_zones
from .sensors.processor_time import ProcessorTimeGroup
from .sensors.profile import MachineFacts
from .sensors.thermal_zone import ThermalZoneGroup
from .sensors.thermal_zone import find_zones as find_thermal_zones
from .sensors.throttle import ThrottleGroup, find_throttle_counter


class Shelf(Protocol):
    """The channels of one device."""

    @property
    def kind(self) -> str:
        """One of chip, graphics, shared_graphics, drive, zones, cpu, supply, machine."""

    @property
    def package(self) -> int | None:
        """Processor package that the channels belong to, None where they belong to none."""

    @property
    def channels(self) -> tuple[Channel, ...]:
        """All channels."""

    def group(self, keys: Collection[str], period_s: float, outdoor: frozenset[str]) -> SensorGroup:
        """Make a group that reads at least the channels with these keys."""


@dataclass(frozen=True, slots=True)
class ChipShelf:
    """A hwmon chip; groups read only what they are asked for."""

    sys_root: Path
    chip: HwmonChip
    kind: str
    files: FileDoor
    inputs: tuple[HwmonInput, ...]
    package: int | None = None

    @property
    def channels(self) -> tuple[Channel, ...]:
        return tuple(entry.channel for entry in self.inputs)

    def group(self, keys: Collection[str], period_s: float, outdoor: frozenset[str]) -> SensorGroup:
        inputs = [entry for entry in self.inputs if entry.channel.key in keys]
        if self.kind in ("graphics", "shared_graphics"):
            return GraphicsGroup(self.sys_root, self.chip, inputs, door=self.files)
        return HwmonGroup(self.sys_root, self.chip, inputs, period_s, door=self.files, outdoor_keys=outdoor)


@dataclass(frozen=True, slots=True)
class ZoneShelf:
    """All thermal zones."""

    zones: tuple[tuple[str, Path], ...]
    files: FileDoor
    kind: str = "zones"
    package: int | None = None

    @property
    def channels(self) -> tuple[Channel, ...]:
        return ThermalZoneGroup(self.zones).channels

    def group(self, keys: Collection[str], period_s: float, outdoor: frozenset[str]) -> SensorGroup:
        return ThermalZoneGroup([zone for zone in self.zones if zone[0] in keys], period_s, self.files)


@dataclass(frozen=True, slots=True)
class WholeShelf:
    """A group that is only read as a whole."""

    whole: SensorGroup
    kind: str
    package: int | None = None

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self.whole.channels

    def group(self, keys: Collection[str], period_s: float, outdoor: frozenset[str]) -> SensorGroup:
        return self.whole


def system_shelves(
    sys_root: Path, proc_root: Path, use_portable: bool, files: FileDoor = SYSTEM_FILES
) -> list[Shelf]:
    """Find what sysfs, proc and psutil show, in an order that does not depend on enumeration.

    Parameters
    ----------
    sys_root, proc_root
        Roots of sysfs and proc.
    use_portable
        Whether psutil may stand in where there is neither hwmon nor a thermal zone.
    """
    shelves: list[Shelf] = [_chip_shelf(sys_root, chip, files) for chip in find_chips(sys_root)]
    if zones := find_thermal_zones(sys_root):
        shelves.append(ZoneShelf(tuple(zones), files))
    if use_portable and not shelves and (portable := PortableTemperatures()).channels:
        shelves.append(WholeShelf(portable, "zones"))
    shelves.extend(_processor_shelves(sys_root, proc_root, use_portable, files))
    if supplies := find_supplies(sys_root):
        shelves.append(WholeShelf(PowerSupplyGroup(supplies, files), "supply"))
    shelves.append(WholeShelf(MachineFacts(sys_root, proc_root), "machine"))
    return shelves


def _chip_shelf(sys_root: Path, chip: HwmonChip, files: FileDoor) -> ChipShelf:
    if chip.name in GPU_DRIVERS:
        kind = "shared_graphics" if is_shared_with_processor(chip) else "graphics"
        return ChipShelf(sys_root, chip, kind, files, graphics_inputs(chip))
    kind = "drive" if chip.name in DRIVE_DRIVERS else "chip"
    return ChipShelf(sys_root, chip, kind, files, chip.inputs)


def _processor_shelves(sys_root: Path, proc_root: Path, use_portable: bool, files: FileDoor) -> list[Shelf]:
    shelves: list[Shelf] = []
    zones = find_zones(sys_root)
    for package in processor_packages(sys_root):
        if dies := [zone for zone in zones if zone.package == package]:
            shelves.append(WholeShelf(PowercapGroup(dies, files), "cpu", package))
        if policies := find_policies(sys_root, package):
            shelves.append(WholeShelf(CpufreqGroup(policies, package, files), "cpu", package))
        if counter := find_throttle_counter(sys_root, package):
            shelves.append(WholeShelf(ThrottleGroup(counter, package, files), "cpu", package))
    if (proc_root / "stat").exists():
        shelves.append(WholeShelf(ProcessorTimeGroup(proc_root, files), "cpu"))
    elif use_portable:
        shelves.append(WholeShelf(PortableUtilization(), "cpu"))
    return shelves


def processor_packages(sys_root: Path) -> list[int]:
    """Numbers of the processor packages; one, numbered 0, where the kernel says nothing."""
    cpus = [n[3:] for n in listed(sys_root / "devices/system/cpu") if n.startswith("cpu")]
    found = {package_of(sys_root, int(cpu)) for cpu in cpus if cpu.isdigit()}
    return sorted(found | {zone.package for zone in find_zones(sys_root)}) or [0]


def first_readings(shelf: Shelf, at_boot_s: float = 0.0) -> Mapping[str, Reading]:
    """Read a chip or the zones once, to see what is alive; drives and graphics cards are left in peace."""
    if shelf.kind not in ("chip", "zones"):
        return {}
    group = shelf.group({channel.key for channel in shelf.channels}, 0.0, frozenset())
    readings = dict(zip((c.key for c in group.channels), group.read(at_boot_s), strict=True))
    if not isinstance(shelf, WholeShelf):
        group.close()
    return readings
