"""Finds the hardware-monitoring chips of Linux and what each can say.

Own reader, because series need keys that survive renumbering, and because some files must not be read every
second: alarm flags clear when read, limits of NVMe drives cost a command each.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from ...store.records import Channel
from .device_place import among_twins, real_device, serial_of, stable_place, without_running_number
from .kept_file import line_of, listed

INPUT = re.compile(r"(temp|fan|power|energy)(\d+)_(input|average)|(pwm)(\d+)|(freq)(\d+)_input")
# What the driver calls the places of a graphics card.
GPU_TEMPERATURES = {
    "edge": "temperature_c",
    "junction": "hotspot_temperature_c",
    "mem": "memory_temperature_c",
    "pkg": "temperature_c",
    "vram": "memory_temperature_c",
}
GPU_CLOCKS = {"sclk": "clock_mhz", "mclk": "memory_clock_mhz"}
GPU_DRIVERS = frozenset({"amdgpu", "radeon", "i915", "xe"})
DRIVE_DRIVERS = frozenset({"nvme", "drivetemp"})
# Their temp files carry the millivolts of a thermistor, which only the board's maker can convert.
MILLIVOLT_DRIVERS = frozenset({"vt8231"})
# An offset that the driver knows only by model, or a scale made for the fan curve.
RELATIVE_LABELS = frozenset({"Tctl", ""})


@dataclass(frozen=True, slots=True)
class HwmonInput:
    """One readable file of a chip; ``multiplier / divisor`` turns its number into thousandths of the unit."""

    channel: Channel
    file: str
    multiplier: int
    divisor: int
    is_energy: bool = False
    fault_file: str = ""
    enable_file: str = ""


@dataclass(frozen=True, slots=True)
class HwmonChip:
    """A chip: driver, stable key, the folder it has today, and what it can say."""

    key: str
    name: str
    folder: Path
    device: Path
    inputs: tuple[HwmonInput, ...]


# kind: quantity, multiplier, divisor. The kernel gives m°C, RPM, µW, µJ, 0-255 and Hz.
UNITS = {
    "temp": ("temperature_c", 1, 1),
    "fan": ("speed_rpm", 1000, 1),
    "power": ("power_w", 1, 1000),
    "energy": ("power_w", 1, 1000),
    "pwm": ("intended_speed_pct", 100_000, 255),
    "freq": ("clock_mhz", 1, 1000),
}


def find_chips(sys_root: Path) -> list[HwmonChip]:
    """Find every chip, sorted by key.

    Two chips that cannot be told apart by place are numbered in the order of their resolved paths.

    Parameters
    ----------
    sys_root
        The root of sysfs, ``/sys`` on a real machine.
    """
    found = []
    for number in listed(sys_root / "class/hwmon"):
        folder = sys_root / "class/hwmon" / number
        name = line_of(folder / "name") or line_of(folder / "device/name")
        if name:
            device = real_device(folder)
            found.append((_chip_key(name, device), str(device), name, folder, device))
    total = Counter(key for key, *_ in found)
    seen: Counter[str] = Counter()
    chips = []
    for key, _, name, folder, device in sorted(found):
        seen[key] += 1
        twin_key = among_twins(key, seen[key], total[key])
        chips.append(HwmonChip(twin_key, name, folder, device, _inputs(twin_key, name, folder, device)))
    return chips


def device_folder(chip: HwmonChip) -> Path:
    """The folder of the device itself, where power management and utilisation are."""
    linked = chip.folder / "device"
    return linked if linked.exists() else chip.device.parent


def _chip_key(name: str, device: Path) -> str:
    serial = serial_of(device) if name in DRIVE_DRIVERS else ""
    words = ["hwmon", without_running_number(name), stable_place(device), serial]
    return "/".join(word for word in words if word)


def _inputs(key: str, name: str, folder: Path, device: Path) -> tuple[HwmonInput, ...]:
    files = set(listed(folder))
    matches = []
    for file in files:
        if match := INPUT.fullmatch(file):
            kind, number = match[1] or match[4] or match[6], match[2] or match[5] or match[7]
            if _is_wanted(kind, number, file, name, files):
                matches.append((kind, int(number), file))
    labels = {
        (kind, number): line_of(folder / f"{kind}{number}_label")
        for kind, number, _ in matches
        if f"{kind}{number}_label" in files
    }
    times = Counter((kind, label) for (kind, _), label in labels.items())
    serial = serial_of(device) if name in DRIVE_DRIVERS else ""
    inputs = []
    for kind, number, file in sorted(matches):
        label = labels.get((kind, number), "")
        word = label.replace(" ", "_") if label and times[kind, label] == 1 else str(number)
        quantity, multiplier, divisor = UNITS[kind]
        if name in GPU_DRIVERS:
            quantity = {**GPU_TEMPERATURES, **GPU_CLOCKS}.get(label, quantity)
        method = _method(kind, file, name, label)
        channel = Channel(f"{key}/{kind}/{word}", quantity, "hwmon", label, name, method, serial)
        fault, enable = f"{kind}{number}_fault", f"{kind}{number}_enable"
        fault = fault if fault in files else ""
        enable = enable if enable in files and kind != "pwm" else ""
        inputs.append(HwmonInput(channel, file, multiplier, divisor, kind == "energy", fault, enable))
    return tuple(inputs)


def _is_wanted(kind: str, number: str, file: str, name: str, files: set[str]) -> bool:
    if kind == "power" and file.endswith("_input"):
        return f"power{number}_average" not in files  # the mean says more about heat than an instant
    return kind != "freq" or name in GPU_DRIVERS


def _method(kind: str, file: str, name: str, label: str) -> str:
    if kind == "energy":
        return "energy"
    if kind == "power":
        return "average" if file.endswith("_average") else "instant"
    if kind == "pwm":
        return "intended"
    if kind == "temp" and name == "k10temp" and label in RELATIVE_LABELS:
        return "relative"
    return ""
