"""The unchanged daemon finds the fake machine's sensors, and reads from them what the machine is."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from heatdrift.daemon.discovery import Doors, Overrides, discover
from heatdrift.daemon.layout import Layout
from heatdrift.daemon.sensors.nvml import NvmlLink
from heatdrift.fake_sensors.looks import Looker
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE
from heatdrift.fake_sensors.sysfs_tree import SysfsTree
from heatdrift.store.units import SOURCE_QUANTITIES

# Between them: both makers of processors and of GPUs, shared and own sinks.
MACHINES = [("laptop", 1), ("laptop", 4), ("desktop", 1), ("desktop", 5)]


@pytest.fixture(params=MACHINES, ids=lambda machine: f"{machine[0]}-{machine[1]}")
def seen(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[FakeMachine, SysfsTree, Layout]]:
    machine = FakeMachine.shown(*request.param)
    machine.advance(30.0)
    tree = SysfsTree(machine, tmp_path)
    tree.write()
    monkeypatch.setenv(STATE_VARIABLE, str(tree.nvml_state))
    link = NvmlLink(library="heatdrift.fake_sensors.nvml_double")
    doors = Doors(tree.sys_root, tree.proc_root, link, use_portable=False)
    layout = discover(doors, Overrides(read_disks=True))
    yield machine, tree, layout
    layout.close()
    link.close()
    tree.close()


def read(machine: FakeMachine, tree: SysfsTree, layout: Layout, seconds: int) -> dict[str, dict[str, object]]:
    """Every source's readings after a while of looking once a second."""
    for _ in range(seconds):
        machine.advance(1.0)
        tree.write()
        readings = [group.read(machine.elapsed_s) for group in layout.groups]
    return {
        source.name: {
            quantity.name: readings[place.group][place.index] if place else None
            for quantity, place in zip(SOURCE_QUANTITIES, source.places, strict=True)
        }
        for source in layout.sources
    }


def test_files_and_history_show_the_same_quantities(seen: tuple[FakeMachine, SysfsTree, Layout]) -> None:
    machine, _, layout = seen
    looker = Looker(machine)
    looks = zip(looker.source_names, looker.look().sources, strict=True)
    in_history = {
        (name, quantity.name)
        for name, source in looks
        for quantity, value in zip(SOURCE_QUANTITIES, source.values, strict=True)
        if value is not None
    }
    in_files = {
        (source.name, quantity.name)
        for source in layout.sources
        for quantity, place in zip(SOURCE_QUANTITIES, source.places, strict=True)
        if place is not None
    }
    assert in_files == in_history
    assert {(probe.name, probe.quantity) for probe in layout.probes} == set(looker.probe_names) - {
        ("ambient", "temperature_c")  # which of several unnamed probes hangs in the room only the owner knows
    }


def test_readings_are_the_machine(seen: tuple[FakeMachine, SysfsTree, Layout]) -> None:
    machine, tree, layout = seen
    readings = read(machine, tree, layout, 70)
    truth = machine.truth()
    for stack, index in machine.places:
        chip, meter = stack.chips[index], stack.meters[index]
        said, source = readings[chip.values.source], truth.sources[chip.values.source]
        assert isinstance(said["temperature_c"], int) and isinstance(said["power_w"], int)
        # Half a degree of rounding and four standard deviations of sensor noise.
        assert said["temperature_c"] / 1000 == pytest.approx(source.temperature_c, abs=1.0)
        # A counter's mean over a second or the driver's: both the meter's, with its noise of 0.2 %.
        assert said["power_w"] / 1000 == pytest.approx(meter.mean_w, rel=0.02)
