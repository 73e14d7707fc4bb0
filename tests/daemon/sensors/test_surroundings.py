"""Supplies, facts, thermal zones, and psutil where there is no sysfs."""

from __future__ import annotations

from typing import Any

from heatdrift.daemon.sensors.portable import PortableTemperatures, PortableUtilization
from heatdrift.daemon.sensors.power_supply import PowerSupplyGroup, find_supplies
from heatdrift.daemon.sensors.profile import MachineFacts
from heatdrift.daemon.sensors.thermal_zone import ThermalZoneGroup, find_zones
from heatdrift.store.records import Missing

FakeSys = Any  # the builder of conftest.py


def test_battery_counts_tenths(fake_sys: FakeSys) -> None:
    fake_sys.intel_laptop()
    group = PowerSupplyGroup(find_supplies(fake_sys.sys))
    assert group.read(1.0) == [31_200]
    assert group.facts() == {"ac": "battery", "battery.BAT0": "discharging"}
    fake_sys.put("sys/class/power_supply/AC/online", 1)
    fake_sys.put("sys/class/power_supply/BAT0/temp", 0)
    assert group.read(2.0) == [Missing.IMPLAUSIBLE]
    assert group.facts()["ac"] == "mains"


def test_batteries_of_mice_are_not_ours(fake_sys: FakeSys) -> None:
    fake_sys.put("sys/class/power_supply/mouse/type", "Battery")
    fake_sys.put("sys/class/power_supply/mouse/scope", "Device")
    assert find_supplies(fake_sys.sys) == []


def test_facts_of_the_machine(fake_sys: FakeSys) -> None:
    fake_sys.put("sys/class/dmi/id/bios_version", "1.40")
    fake_sys.put("sys/firmware/acpi/platform_profile", "balanced")
    fake_sys.put("sys/devices/platform/thinkpad_acpi/dytc_lapmode", 1)
    fake_sys.put("proc/sys/kernel/osrelease", "6.9.1")
    fake_sys.put("proc/cpuinfo", "processor\t: 0\nmicrocode\t: 0x2b\n")
    fake_sys.put("proc/acpi/button/lid/LID/state", "state:      closed")
    facts = MachineFacts(fake_sys.sys, fake_sys.proc)
    assert facts.facts() == {
        "bios": "1.40", "platform_profile": "balanced", "lap_mode": "1", "kernel": "6.9.1",
        "microcode": "0x2b", "lid": "closed",
    }  # fmt: skip
    fake_sys.put("sys/firmware/acpi/platform_profile", "performance")
    assert facts.facts()["platform_profile"] == "performance"


def test_zones_go_by_type_not_by_number(fake_sys: FakeSys) -> None:
    for number, kind in ((3, "cpu-thermal"), (0, "gpu-thermal"), (10, "gpu-thermal")):
        fake_sys.put(f"sys/class/thermal/thermal_zone{number}/type", kind)
        fake_sys.put(f"sys/class/thermal/thermal_zone{number}/temp", 40_000 + number)
    zones = find_zones(fake_sys.sys)
    assert [key for key, _ in zones] == [
        "thermal/cpu-thermal",
        "thermal/gpu-thermal#1of2",
        "thermal/gpu-thermal#2of2",
    ]
    assert ThermalZoneGroup(zones).read(1.0) == [40_003, 40_000, 40_010]


def test_portable_temperatures_come_and_go() -> None:
    now: dict[str, list[tuple[str, float | None]]] = {"cpu": [("core", 45.5), ("", 0.0)]}
    group = PortableTemperatures(lambda: now)
    assert [channel.key for channel in group.channels] == ["psutil/cpu/core", "psutil/cpu/1"]
    assert group.read(1.0) == [45_500, Missing.IMPLAUSIBLE]
    now["cpu"] = [("core", None)]
    assert group.read(2.0) == [Missing.NOT_NUMERIC, Missing.VANISHED]


def test_portable_read_error_is_a_reason() -> None:
    is_broken = False

    def read() -> dict[str, list[tuple[str, float | None]]]:
        if is_broken:
            raise ValueError("not a number")
        return {"cpu": [("core", 45.5)]}

    group = PortableTemperatures(read)
    is_broken = True
    assert group.read(1.0) == [Missing.READ_ERROR]


def test_portable_utilisation_is_a_share() -> None:
    reading = PortableUtilization().read(1.0)[0]
    assert reading is Missing.NOT_READ or (isinstance(reading, int) and 0 <= reading <= 100_000)
