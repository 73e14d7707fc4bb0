"""Mains or battery, and the battery's own temperature."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from ...store.records import Channel, Missing
from ...store.units import PROBE_TEMPERATURE_C
from .base import Reading, checked
from .kept_file import SYSTEM_FILES, FileDoor, KeptFile, line_of, listed

PERIOD_S = 60.0  # the battery is asked through the embedded controller
MILLI_PER_TENTH = 100  # the kernel gives tenths of a degree here, and only here


def find_supplies(sys_root: Path) -> list[Path]:
    """Folders of the machine's own supplies, sorted by name; those of mice and headsets are left out."""
    base = sys_root / "class/power_supply"
    return [base / name for name in listed(base) if line_of(base / name / "scope") != "Device"]


class PowerSupplyGroup:
    """Battery temperatures as channels; mains and charge state as facts."""

    min_period_s = PERIOD_S

    def __init__(self, supplies: Sequence[Path], door: FileDoor = SYSTEM_FILES) -> None:
        self.name = "power supply"
        self._supplies = [(folder, line_of(folder / "type")) for folder in supplies]
        warm = [f for f, kind in self._supplies if kind == "Battery" and (f / "temp").exists()]
        self._files = [KeptFile(folder / "temp", door) for folder in warm]
        self.channels: tuple[Channel, ...] = tuple(
            Channel(
                f"power_supply/{folder.name}/temp",
                "temperature_c",
                "power_supply",
                folder.name,
                line_of(folder / "model_name"),
                device=line_of(folder / "serial_number"),
            )
            for folder in warm
        )

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        return [self._celsius(file.number()) for file in self._files]

    @staticmethod
    def _celsius(tenths: Reading) -> Reading:
        if isinstance(tenths, Missing):
            return tenths
        if tenths == 0:  # what a battery without a thermometer says
            return Missing.IMPLAUSIBLE
        return checked(tenths * MILLI_PER_TENTH, PROBE_TEMPERATURE_C)

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return [Missing.NOT_READ] * len(self._files)

    def facts(self) -> Mapping[str, str]:
        facts: dict[str, str] = {}
        for folder, kind in self._supplies:
            if kind == "Battery":
                status = line_of(folder / "status")
                if status:
                    facts[f"battery.{folder.name}"] = status.lower()
            elif online := line_of(folder / "online"):
                # One supply that feeds is enough: a laptop has a barrel plug and several USB sockets.
                facts["ac"] = "mains" if online == "1" or facts.get("ac") == "mains" else "battery"
        return facts

    def close(self) -> None:
        for file in self._files:
            file.close()
