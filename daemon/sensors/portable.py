"""What a system without /sys offers, through psutil: utilisation, mains, temperatures where it has any.

Never used where hwmon exists: there psutil reads each chip's limits at every call, wakes graphics cards and
names chips by an order that changes from boot to boot.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import psutil

from ...store.records import Channel, Missing
from ...store.units import TEMPERATURE_C, UTILIZATION_PCT, to_milli
from .base import Reading, checked

Temperatures = Mapping[str, Sequence[tuple[str, float | None]]]
PERIOD_S = 5.0  # one call reads every sensor there is


def psutil_temperatures() -> Temperatures:
    """Labels and temperatures [°C] by chip; empty where the system offers none."""
    read = getattr(psutil, "sensors_temperatures", None)
    if read is None:
        return {}
    return {chip: [(e.label, e.current) for e in entries] for chip, entries in read().items()}


class PortableTemperatures:
    """All temperatures of a system without hwmon."""

    min_period_s = PERIOD_S
    name = "psutil temperatures"

    def __init__(self, read: Callable[[], Temperatures] = psutil_temperatures) -> None:
        self._read = read
        now = read()
        self._places = [(chip, i, label) for chip in sorted(now) for i, (label, _) in enumerate(now[chip])]
        self.channels: tuple[Channel, ...] = tuple(
            Channel(
                f"psutil/{chip}/{label or index}".replace(" ", "_"), "temperature_c", "psutil", label, chip
            )
            for chip, index, label in self._places
        )

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        try:
            now = self._read()
        except (OSError, ValueError):
            return [Missing.READ_ERROR] * len(self._places)
        readings: list[Reading] = []
        for chip, index, _ in self._places:
            entries = now.get(chip, ())
            if index >= len(entries):
                readings.append(Missing.VANISHED)
            elif (temperature_c := entries[index][1]) is None:
                readings.append(Missing.NOT_NUMERIC)
            else:
                readings.append(checked(to_milli(temperature_c), TEMPERATURE_C))
        return readings

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return [Missing.NOT_READ] * len(self._places)

    def facts(self) -> Mapping[str, str]:
        return {}

    def close(self) -> None:
        """Keep nothing open."""


class PortableUtilization:
    """Utilisation of all processors together, and mains or battery, where there is no /proc and no /sys."""

    min_period_s = 0.0
    name = "psutil utilisation"
    channels: tuple[Channel, ...] = (Channel("psutil/cpu", "utilization_pct", "psutil", "cpu"),)

    def __init__(self) -> None:
        self._before = psutil.cpu_times()
        self._peeked = self._before

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        before, self._before = self._before, psutil.cpu_times()
        return (self._share(before, self._before),)

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        before, self._peeked = self._peeked, psutil.cpu_times()
        return (self._share(before, self._peeked),)

    @staticmethod
    def _share(before: tuple[float, ...], now: tuple[float, ...]) -> Reading:
        total_s = sum(now) - sum(before)
        if total_s <= 0:
            return Missing.NOT_READ
        idle_s = getattr(now, "idle", 0.0) - getattr(before, "idle", 0.0)
        return checked(to_milli(max(0.0, min(100.0, 100 * (1 - idle_s / total_s)))), UTILIZATION_PCT)

    def facts(self) -> Mapping[str, str]:
        battery = psutil.sensors_battery() if hasattr(psutil, "sensors_battery") else None
        if battery is None or battery.power_plugged is None:
            return {}
        return {"ac": "mains" if battery.power_plugged else "battery"}

    def close(self) -> None:
        """Keep nothing open."""
