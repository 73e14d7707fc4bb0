"""Who is who on machines of several kinds, and what is said to be missing."""

from __future__ import annotations

import errno
import os
from typing import Any

import pytest

from heatdrift.daemon.discovery import Doors, Overrides, discover, inventory
from heatdrift.daemon.layout import Layout
from heatdrift.daemon.sensors.kept_file import FileDoor
from heatdrift.store.errors import NoSensorsError, SettingsError
from heatdrift.store.records import Missing
from heatdrift.store.units import QUANTITY_INDEX

FakeSys = Any  # the builder of conftest.py


def found_on(fake_sys: FakeSys, overrides: Overrides | None = None, files: FileDoor | None = None) -> Layout:
    doors = Doors(fake_sys.sys, fake_sys.proc, use_portable=False, files=files or FileDoor())
    return discover(doors, overrides or Overrides())


def key_of(layout: Layout, source: str, quantity: str) -> str:
    own = next(s for s in layout.sources if s.name == source)
    place = own.places[QUANTITY_INDEX[quantity]]
    return "" if place is None else layout.channel(place).key


def probe_keys(layout: Layout) -> dict[tuple[str, str], str]:
    return {(p.name, p.quantity): layout.channel(p.place).key for p in layout.probes}


def test_intel_laptop(fake_sys: FakeSys) -> None:
    fake_sys.intel_laptop()
    layout = found_on(fake_sys)
    assert [source.name for source in layout.sources] == ["cpu0"]
    assert key_of(layout, "cpu0", "temperature_c").endswith("/Package_id_0")
    assert key_of(layout, "cpu0", "power_w") == "powercap/package-0"
    assert key_of(layout, "cpu0", "clock_mhz") == "cpufreq/package-0"
    assert key_of(layout, "cpu0", "thermal_limited_pct") == "throttle/package-0"
    assert key_of(layout, "cpu0", "utilization_pct") == "proc/stat/cpu"
    assert set(probe_keys(layout)) == {("battery", "temperature_c"), ("fan1", "speed_rpm")}


def test_amd_desktop(fake_sys: FakeSys) -> None:
    fake_sys.amd_desktop()
    layout = found_on(fake_sys)
    assert [source.name for source in layout.sources] == ["cpu0", "gpu0"]
    assert key_of(layout, "cpu0", "temperature_c").endswith("/Tdie")
    assert key_of(layout, "gpu0", "hotspot_temperature_c").endswith("/junction")
    probes = probe_keys(layout)
    assert probes["dimm0", "temperature_c"].endswith("/0050/temp/1")
    assert probes["dimm1", "temperature_c"].endswith("/0051/temp/1")


def test_power_of_an_apu_is_not_added_to_the_processor(fake_sys: FakeSys) -> None:
    fake_sys.processor()
    fake_sys.chip(0, "pci0000:00/0000:00:18.3", "k10temp", temp1_input=50000, temp1_label="Tctl")
    device = "pci0000:00/0000:04:00.0"
    fake_sys.chip(
        1,
        device,
        "amdgpu",
        temp1_input=50000,
        temp1_label="edge",
        in1_label="vddnb",
        power1_average=9_000_000,
    )
    fake_sys.put(f"sys/devices/{device}/power/runtime_status", "active")
    layout = found_on(fake_sys)
    assert [source.name for source in layout.sources] == ["cpu0"]
    assert key_of(layout, "cpu0", "power_w").startswith("hwmon/amdgpu/")
    fake_sys.zone("intel-rapl:0", "package-0", 1)
    assert key_of(found_on(fake_sys), "cpu0", "power_w") == "powercap/package-0"


def test_power_that_may_not_be_read_names_the_rule(fake_sys: FakeSys) -> None:
    fake_sys.intel_laptop()

    def refusing(path: str) -> int:
        if path.endswith("energy_uj"):
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return os.open(path, os.O_RDONLY)

    lacks = found_on(fake_sys, files=FileDoor(open=refusing)).lacks
    lack = next(lack for lack in lacks if "permission" in lack.what)
    assert "heatdrift-powercap.rules" in lack.remedy
    assert not any("permission" in lack.what for lack in found_on(fake_sys).lacks)


def test_what_is_missing_is_said_with_its_cost(fake_sys: FakeSys) -> None:
    fake_sys.chip(0, "platform/coretemp.0", "coretemp", temp1_input=45000, temp1_label="Package id 0")
    costs = {lack.what: lack.cost for lack in found_on(fake_sys).lacks}
    assert costs["no fan speed"] == "lint and a tired fan cannot be told apart"
    assert {"no power of cpu0", "no room temperature", "no graphics card with a temperature"} <= set(costs)


