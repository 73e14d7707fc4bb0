"""The truth that fits are held against, itself held against the network stepped in time."""

from __future__ import annotations

import pytest

from heatdrift.fake_sensors.heat_path import HeatPath, PathValues, SinkValues
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.fake_sensors.split_truth import Work, interface_seconds, interface_truth_k_per_w

GPU = PathValues("gpu0", 0.1, 0.12, 8.0, 120.0)
SINK = SinkValues(700.0, 0.05, 0.12, 0.6)


@pytest.mark.parametrize("heated", [0, 1])
def test_answer_is_what_stepping_shows(heated: int) -> None:
    """Heat of 1 W, settled: the sum of the parts is the rise of the die."""
    path = HeatPath([GPU], SINK, 20.0)
    heat_w = [0.0, 0.0, 0.0]
    heat_w[heated] = 1.0
    parts = path.answer(0.5, 0, heated)
    rise_k = path.settled_c(heat_w, 0.5, 20.0)[0] - 20.0
    assert sum(resistance for _, resistance in parts) == pytest.approx(rise_k, rel=1e-9)  # rounding alone
    assert [seconds for seconds, _ in parts] == pytest.approx(path.time_constants_s(0.5))


def test_truth_is_below_the_resistance_of_the_compound() -> None:
    """The plate takes its share of heat, and follows the die a little within the first seconds."""
    machine = FakeMachine.of("desktop", 1)
    path = next(stack.path.paths[i] for stack, i in machine.places if stack.path.paths[i].source == "gpu0")
    truth = interface_truth_k_per_w(machine, "gpu0", Work(20.0), Work(200.0))
    assert 0.6 * path.interface_resistance_k_per_w < truth < path.interface_resistance_k_per_w


def test_busy_memory_takes_heat_from_the_die() -> None:
    machine = FakeMachine.of("desktop", 1)
    quiet = interface_truth_k_per_w(machine, "gpu0", Work(20.0), Work(200.0))
    busy = interface_truth_k_per_w(machine, "gpu0", Work(20.0), Work(200.0, 0.9))
    assert busy < 0.95 * quiet


def test_time_constant_is_a_fast_one() -> None:
    assert (
        0.1 < interface_seconds(FakeMachine.of("laptop", 2), "cpu0") < 3.0
    )  # the edge of the interface part
