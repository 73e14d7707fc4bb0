"""A sleeping card is never touched, a resting one is left alone."""

from __future__ import annotations

import errno
import os
from typing import Any

import pytest

from heatdrift.daemon.sensors.graphics import GraphicsGroup, graphics_inputs, is_shared_with_processor
from heatdrift.daemon.sensors.hwmon import HwmonChip, find_chips
from heatdrift.daemon.sensors.kept_file import FileDoor
from heatdrift.store.records import Missing

FakeSys = Any  # the builder of conftest.py
CARD = "sys/devices/pci0000:00/0000:00:01.1/0000:03:00.0"


def card_of(fake_sys: FakeSys) -> HwmonChip:
    fake_sys.amd_desktop()
    return next(chip for chip in find_chips(fake_sys.sys) if chip.name == "amdgpu")


def by_quantity(group: GraphicsGroup, at_s: float) -> dict[str, object]:
    return {c.quantity: r for c, r in zip(group.channels, group.read(at_s), strict=True)}


def test_places_go_by_label(fake_sys: FakeSys) -> None:
    chip = card_of(fake_sys)
    found = by_quantity(GraphicsGroup(fake_sys.sys, chip, graphics_inputs(chip)), 1.0)
    assert found["temperature_c"] == 50_000
    assert found["hotspot_temperature_c"] == 62_000
    assert found["memory_temperature_c"] == 58_000
    assert found["power_w"] == 180_000
    assert found["clock_mhz"] == 2_100_000
    assert found["utilization_pct"] == 90_000
    assert found["enforced_limit_w"] is Missing.NOT_NUMERIC  # some cards answer with an empty line


@pytest.mark.parametrize("status", ["suspended", "suspending", "resuming", "error", "", None])
def test_card_that_may_sleep_is_not_opened(fake_sys: FakeSys, status: str | None) -> None:
    chip = card_of(fake_sys)
    if status is None:
        (fake_sys.sys.parent / CARD / "power/runtime_status").unlink()
    else:
        fake_sys.put(f"{CARD}/power/runtime_status", status)
    opened: list[str] = []

    def watching(path: str) -> int:
        opened.append(path)
        return os.open(path, os.O_RDONLY)

    group = GraphicsGroup(fake_sys.sys, chip, graphics_inputs(chip), FileDoor(open=watching))
    assert set(group.read(1.0)) == {Missing.ASLEEP}
    assert set(group.peek(2.0)) == {Missing.ASLEEP}
    assert group.facts() == {}
    assert {path.rpartition("/")[2] for path in opened} == {"runtime_status"}


def test_refusal_of_a_card_means_asleep(fake_sys: FakeSys) -> None:
    chip = card_of(fake_sys)

    def refusing(path: str) -> int:
        if path.endswith("_input"):
            raise PermissionError(errno.EPERM, "Operation not permitted", path)
        return os.open(path, os.O_RDONLY)

    group = GraphicsGroup(fake_sys.sys, chip, graphics_inputs(chip), FileDoor(open=refusing))
    assert set(group.read(1.0)) == {Missing.ASLEEP}


def test_idle_card_may_fall_asleep(fake_sys: FakeSys) -> None:
    chip = card_of(fake_sys)
    group = GraphicsGroup(fake_sys.sys, chip, graphics_inputs(chip))
    assert by_quantity(group, 1.0)["power_w"] == 180_000
    assert by_quantity(group, 2.0)["power_w"] == 180_000  # busy: somebody else keeps it awake
    fake_sys.put(f"{CARD}/gpu_busy_percent", 0)
    group.read(3.0)
    assert set(group.read(4.0)) == {Missing.NOT_READ}
    assert set(group.peek(12.9)) == {Missing.NOT_READ}
    assert by_quantity(group, 13.0)["power_w"] == 180_000  # twice the delay of 5 s has passed


def test_card_with_a_display_is_read_every_second(fake_sys: FakeSys) -> None:
    chip = card_of(fake_sys)
    fake_sys.put(f"{CARD}/gpu_busy_percent", 0)
    fake_sys.put(f"{CARD}/drm/card1/card1-DP-1/enabled", "enabled")
    group = GraphicsGroup(fake_sys.sys, chip, graphics_inputs(chip))
    group.read(1.0)
    assert by_quantity(group, 2.0)["temperature_c"] == 50_000


def test_energy_counter_starts_anew_after_sleep(fake_sys: FakeSys) -> None:
    device = "pci0000:00/0000:00:02.0"
    fake_sys.chip(0, device, "xe", temp2_input=50000, temp2_label="pkg", energy1_input=1_000_000)
    fake_sys.put(f"sys/devices/{device}/power/runtime_status", "active")
    chip = find_chips(fake_sys.sys)[0]
    group = GraphicsGroup(fake_sys.sys, chip, graphics_inputs(chip))
    assert by_quantity(group, 1.0)["power_w"] is Missing.FIRST_LOOK
    fake_sys.put(f"sys/devices/{device}/hwmon/hwmon0/energy1_input", 41_000_000)
    assert by_quantity(group, 2.0)["power_w"] == 40_000
    fake_sys.put(f"sys/devices/{device}/power/runtime_status", "suspended")
    group.read(3.0)
    fake_sys.put(f"sys/devices/{device}/power/runtime_status", "active")
    assert by_quantity(group, 4.0)["power_w"] is Missing.FIRST_LOOK


def test_graphics_inside_a_processor_is_recognised(fake_sys: FakeSys) -> None:
    fake_sys.chip(
        0, "pci0000:00/0000:04:00.0", "amdgpu", temp1_input=50000, temp1_label="edge", in1_label="vddnb"
    )
    fake_sys.chip(1, "pci0000:00/0000:05:00.0", "amdgpu", temp1_input=50000, temp1_label="edge")
    assert [is_shared_with_processor(chip) for chip in find_chips(fake_sys.sys)] == [True, False]
