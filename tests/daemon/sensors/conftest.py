"""Fake sysfs trees, built the way the kernel links them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


class FakeSys:
    """A folder that stands for the root of a file system; ``sys`` and ``proc`` lie in it."""

    def __init__(self, root: Path) -> None:
        self.sys, self.proc = root / "sys", root / "proc"
        self.sys.mkdir()
        self.proc.mkdir()

    def put(self, path: str, value: object) -> Path:
        """Write a file in place, as the kernel does; ``path`` starts with sys/ or proc/."""
        file = self.sys.parent / path
        file.parent.mkdir(parents=True, exist_ok=True)
        fd = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.write(fd, f"{value}\n".encode())
        os.close(fd)
        return file

    def chip(self, number: int, device: str, name: str, **files: object) -> Path:
        """Add ``hwmon<number>`` under a device, with its links; returns the real folder."""
        folder = f"sys/devices/{device}/hwmon/hwmon{number}"
        self.put(f"{folder}/name", name)
        for file, value in files.items():
            self.put(f"{folder}/{file}", value)
        real = self.sys.parent / folder
        (real / "device").symlink_to(real.parents[1])
        links = self.sys / "class/hwmon"
        links.mkdir(parents=True, exist_ok=True)
        (links / f"hwmon{number}").symlink_to(real)
        return real

    def zone(self, entry: str, name: str, energy_uj: int, range_uj: int = 262_143_328_850) -> None:
        """Add a powercap zone."""
        base = f"sys/class/powercap/{entry}"
        self.put(f"{base}/name", name)
        self.put(f"{base}/energy_uj", energy_uj)
        self.put(f"{base}/max_energy_range_uj", range_uj)

    def processor(self, n_cpus: int = 4, clock_khz: int = 2_400_000) -> None:
        """Add clocks, topology and /proc/stat."""
        for cpu in range(n_cpus):
            self.put(f"sys/devices/system/cpu/cpu{cpu}/topology/physical_package_id", 0)
            self.put(f"sys/devices/system/cpu/cpufreq/policy{cpu}/scaling_cur_freq", clock_khz)
        self.put("proc/stat", "cpu  100 0 100 800 0 0 0 0 0 0\ncpu0 1 2 3 4\nintr 12345")

    def intel_laptop(self) -> None:
        """Processor, controller with a fan, counter, battery, drive and radio."""
        self.processor()
        self.chip(0, "virtual/thermal/thermal_zone0", "acpitz", temp1_input=27800)
        self.put("sys/devices/virtual/thermal/thermal_zone0/type", "acpitz")
        self.chip(
            1, "platform/coretemp.0", "coretemp",
            temp1_input=45000, temp1_label="Package id 0", temp2_input=44000, temp2_label="Core 0",
        )  # fmt: skip
        self.chip(2, "platform/thinkpad_hwmon", "thinkpad", fan1_input=2400, temp1_input=46000)
        self.chip(
            3, "pci0000:00/0000:00:1d.0/0000:3d:00.0/nvme/nvme0", "nvme",
            temp1_input=38850, temp1_label="Composite",
        )  # fmt: skip
        self.put("sys/devices/pci0000:00/0000:00:1d.0/0000:3d:00.0/nvme/nvme0/model", "Some Disk")
        self.put("sys/devices/pci0000:00/0000:00:1d.0/0000:3d:00.0/nvme/nvme0/serial", "S1")
        self.chip(4, "virtual/thermal/thermal_zone7", "iwlwifi_1", temp1_input=41000)
        self.put("sys/devices/virtual/thermal/thermal_zone7/type", "iwlwifi_1")
        self.zone("intel-rapl:0", "package-0", 1_000_000)
        self.put("sys/class/power_supply/BAT0/type", "Battery")
        self.put("sys/class/power_supply/BAT0/status", "Discharging")
        self.put("sys/class/power_supply/BAT0/temp", 312)
        self.put("sys/class/power_supply/AC/type", "Mains")
        self.put("sys/class/power_supply/AC/online", 0)
        self.put("sys/devices/system/cpu/cpu0/thermal_throttle/package_throttle_total_time_ms", 500)

    def amd_desktop(self) -> None:
        """Processor with two scales, a graphics card with three places, twin DIMMs."""
        self.processor()
        self.chip(
            0, "pci0000:00/0000:00:18.3", "k10temp",
            temp1_input=65125, temp1_label="Tctl", temp2_input=55125, temp2_label="Tdie",
            temp3_input=54000, temp3_label="Tccd1",
        )  # fmt: skip
        card = "pci0000:00/0000:00:01.1/0000:03:00.0"
        self.chip(
            1, card, "amdgpu",
            temp1_input=50000, temp1_label="edge", temp2_input=62000, temp2_label="junction",
            temp3_input=58000, temp3_label="mem", power1_average=180_000_000, power1_cap="",
            freq1_input=2_100_000_000, freq1_label="sclk", fan1_input=1500, pwm1=102,
        )  # fmt: skip
        self.put(f"sys/devices/{card}/power/runtime_status", "active")
        self.put(f"sys/devices/{card}/power/control", "auto")
        self.put(f"sys/devices/{card}/power/autosuspend_delay_ms", 5000)
        self.put(f"sys/devices/{card}/gpu_busy_percent", 90)
        self.dimm(2, bus=0, address="0050", temperature_milli_c=38000)
        self.dimm(3, bus=0, address="0051", temperature_milli_c=39000)

    def dimm(self, number: int, bus: int, address: str, temperature_milli_c: int) -> None:
        """Add a memory module's thermometer on the SMBus."""
        adapter = f"pci0000:00/0000:00:14.0/i2c-{bus}"
        self.put(f"sys/devices/{adapter}/name", "SMBus adapter port 0")
        self.chip(number, f"{adapter}/{bus}-{address}", "jc42", temp1_input=temperature_milli_c)


@pytest.fixture
def fake_sys(tmp_path: Path) -> FakeSys:
    """An empty fake root."""
    return FakeSys(tmp_path)


@pytest.fixture
def second_sys(tmp_path: Path) -> FakeSys:
    """The same machine after a reboot."""
    root = tmp_path / "rebooted"
    root.mkdir()
    return FakeSys(root)
