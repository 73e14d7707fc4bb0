"""Mean clock of a processor's cores that are switched on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from ...store.records import Channel, Missing
from ...store.units import CLOCK_MHZ
from .base import Reading, checked
from .kept_file import SYSTEM_FILES, FileDoor, KeptFile, line_of, listed, whole_number_of

MOST_FILES = 8  # a machine of 128 policies would else cost more than all other sensors together


def package_of(sys_root: Path, cpu: int) -> int:
    """Which processor package a CPU is on; 0 where the kernel does not say (-1 there means the same)."""
    number = whole_number_of(sys_root / f"devices/system/cpu/cpu{cpu}/topology/physical_package_id")
    return max(0, number or 0)


def find_policies(sys_root: Path, package: int) -> list[Path]:
    """The clock policies of a package, sorted by number."""
    base = sys_root / "devices/system/cpu/cpufreq"
    numbers = sorted(int(n[6:]) for n in listed(base) if n.startswith("policy") and n[6:].isdigit())
    return [base / f"policy{n}" for n in numbers if package_of(sys_root, n) == package]


class CpufreqGroup:
    """The clock of one package: the mean over at most `MOST_FILES` policies spread over it.

    A policy whose CPUs are switched off refuses to answer and does not drag the mean down.
    """

    min_period_s = 0.0

    def __init__(self, policies: Sequence[Path], package: int, door: FileDoor = SYSTEM_FILES) -> None:
        self.name = f"cpufreq package-{package}"
        driver = line_of(policies[0] / "scaling_driver")
        self.channels: tuple[Channel, ...] = (
            Channel(f"cpufreq/package-{package}", "clock_mhz", "cpufreq", "", driver),
        )
        step = max(1, -(-len(policies) // MOST_FILES))
        self._files = [KeptFile(policy / "scaling_cur_freq", door) for policy in policies[::step]]
        self._subject, self._policy = f"cpu{package}", policies[0]

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        clocks_khz: list[int] = []
        missing: Reading = Missing.VANISHED
        for file in self._files:
            clock_khz = file.number()
            if isinstance(clock_khz, Missing):
                missing = clock_khz
            elif clock_khz > 0:
                clocks_khz.append(clock_khz)
        if not clocks_khz:
            return (missing,)
        return (checked(sum(clocks_khz) // len(clocks_khz), CLOCK_MHZ),)  # 1 kHz is a thousandth of 1 MHz

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return (Missing.NOT_READ,)

    def facts(self) -> Mapping[str, str]:
        governor = line_of(self._policy / "scaling_governor")
        return {f"{self._subject}.governor": governor} if governor else {}

    def close(self) -> None:
        for file in self._files:
            file.close()
