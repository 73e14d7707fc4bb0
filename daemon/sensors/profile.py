"""Facts about the machine that a baseline may depend on: versions, thermal profile, lap or desk, lid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from ...store.records import Channel
from .base import Reading
from .kept_file import line_of, listed

# Fixed until the next boot: read once.
BOOT_FACTS = {
    "bios": "class/dmi/id/bios_version",
    "bios_date": "class/dmi/id/bios_date",
    "ec": "class/dmi/id/ec_firmware_release",
    "board": "class/dmi/id/board_name",
    "microcode": "devices/system/cpu/cpu0/microcode/version",
}
CHANGING_FACTS = {
    "platform_profile": "firmware/acpi/platform_profile",
    "lap_mode": "devices/platform/thinkpad_acpi/dytc_lapmode",
    "turbo_off": "devices/system/cpu/intel_pstate/no_turbo",
    "boost": "devices/system/cpu/cpufreq/boost",
}


class MachineFacts:
    """A group without channels."""

    min_period_s = 0.0
    name = "machine"
    channels: tuple[Channel, ...] = ()

    def __init__(self, sys_root: Path, proc_root: Path) -> None:
        self._sys_root, self._lids = sys_root, proc_root / "acpi/button/lid"
        boot = {name: line_of(sys_root / path) for name, path in BOOT_FACTS.items()}
        boot["kernel"] = line_of(proc_root / "sys/kernel/osrelease")
        boot["microcode"] = boot["microcode"] or _microcode(proc_root)
        self._boot = {name: value for name, value in boot.items() if value}

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        return ()

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return ()

    def facts(self) -> Mapping[str, str]:
        facts = dict(self._boot)
        for name, path in CHANGING_FACTS.items():
            if value := line_of(self._sys_root / path):
                facts[name] = value
        for lid in listed(self._lids)[:1]:
            if words := line_of(self._lids / lid / "state").split():
                facts["lid"] = words[-1]
        return facts

    def close(self) -> None:
        """Keep nothing open."""


def _microcode(proc_root: Path) -> str:
    for line in line_of(proc_root / "cpuinfo").splitlines():
        if line.startswith("microcode"):
            return line.partition(":")[2].strip()
    return ""
