"""Where a device sits, in words that survive a reboot.

The kernel numbers ``hwmonN``, ``thermal_zoneN``, ``i2c-N``, ``nvmeN`` and ``hostN`` in the order in which
drivers happen to load. The path of the device without those numbers stays.
"""

from __future__ import annotations

import re
from pathlib import Path

from .kept_file import line_of

PCI_ADDRESS = re.compile(r"[0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]")
ZONE = re.compile(r"thermal_zone\d+")
I2C_ADAPTER = re.compile(r"i2c-\d+")
I2C_DEVICE = re.compile(r"\d+-([0-9a-f]{4})")
COUNTED = re.compile(
    r"hwmon\d*|nvme\d*|card\d+|drm|host\d+|target\d+:\d+:\d+|\d+:\d+:\d+:\d+|ata\d+|phy\d+|ieee80211"
)
RUNNING_NUMBER = re.compile(r"_\d+$")  # a radio's zone type and chip name end in a counter


def real_device(hwmon: Path) -> Path:
    """The device behind a hwmon folder, symbolic links followed."""
    real = hwmon.resolve()
    if "class" in real.parts and (hwmon / "device").exists():
        return (hwmon / "device").resolve()
    return real


def without_running_number(name: str) -> str:
    """A driver or zone name without the counter that radios append."""
    return RUNNING_NUMBER.sub("", name)


def stable_place(device: Path) -> str:
    """Name the place of a device, from its resolved path.

    Parameters
    ----------
    device
        Resolved path under ``/sys/devices``.

    Returns
    -------
    str
        PCI address, platform id, bus name and address or zone type, joined by slashes.
    """
    words: list[str] = []
    parts = device.parts
    start = max((i for i, part in enumerate(parts) if part == "devices"), default=0) + 1
    for index in range(start, len(parts)):
        part = parts[index]
        folder = Path(*parts[: index + 1])
        if PCI_ADDRESS.fullmatch(part):
            words = [part]  # the bridges in front of it add nothing
        elif ZONE.fullmatch(part):
            words.append(f"zone({without_running_number(line_of(folder / 'type'))})")
        elif I2C_ADAPTER.fullmatch(part):
            words.append(f"i2c({line_of(folder / 'name')})")
        elif match := I2C_DEVICE.fullmatch(part):
            words.append(match[1])
        elif not COUNTED.fullmatch(part):
            words.append(part)
    return "/".join(words).replace(" ", "_")


def among_twins(key: str, number: int, n_twins: int) -> str:
    """A key for one of several devices that nothing but their order tells apart.

    Their count is part of it: when one is gone the others get new keys, since nobody can say which it was.
    """
    return key if n_twins == 1 else f"{key}#{number}of{n_twins}"


def serial_of(device: Path) -> str:
    """Model and serial number of the drive that carries the sensor; empty where it is no drive."""
    for folder in (device, *list(device.parents)[:3]):
        serial = line_of(folder / "serial") or line_of(folder / "wwid")
        model = line_of(folder / "model")
        if serial and model:
            return re.sub(r"\s+", "_", f"{model}_{serial}")
    return ""
