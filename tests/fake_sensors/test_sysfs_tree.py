"""The fake machine as files: what stands in them is what the machine is."""

from __future__ import annotations

import itertools
import json
import os
from pathlib import Path

import pytest

from heatdrift.fake_sensors.blueprint import draw_machine
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.fake_sensors.sysfs_tree import SysfsTree
from heatdrift.fake_sensors.tree_files import LiveFile


def hwmon(tree: SysfsTree, name: str) -> Path:
    (found,) = [
        folder
        for folder in (tree.sys_root / "class/hwmon").iterdir()
        if (folder / "name").read_text().strip() == name
    ]
    return found


def seed_of(kind: str, *, is_amd_gpu: bool = False, is_intel: bool = True) -> int:
    for seed in range(200):
        chips = {chip.source: chip for stack in draw_machine(kind, seed).stacks for chip in stack.chips}
        is_amd = chips["gpu0"].hotspot_k_per_w is not None
        if is_amd is is_amd_gpu and chips["cpu0"].shows_throttle is is_intel:
            return seed
    raise AssertionError("no such machine")


def test_temperature_and_energy_follow_the_machine(tmp_path: Path) -> None:
    machine = FakeMachine.of("laptop", seed_of("laptop"))
    tree = SysfsTree(machine, tmp_path)
    package = hwmon(tree, "coretemp") / "temp1_input"
    energy = tree.sys_root / "class/powercap/intel-rapl:0/energy_uj"
    for _ in range(20):
        machine.advance(977.0)
        before_j = machine.stacks[0].meters[0].energy_j
        tree.write()
        truth_c = machine.truth().sources["cpu0"].temperature_c
        # Half a degree of rounding and four standard deviations of sensor noise.
        assert int(package.read_text()) / 1000 == pytest.approx(truth_c, abs=1.0)
        assert int(energy.read_text()) == int(before_j * 1e6) % 262_143_328_850
    tree.close()


def test_energy_counter_wraps_at_its_range(tmp_path: Path) -> None:
    machine = FakeMachine.of("laptop", seed_of("laptop"))
    tree = SysfsTree(machine, tmp_path)
    zone = tree.sys_root / "class/powercap/intel-rapl:0"
    range_uj = int((zone / "max_energy_range_uj").read_text())
    seen = []
    for _ in range(60):
        machine.advance(3600.0)
        tree.write_counters()
        seen.append(int((zone / "energy_uj").read_text()))
    assert max(seen) < range_uj
    assert any(after < before for before, after in itertools.pairwise(seen))
    tree.close()


def test_nvml_state_says_what_the_meter_says(tmp_path: Path) -> None:
    machine = FakeMachine.of("desktop", seed_of("desktop"))
    tree = SysfsTree(machine, tmp_path)
    machine.advance(20 * 3600.0)
    tree.write()
    (gpu,) = json.loads(tree.nvml_state.read_text())["gpus"]
    stack, index = machine.places[1]
    assert gpu["power_w"] == pytest.approx(
        stack.meters[index].mean_w, rel=0.01
    )  # five deviations of its noise
    assert gpu["energy_j"] == stack.meters[index].energy_j
    assert len(gpu["intended_speeds_pct"]) == 2
    tree.close()


def test_amd_gpu_is_seen_through_hwmon_alone(tmp_path: Path) -> None:
    machine = FakeMachine.of("desktop", seed_of("desktop", is_amd_gpu=True))
    tree = SysfsTree(machine, tmp_path)
    tree.write()
    folder = hwmon(tree, "amdgpu")
    assert [(folder / f"temp{number}_label").read_text().strip() for number in (1, 2, 3)] == [
        "edge",
        "junction",
        "mem",
    ]
    assert json.loads(tree.nvml_state.read_text())["gpus"] == []
    tree.close()


def test_amd_processor_has_no_throttle_counters(tmp_path: Path) -> None:
    tree = SysfsTree(FakeMachine.of("desktop", seed_of("desktop", is_intel=False)), tmp_path)
    tree.write()
    assert (hwmon(tree, "k10temp") / "temp1_label").read_text() == "Tctl\n"
    assert not (tree.sys_root / "devices/system/cpu/cpu0/thermal_throttle").exists()
    tree.close()


def test_sleeping_gpu_shows_in_its_power_state(tmp_path: Path) -> None:
    machine = FakeMachine.shown("laptop", seed_of("laptop"))
    tree = SysfsTree(machine, tmp_path, sleeps=True)
    status = tree.sys_root / "bus/pci/devices/0000:01:00.0/power/runtime_status"
    seen = set()
    for _ in range(40):
        machine.advance(10.0)
        tree.write()
        asleep = json.loads(tree.nvml_state.read_text())["gpus"][0]["asleep"]
        seen.add((status.read_text().strip(), asleep))
    assert seen == {("suspended", True), ("active", False)}
    tree.close()


def test_processor_time_adds_up(tmp_path: Path) -> None:
    machine = FakeMachine.shown("laptop", 1)
    tree = SysfsTree(machine, tmp_path)
    machine.advance(600.0)
    tree.write()
    fields = [int(word) for word in (tree.proc_root / "stat").read_text().splitlines()[1].split()[1:]]
    assert sum(fields) == 600 * 100  # the kernel's ticks
    assert fields[0] > 0
    tree.close()


def test_hwmon_numbers_may_differ_from_boot_to_boot(tmp_path: Path) -> None:
    machine = FakeMachine.of("laptop", seed_of("laptop"))
    devices = []
    for first in (0, 7):
        root = tmp_path / str(first)
        tree = SysfsTree(machine, root, first_hwmon=first)
        folder = hwmon(tree, "coretemp")
        devices.append((folder.name, os.path.relpath((folder / "device").resolve(), root.resolve())))
        tree.close()
    assert devices[0][0] != devices[1][0] and devices[0][1] == devices[1][1]


def test_shorter_value_leaves_no_digits_behind(tmp_path: Path) -> None:
    values = iter(["100000", "7", "42"])
    file = LiveFile(tmp_path / "value", lambda: next(values))
    for expected in (100000, 7, 42):
        file.write()
        assert int((tmp_path / "value").read_text()) == expected
    file.close()
