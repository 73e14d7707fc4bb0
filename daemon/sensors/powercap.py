"""Processor power from the energy counters of powercap.

Zone numbers mean nothing (``intel-rapl:1`` is the second package on one machine and the whole platform on
another), so zones are known by name. AMD processors show the same zones. The counters are a model of the
maker's and not a meter: good for ratios, not for absolute watts.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ...store.records import Channel, Missing
from .base import Reading
from .energy import DEFAULT_HIGHEST_W, LIMIT_SHARE, EnergyMeter
from .kept_file import SYSTEM_FILES, FileDoor, KeptFile, line_of, listed, whole_number_of

POWERCAP_RULES_FILE = Path(__file__).resolve().parents[1] / "heatdrift-powercap.rules"
PACKAGE = re.compile(r"package-(\d+)(?:-die-\d+)?")
CONSTRAINTS = range(3)


@dataclass(frozen=True, slots=True)
class PowerZone:
    """One package zone: its folder, which processor it is, where its counter wraps [µJ], its limits [W]."""

    folder: Path
    package: int
    range_uj: int | None
    limits_w: Mapping[str, float]  # "long_term", "short_term" ...


def find_zones(sys_root: Path) -> list[PowerZone]:
    """Find the package zones, one for each package and die, sorted by name.

    A package that shows up twice, through registers and through memory-mapped registers, counts once.
    """
    by_name: dict[str, PowerZone] = {}
    base = sys_root / "class/powercap"
    # Plain register zones first, so that the memory-mapped double is the one that is left out.
    for entry in sorted(listed(base), key=lambda name: ("-mmio" in name, name)):
        name = line_of(base / entry / "name")
        match = PACKAGE.fullmatch(name)
        if match and name not in by_name:
            folder = base / entry
            range_uj = whole_number_of(folder / "max_energy_range_uj")
            by_name[name] = PowerZone(folder, int(match[1]), range_uj, _limits_w(folder))
    return [by_name[name] for name in sorted(by_name)]


def _limits_w(folder: Path) -> dict[str, float]:
    limits = {}
    for number in CONSTRAINTS:
        name = line_of(folder / f"constraint_{number}_name")
        limit_uw = whole_number_of(folder / f"constraint_{number}_power_limit_uw")
        if name and limit_uw:
            limits[name] = limit_uw / 1e6
    return limits


class PowercapGroup:
    """The power of one package: the sum of its dies.

    Looks and peeks keep separate baselines, so that a peek does not shorten the span of a mean.
    """

    min_period_s = 0.0

    def __init__(self, zones: Sequence[PowerZone], door: FileDoor = SYSTEM_FILES) -> None:
        package = zones[0].package
        self.name = f"powercap package-{package}"
        self.channels: tuple[Channel, ...] = (
            Channel(
                f"powercap/package-{package}",
                "power_w",
                "powercap",
                f"package-{package}",
                zones[0].folder.name.split(":")[0],
                "energy",
            ),
        )
        self._zones = tuple(zones)
        self._files = [KeptFile(zone.folder / "energy_uj", door) for zone in zones]
        highest = [_highest_w(zone) for zone in zones]
        self._read_meters = [EnergyMeter(z.range_uj, w) for z, w in zip(zones, highest, strict=True)]
        self._peek_meters = [EnergyMeter(z.range_uj, w) for z, w in zip(zones, highest, strict=True)]

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        return (self._sum(self._read_meters, at_boot_s),)

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return (self._sum(self._peek_meters, at_boot_s),)

    def recipe(self, index: int) -> dict[str, Any] | None:
        meters = zip(self._files, self._peek_meters, strict=True)
        return {"energy": [[file.path, meter.range_uj, meter.highest_w] for file, meter in meters]}

    def _sum(self, meters: Sequence[EnergyMeter], at_boot_s: float) -> Reading:
        total = 0
        missing: Missing | None = None
        for file, meter in zip(self._files, meters, strict=True):
            counter_uj = file.number()
            if isinstance(counter_uj, int):
                mean = meter.mean_milli_w(counter_uj, at_boot_s)
            else:
                meter.restart()
                mean = counter_uj
            if isinstance(mean, Missing):
                missing = missing or mean  # go on: every die's meter needs its own baseline
            else:
                total += mean
        return missing or total

    def facts(self) -> Mapping[str, str]:
        limits = _limits_w(self._zones[0].folder)
        subject = f"cpu{self._zones[0].package}"
        return {f"{subject}.{name}_power_limit_w": f"{limit_w:g}" for name, limit_w in limits.items()}

    def close(self) -> None:
        for file in self._files:
            file.close()


def _highest_w(zone: PowerZone) -> float:
    # The limit of a server package or of an unlocked board may itself be far above what the default allows.
    return max(
        [DEFAULT_HIGHEST_W, *(LIMIT_SHARE * w for w in zone.limits_w.values() if w < DEFAULT_HIGHEST_W)]
    )