def test_drives_are_left_in_peace_unless_allowed(fake_sys: FakeSys) -> None:
    fake_sys.intel_laptop()
    opened: list[str] = []

    def watching(path: str) -> int:
        opened.append(path)
        return os.open(path, os.O_RDONLY)

    layout = found_on(fake_sys, files=FileDoor(open=watching))
    drive = next(f for f in inventory(layout, wait=lambda s: None) if "/nvme/" in f.channel.key)
    assert drive.value is Missing.NOT_READ
    assert not [path for path in opened if "hwmon3" in path]
    allowed = found_on(fake_sys, Overrides(read_disks=True))
    assert probe_keys(allowed)["ssd0", "temperature_c"].endswith("/Composite")
    assert (
        allowed.groups[next(p for p in allowed.probes if p.name == "ssd0").place.group].min_period_s == 60.0
    )


def test_owner_overrules_the_proposal(fake_sys: FakeSys) -> None:
    fake_sys.intel_laptop()
    core = "hwmon/coretemp/platform/coretemp.0/temp/Core_0"
    radio = "hwmon/iwlwifi/virtual/thermal/zone(iwlwifi)/temp/1"
    layout = found_on(
        fake_sys,
        Overrides(
            {"cpu0": {"temperature_c": core, "clock_mhz": ""}},
            {"ambient": radio, "battery": ""},
            ignored=("throttle/package-0",),
        ),
    )
    assert key_of(layout, "cpu0", "temperature_c") == core
    assert key_of(layout, "cpu0", "clock_mhz") == ""
    assert key_of(layout, "cpu0", "thermal_limited_pct") == ""
    assert set(probe_keys(layout)) == {("ambient", "temperature_c"), ("fan1", "speed_rpm")}
    assert not any(lack.what == "no room temperature" for lack in layout.lacks)


@pytest.mark.parametrize(
    "overrides",
    [
        Overrides({"cpu0": {"temperature_c": "hwmon/nothing"}}),
        Overrides({"cpu0": {"heat_c": "proc/stat/cpu"}}),
        Overrides({"vrm0": {"power_w": "powercap/package-0"}}),
        Overrides(probes={"ambient": "hwmon/nothing"}),
        Overrides({"cpu0": {"power_w": "cpufreq/package-0"}}),
        Overrides(probes={"ambient": "powercap/package-0"}),
        Overrides(ignored=("hwmon/nothing",)),
    ],
)
def test_wrong_overrides_are_refused(fake_sys: FakeSys, overrides: Overrides) -> None:
    fake_sys.intel_laptop()
    with pytest.raises(SettingsError):
        found_on(fake_sys, overrides)


def test_machine_without_sensors_gets_a_remedy(fake_sys: FakeSys) -> None:
    fake_sys.processor()
    with pytest.raises(NoSensorsError, match="run --fake laptop"):
        found_on(fake_sys)


def test_board_sensors(fake_sys: FakeSys) -> None:
    fake_sys.processor()
    fake_sys.chip(0, "platform/coretemp.0", "coretemp", temp1_input=45000, temp1_label="Package id 0")
    fans = {f"fan{n}_input": 900 if n in (2, 7) else 0 for n in range(1, 8)}
    fake_sys.chip(
        1, "platform/nct6775.656", "nct6798", temp1_input=31000, temp1_label="SYSTIN",
        temp2_input=52000, temp2_label="VRM MOS", **fans, pwm2=128,
    )  # fmt: skip
    fake_sys.chip(2, "platform/old.0", "vt8231", temp2_input=2150, temp2_label="System")
    layout = found_on(fake_sys)
    probes = probe_keys(layout)
    assert probes["board", "temperature_c"].endswith("/SYSTIN")
    assert key_of(layout, "vrm0", "temperature_c").endswith("/VRM_MOS")
    # Empty sockets are left out, and keep their number.
    assert {name for name, quantity in probes if quantity == "speed_rpm"} == {"fan2", "fan7"}
    assert probes["fan2", "intended_speed_pct"].endswith("/pwm/2")


def test_fast_groups_hold_only_what_sources_need(fake_sys: FakeSys) -> None:
    fake_sys.intel_laptop()
    layout = found_on(fake_sys)
    every_second = [c.key for g in layout.groups if g.min_period_s == 0.0 for c in g.channels]
    assigned = {layout.channel(p).key for s in layout.sources for p in s.places if p is not None}
    assert set(every_second) == assigned
    found = inventory(layout, wait=lambda s: None)
    assert any(f.owner == "" and f.channel.label == "Core 0" for f in found)
    assert all(f.cost_us >= 0 for f in found)
    layout.close()
