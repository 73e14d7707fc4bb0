"""Keys, units and errors of hwmon chips."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from heatdrift.daemon.sensors.hwmon import HwmonChip, find_chips
from heatdrift.daemon.sensors.hwmon_group import HwmonGroup
from heatdrift.daemon.sensors.kept_file import FileDoor
from heatdrift.store.records import Missing

FakeSys = Any  # the builder of conftest.py


def chip_named(root: Path, name: str) -> HwmonChip:
    return next(chip for chip in find_chips(root) if chip.name == name)


def readings(group: HwmonGroup, at_s: float = 1.0) -> dict[str, object]:
    return {c.key.rpartition("/")[2]: r for c, r in zip(group.channels, group.read(at_s), strict=True)}


def test_units_become_thousandths(fake_sys: FakeSys) -> None:
    fake_sys.chip(
        0, "platform/board.1", "nct6798", temp1_input=25125, fan1_input=1200, pwm1=51, power1_input=65_000_000
    )
    chip = find_chips(fake_sys.sys)[0]
    group = HwmonGroup(fake_sys.sys, chip, chip.inputs)
    by_quantity = {c.quantity: r for c, r in zip(group.channels, group.read(1.0), strict=True)}
    assert by_quantity == {
        "temperature_c": 25_125,
        "speed_rpm": 1_200_000,
        "intended_speed_pct": 20_000,
        "power_w": 65_000,
    }


def test_keys_survive_renumbering(fake_sys: FakeSys, second_sys: FakeSys) -> None:
    fake_sys.intel_laptop()
    before = {chip.key for chip in find_chips(fake_sys.sys)}
    second_sys.chip(7, "platform/coretemp.0", "coretemp", temp1_input=45000, temp1_label="Package id 0")
    second_sys.chip(0, "virtual/thermal/thermal_zone3", "iwlwifi_2", temp1_input=41000)
    second_sys.put("sys/devices/virtual/thermal/thermal_zone3/type", "iwlwifi_2")
    drive = "pci0000:00/0000:00:1d.0/0000:3d:00.0/nvme/nvme1"
    second_sys.chip(1, drive, "nvme", temp1_input=38850, temp1_label="Composite")
    second_sys.put(f"sys/devices/{drive}/model", "Some Disk")
    second_sys.put(f"sys/devices/{drive}/serial", "S1")
    assert {chip.key for chip in find_chips(second_sys.sys)} <= before


def test_bus_numbers_are_no_part_of_a_key(fake_sys: FakeSys, second_sys: FakeSys) -> None:
    fake_sys.dimm(2, bus=0, address="0050", temperature_milli_c=38000)
    second_sys.dimm(5, bus=4, address="0050", temperature_milli_c=38000)
    assert find_chips(fake_sys.sys)[0].key == find_chips(second_sys.sys)[0].key


def test_twins_are_told_apart(fake_sys: FakeSys) -> None:
    fake_sys.dimm(2, bus=0, address="0050", temperature_milli_c=38000)
    fake_sys.dimm(3, bus=0, address="0051", temperature_milli_c=39000)
    for number, address in ((4, "0000:3d:00.0"), (5, "0000:3e:00.0")):
        fake_sys.chip(number, f"pci0000:00/{address}/nvme/nvme{number}", "nvme", temp1_input=40000)
    keys = [chip.key for chip in find_chips(fake_sys.sys)]
    assert len(set(keys)) == 4
    assert not any("#" in key for key in keys)


@pytest.mark.parametrize(
    ("file", "value", "expected"),
    [
        ("temp1_input", 0, Missing.IMPLAUSIBLE),
        ("temp1_input", 255_000, Missing.IMPLAUSIBLE),
        ("temp1_input", -273_150, Missing.IMPLAUSIBLE),
        ("temp1_input", "", Missing.NOT_NUMERIC),
        ("temp1_input", "N/A", Missing.NOT_NUMERIC),
        ("fan1_input", 65_535, Missing.IMPLAUSIBLE),
        ("power1_input", 4_000_000_000, Missing.IMPLAUSIBLE),
    ],
)
def test_absurd_values_are_reasons(fake_sys: FakeSys, file: str, value: object, expected: Missing) -> None:
    fake_sys.chip(0, "platform/x.0", "x", **{file: value})
    chip = find_chips(fake_sys.sys)[0]
    assert HwmonGroup(fake_sys.sys, chip, chip.inputs).read(1.0) == [expected]


def test_driver_flags_are_believed(fake_sys: FakeSys) -> None:
    fake_sys.chip(
        0, "platform/x.0", "x", temp1_input=40000, temp1_fault=1,
        temp2_input=41000, temp2_enable=0, temp2_fault=0, temp3_input=42000,
    )  # fmt: skip
    chip = find_chips(fake_sys.sys)[0]
    found = readings(HwmonGroup(fake_sys.sys, chip, chip.inputs))
    assert found == {"1": Missing.FAULT_FLAG, "2": Missing.NOT_EXPOSED, "3": 42_000}


def test_alarms_and_limits_are_never_opened(fake_sys: FakeSys) -> None:
    fake_sys.chip(0, "platform/x.0", "x", temp1_input=40000, temp1_alarm=1, temp1_max=90000, temp1_crit=99000)
    opened: list[str] = []

    def watching(path: str) -> int:
        opened.append(Path(path).name)
        return os.open(path, os.O_RDONLY)

    chip = find_chips(fake_sys.sys)[0]
    HwmonGroup(fake_sys.sys, chip, chip.inputs, door=FileDoor(open=watching)).read(1.0)
    assert opened == ["temp1_input"]


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        (errno.ENODATA, Missing.READ_ERROR),
        (errno.EIO, Missing.READ_ERROR),
        (errno.EAGAIN, Missing.READ_ERROR),
        (errno.ENXIO, Missing.READ_ERROR),
        (errno.ENODEV, Missing.VANISHED),
        (errno.EACCES, Missing.PERMISSION),
        (errno.ETIMEDOUT, Missing.TIMEOUT),
    ],
)
def test_one_failing_file_costs_only_itself(fake_sys: FakeSys, code: int, expected: Missing) -> None:
    fake_sys.chip(0, "platform/x.0", "x", temp1_input=40000, temp2_input=41000)
    broken: set[int] = set()

    def opening(path: str) -> int:
        fd = os.open(path, os.O_RDONLY)
        # A number that was given back comes again for the next file.
        (broken.add if path.endswith("temp1_input") else broken.discard)(fd)
        return fd

    def reading(fd: int, n_bytes: int, offset: int) -> bytes:
        if fd in broken:
            raise OSError(code, os.strerror(code))
        return os.pread(fd, n_bytes, offset)

    chip = find_chips(fake_sys.sys)[0]
    group = HwmonGroup(fake_sys.sys, chip, chip.inputs, door=FileDoor(open=opening, pread=reading))
    assert readings(group) == {"1": expected, "2": 41_000}
    broken.clear()
    group.close()


def test_chip_is_followed_to_its_new_number(fake_sys: FakeSys) -> None:
    old = fake_sys.chip(2, "platform/coretemp.0", "coretemp", temp1_input=45000)
    chip = find_chips(fake_sys.sys)[0]
    group = HwmonGroup(fake_sys.sys, chip, chip.inputs)
    assert group.read(1.0) == [45_000]
    group.close()  # an unbound driver answers ENODEV on the old descriptor; a plain file would go on
    shutil.rmtree(old)
    (fake_sys.sys / "class/hwmon/hwmon2").unlink()
    assert group.read(2.0) == [Missing.VANISHED]
    fake_sys.chip(9, "platform/coretemp.0", "coretemp", temp1_input=47000)
    assert group.read(3.0) == [Missing.VANISHED]  # looked for a second ago: not again yet
    assert group.read(60.0) == [47_000]


def test_file_of_a_reloaded_driver_is_opened_again(fake_sys: FakeSys) -> None:
    fake_sys.chip(0, "platform/x.0", "x", temp1_input=40000)
    opened: list[int] = []

    def opening(path: str) -> int:
        opened.append(os.open(path, os.O_RDONLY))
        return opened[-1]

    n_reads = 0

    def reading(fd: int, n_bytes: int, offset: int) -> bytes:
        nonlocal n_reads
        n_reads += 1
        if n_reads == 2:
            raise OSError(errno.ENODEV, "No such device")  # what a descriptor of an unbound driver says
        return os.pread(fd, n_bytes, offset)

    chip = find_chips(fake_sys.sys)[0]
    group = HwmonGroup(fake_sys.sys, chip, chip.inputs, door=FileDoor(open=opening, pread=reading))
    assert [group.read(float(second)) for second in range(4)] == [[40_000]] * 4
    assert len(opened) == 2  # kept from look to look, opened again once
    group.close()


def test_slow_drivers_are_read_once_a_minute(fake_sys: FakeSys) -> None:
    fake_sys.intel_laptop()
    for name, period_s in (("nvme", 60.0), ("thinkpad", 60.0), ("coretemp", 0.0)):
        chip = chip_named(fake_sys.sys, name)
        assert HwmonGroup(fake_sys.sys, chip, chip.inputs).min_period_s == period_s


def test_energy_of_the_time_without_a_reading_is_no_power(fake_sys: FakeSys) -> None:
    folder = fake_sys.chip(0, "pci0000:00/0000:03:00.0", "xe", energy1_input=1_000_000)
    chip = find_chips(fake_sys.sys)[0]
    group = HwmonGroup(fake_sys.sys, chip, chip.inputs)
    path = f"{folder.relative_to(fake_sys.sys.parent)}/energy1_input"
    assert group.read(1.0) == [Missing.FIRST_LOOK]
    for text, at_s, expected in (
        ("N/A", 2.0, Missing.NOT_NUMERIC),
        (501_000_000, 12.0, Missing.FIRST_LOOK),
        (581_000_000, 13.0, 80_000),
    ):
        fake_sys.put(path, text)
        assert group.read(at_s) == [expected]
    group.close()
