"""Board, disk, room probe, mains and identity as the kernel shows them."""

from __future__ import annotations

from collections.abc import Callable

from .tree_files import COUNTERS, GAUGES, TreeFiles
from .tree_view import TreeView

DISK_DEVICE = "sys/devices/pci0000:00/0000:00:1d.0/0000:03:00.0/nvme/nvme0"
MILLI = 1000
KERNEL = "6.8.0-45-generic"
DEAD_ZONE_MILLI_C = 27_800  # what many firmwares say for ever


def build_board(files: TreeFiles, view: TreeView, kernel: str = KERNEL) -> None:
    """Add everything that is neither processor nor GPU."""
    build_identity(files, view, kernel)
    if view.machine.values.kind == "laptop":
        build_laptop_board(files, view)
        build_mains(files)
    else:
        build_desktop_board(files, view)
    build_probes(files, view)


def build_identity(files: TreeFiles, view: TreeView, kernel: str) -> None:
    """Add kernel, boot and firmware."""
    machine = view.machine
    files.fixed("proc/sys/kernel/random/boot_id", f"00000000-0000-4000-8000-{machine.start_utc_ms:012x}")
    files.fixed("proc/sys/kernel/osrelease", kernel)
    files.fixed("proc/version", f"Linux version {kernel}")
    files.live(COUNTERS, "proc/uptime", lambda: f"{machine.elapsed_s:.2f} 0.00")
    identity = {
        "sys_vendor": "Invented",
        "product_name": machine.values.name,
        "bios_version": "1.0",
        "bios_date": "01/01/2026",
    }
    for key, value in identity.items():
        files.fixed(f"sys/devices/virtual/dmi/id/{key}", value)
    files.link("sys/class/dmi/id", "sys/devices/virtual/dmi/id")


def build_laptop_board(files: TreeFiles, view: TreeView) -> None:
    """Add fans behind the embedded controller, a zone that follows the board, and a dead one."""
    build_fans(files, view, files.hwmon("sys/devices/platform/thinkpad_hwmon", "thinkpad"))
    if "board" in view.probes:
        build_zone(files, 1, "pch_cannonlake", lambda: view.probes["board"])
    build_zone(files, 0, "acpitz", lambda: DEAD_ZONE_MILLI_C)


def build_zone(files: TreeFiles, number: int, kind: str, value: Callable[[], int]) -> None:
    """Add a thermal zone and the hwmon that the kernel makes of it."""
    zone = f"sys/devices/virtual/thermal/thermal_zone{number}"
    files.fixed(f"{zone}/type", kind)
    files.live(GAUGES, f"{zone}/temp", value)
    files.link(f"sys/class/thermal/thermal_zone{number}", zone)
    files.temperature(files.hwmon(zone, kind), 1, value)


def build_desktop_board(files: TreeFiles, view: TreeView) -> None:
    """Add the board's own chip with its fans."""
    folder = files.hwmon("sys/devices/platform/nct6775.656", "nct6798")
    build_fans(files, view, folder)
    if "board" in view.probes:
        files.temperature(folder, 1, lambda: view.probes["board"], "SYSTIN")


def build_fans(files: TreeFiles, view: TreeView, folder: str) -> None:
    """Add the tachometers."""
    for name in sorted(name for name in view.probes if name.startswith("fan")):
        files.live(GAUGES, f"{folder}/{name}_input", speed_rpm(view, name))


def speed_rpm(view: TreeView, name: str) -> Callable[[], int]:
    """What a tachometer says [rpm]."""
    return lambda: view.probes[name] // MILLI


def build_probes(files: TreeFiles, view: TreeView) -> None:
    """Add disk and room probe."""
    if "ssd0" in view.probes:
        files.fixed(f"{DISK_DEVICE}/model", "Invented disk 1 TB")
        files.fixed(f"{DISK_DEVICE}/serial", "INVENTED0001")
        files.temperature(files.hwmon(DISK_DEVICE, "nvme"), 1, lambda: view.probes["ssd0"], "Composite")
    if "ambient" in view.probes:
        folder = files.hwmon("sys/devices/w1_bus_master1/28-0000054c2ec2", "w1_slave_temp")
        files.temperature(folder, 1, lambda: view.probes["ambient"])


def build_mains(files: TreeFiles) -> None:
    """Add a plugged-in power supply, a full battery and a profile."""
    supplies: dict[str, dict[str, object]] = {
        "AC": {"type": "Mains", "online": 1},
        "BAT0": {"type": "Battery", "status": "Full", "present": 1, "capacity": 100, "power_now": 0},
    }
    for name, values in supplies.items():
        folder = f"sys/devices/LNXSYSTM:00/power_supply/{name}"
        for key, value in values.items():
            files.fixed(f"{folder}/{key}", value)
        files.link(f"sys/class/power_supply/{name}", folder)
    files.fixed("sys/firmware/acpi/platform_profile", "balanced")
    files.fixed("sys/firmware/acpi/platform_profile_choices", "low-power balanced performance")
