"""The whole fake machine: the same seed gives the same life, heat takes clocks, limits hold."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from heatdrift.fake_sensors.blueprint import KINDS, draw_machine
from heatdrift.fake_sensors.looks import Looker
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.fake_sensors.workload import Segment

WEEK_S = 7 * 86_400.0


def steady(cpu_level: float, gpu_level: float, after_s: float = 60.0) -> Iterator[Segment]:
    yield Segment(after_s, "idle", 0.0, 0.0, 0.0, 0.0, 1.0)
    yield Segment(WEEK_S, "full", cpu_level, gpu_level, 0.3, 0.0, 1.0)


@pytest.mark.parametrize("kind", KINDS)
def test_same_seed_gives_same_life(kind: str) -> None:
    lives = []
    for seed in (3, 3, 4):
        machine = FakeMachine.of(kind, seed)
        looker = Looker(machine)
        life = []
        for _ in range(200):
            machine.advance(431.7)
            life.append((looker.look(), machine.truth()))
        lives.append(life)
    assert lives[0] == lives[1]
    assert lives[0] != lives[2]


def test_looking_does_not_change_what_is_seen() -> None:
    watched, alone = FakeMachine.of("laptop", 5), FakeMachine.of("laptop", 5)
    looker = Looker(watched)
    for _ in range(500):
        watched.advance(60.0)
        alone.advance(60.0)
        looker.look()
    assert watched.truth() == alone.truth()


def test_time_below_a_tenth_of_a_second_is_not_lost() -> None:
    machine = FakeMachine.of("laptop", 1)
    for _ in range(1000):
        machine.advance(0.016)
    assert machine.elapsed_s == pytest.approx(16.0, abs=0.1)  # one step of the machine


def test_heat_takes_the_clock_down_and_shows_it() -> None:
    values = draw_machine("laptop", 1)
    sink = values.stacks[0].sink
    blocked = replace(sink, flow_resistance_k_per_w=2.5 * sink.flow_resistance_k_per_w)
    values = replace(values, stacks=(replace(values.stacks[0], sink=blocked),))
    machine = FakeMachine(values, 1, segments=steady(0.6, 1.0))
    looker = Looker(machine)
    machine.advance(1800.0)
    gpu, place = machine.truth().sources["gpu0"], looker.source_names.index("gpu0")
    chip = machine.stacks[0].chips[1]
    looker.look()
    machine.advance(10.0)
    look = looker.look().sources[place]
    assert chip.heat_share < 1.0 and chip.clock_mhz < chip.values.full_clock_mhz
    # The controller settles within a kelvin below its point and a few above on its way.
    assert gpu.temperature_c == pytest.approx(chip.values.throttle_c, abs=3.0)
    assert look.limit_reasons is not None and look.limit_reasons & 0x20
    assert look.values[8] == 100_000  # limited by heat all the time since the look before


def test_power_limit_holds_on_the_meter_not_in_truth() -> None:
    values = draw_machine("desktop", 2)
    machine = FakeMachine(values, 2, segments=steady(0.3, 1.5))
    machine.advance(600.0)
    gpu = next(stack for stack in machine.stacks if stack.chips[0].is_gpu)
    chip, meter = gpu.chips[0], gpu.meters[0]
    assert chip.is_power_limited
    # Equal but for the last bits of a power and its root.
    assert meter.mean_w == pytest.approx(chip.values.limit_w, rel=1e-9)
    assert chip.power_w == pytest.approx(chip.values.limit_w / chip.meter_factor, rel=1e-9)


def test_power_reading_is_the_mean_of_the_last_second() -> None:
    machine = FakeMachine(draw_machine("desktop", 2), 2, segments=steady(0.0, 0.5, after_s=60.4))
    gpu = next(stack for stack in machine.stacks if stack.chips[0].is_gpu)
    machine.advance(60.0)
    before_w = gpu.meters[0].mean_w
    machine.advance(1.0)
    first_w = gpu.meters[0].mean_w
    machine.advance(1.0)
    after_w = gpu.meters[0].mean_w
    # 0.6 of the second lies after the step; the warming die adds leakage, below a hundredth of the step.
    assert (first_w - before_w) / (after_w - before_w) == pytest.approx(0.6, abs=0.01)


def test_machines_differ_widely() -> None:
    constants = []
    for seed in range(40):
        stack = draw_machine("laptop", seed).stacks[0]
        path = stack.paths[1]
        constants.append(path.interface_resistance_k_per_w * path.die_capacity_j_per_k)
    assert max(constants) > 3 * min(constants)


def test_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="tablet"):
        draw_machine("tablet", 1)
