"""Thermal zones of machines that have no hwmon chip for the same place (small boards, some tablets)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

from ...store.records import Channel, Missing
from ...store.units import TEMPERATURE_C
from .base import Reading, checked
from .device_place import among_twins, without_running_number
from .kept_file import SYSTEM_FILES, FileDoor, KeptFile, line_of, listed


def find_zones(sys_root: Path) -> list[tuple[str, Path]]:
    """Zone keys and folders, sorted by type; trip points are never read, they are often made up."""
    base = sys_root / "class/thermal"
    names = [name for name in listed(base) if name.startswith("thermal_zone")]
    found = [(without_running_number(line_of(base / name / "type")), name) for name in names]
    total = Counter(kind for kind, _ in found)
    seen: Counter[str] = Counter()
    zones = []
    for kind, name in sorted(found):
        seen[kind] += 1
        if kind:
            zones.append((among_twins(f"thermal/{kind}", seen[kind], total[kind]), base / name))
    return zones


class ThermalZoneGroup:
    """Temperatures of thermal zones."""

    name = "thermal zones"

    def __init__(
        self, zones: Sequence[tuple[str, Path]], min_period_s: float = 0.0, door: FileDoor = SYSTEM_FILES
    ) -> None:
        self.min_period_s = min_period_s
        self.channels: tuple[Channel, ...] = tuple(
            Channel(key, "temperature_c", "thermal", key.partition("/")[2].partition("#")[0])
            for key, _ in zones
        )
        self._files = [KeptFile(folder / "temp", door) for _, folder in zones]

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        numbers = [file.number() for file in self._files]
        return [n if isinstance(n, Missing) else checked(n, TEMPERATURE_C) for n in numbers]

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return [Missing.NOT_READ] * len(self._files)

    def facts(self) -> Mapping[str, str]:
        return {}

    def close(self) -> None:
        for file in self._files:
            file.close()
