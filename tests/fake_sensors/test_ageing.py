"""Each hidden fault moves the truth it should, and nothing else."""

from __future__ import annotations

import math
from dataclasses import asdict

import pytest

from heatdrift.fake_sensors.ageing import STEP_MODES, Ageing, Effects, Fault, FaultMode
from heatdrift.fake_sensors.machine import FakeMachine

DAY_S = 86_400.0
MOVES = {
    FaultMode.NONE: set(),
    FaultMode.PUMP_OUT: {"interface_factor"},
    FaultMode.DRY_OUT: {"interface_factor"},
    FaultMode.DRAWN_IN: {"interface_factor"},
    FaultMode.KNOCKED: {"interface_factor"},
    FaultMode.LINT: {"airflow_factor"},
    FaultMode.AIRFLOW_STEP: {"airflow_factor"},
    FaultMode.FAN_WEAR: {"fan_factor"},
    FaultMode.POWER_SCALE: {"power_factor"},
    FaultMode.TEMPERATURE_OFFSET: {"temperature_offset_k"},
}


@pytest.mark.parametrize("mode", list(FaultMode))
def test_fault_moves_its_own_effect_alone(mode: FaultMode) -> None:
    effects = asdict(Ageing([Fault(mode, 10.0, 0.3)]).effects("gpu0", 60.0))
    healthy = asdict(Effects())
    assert {name for name in effects if effects[name] != healthy[name]} == MOVES[mode]


@pytest.mark.parametrize("mode", list(FaultMode))
def test_nothing_happens_before_its_day(mode: FaultMode) -> None:
    assert Ageing([Fault(mode, 10.0, 0.3)]).effects("gpu0", 9.99) == Effects()


@pytest.mark.parametrize("mode", [mode for mode in FaultMode if mode in STEP_MODES])
def test_steps_come_at_once(mode: FaultMode) -> None:
    assert Fault(mode, 10.0, 0.3).grown(10.0) == 1.0


def test_shapes_of_creep() -> None:
    def grown(mode: FaultMode, days: float) -> float:
        return Fault(mode, 0.0, 0.3, 100.0).grown(days)

    assert grown(FaultMode.PUMP_OUT, 50.0) == pytest.approx(0.5 * grown(FaultMode.PUMP_OUT, 100.0))
    assert grown(FaultMode.DRY_OUT, 25.0) == pytest.approx(0.5 * grown(FaultMode.DRY_OUT, 100.0))
    # Fast early, then flat: half of it within a quarter of the span, nothing more after twice the span.
    assert grown(FaultMode.DRAWN_IN, 25.0) > 0.5
    assert grown(FaultMode.DRAWN_IN, 400.0) - grown(FaultMode.DRAWN_IN, 200.0) < 0.01


def test_other_source_is_left_alone() -> None:
    ageing = Ageing([Fault(FaultMode.KNOCKED, 0.0, 0.3, source="gpu0")])
    assert ageing.effects("cpu0", 5.0) == Effects()
    assert ageing.next_onset_day(-1.0) == 0.0 and ageing.next_onset_day(0.0) == math.inf


def airflow_of(machine: FakeMachine) -> float:
    return machine.stacks[0].path.airflow_resistance_k_per_w(0.5)


@pytest.mark.parametrize("mode", list(FaultMode))
def test_machine_truth_follows(mode: FaultMode) -> None:
    """The same life with and without the fault: what differs in the machine's own make-up is what should."""
    fault = Fault(mode, 0.3, 0.3, span_days=1.0, source="gpu0")
    healthy, aged = FakeMachine.of("laptop", 7), FakeMachine.of("laptop", 7, faults=[fault])
    for machine in (healthy, aged):
        machine.advance(0.29 * DAY_S)
    assert aged.truth() == healthy.truth()
    for machine in (healthy, aged):
        machine.advance(0.3 * DAY_S)
    moved = set()
    for source in ("cpu0", "gpu0"):
        sound, worn = healthy.truth().sources[source], aged.truth().sources[source]
        for name in ("interface_resistance_k_per_w", "power_scale", "temperature_offset_k"):
            if getattr(sound, name) != getattr(worn, name):
                moved.add((source, name))
    if airflow_of(healthy) != airflow_of(aged):
        moved.add(("sink", "airflow"))
    if healthy.truth().fan_wear != aged.truth().fan_wear:
        moved.add(("sink", "fan"))
    expected = {
        "interface_factor": ("gpu0", "interface_resistance_k_per_w"),
        "power_factor": ("gpu0", "power_scale"),
        "temperature_offset_k": ("gpu0", "temperature_offset_k"),
        "airflow_factor": ("sink", "airflow"),
        "fan_factor": ("sink", "fan"),
    }
    assert moved == {expected[effect] for effect in MOVES[mode]}


def test_step_strikes_at_its_moment() -> None:
    machine = FakeMachine.of("laptop", 7, faults=[Fault(FaultMode.KNOCKED, 0.7, 0.5, source="gpu0")])
    sound = machine.truth().sources["gpu0"].interface_resistance_k_per_w
    machine.advance(0.7 * DAY_S - 61.0)
    assert machine.truth().sources["gpu0"].interface_resistance_k_per_w == sound
    machine.advance(122.0)  # room and ageing are looked after once a minute
    struck = machine.truth().sources["gpu0"].interface_resistance_k_per_w
    assert struck == pytest.approx(1.5 * sound)  # last bit
