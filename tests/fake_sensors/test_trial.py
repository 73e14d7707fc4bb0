"""Worlds of the blind trial: balanced, repeatable, and true to what is written beside them."""

from __future__ import annotations

import json
import pickle
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from heatdrift.fake_sensors.ageing import Fault, FaultMode
from heatdrift.fake_sensors.climate import ClimateValues
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.fake_sensors.trial import RECORD_NAME, TRUTH_NAME, folder_name, record_world
from heatdrift.fake_sensors.trial_outlook import days_to_limit, temperature_c
from heatdrift.fake_sensors.trial_truth import FELT_PCT, is_on, source_truth, true_fault
from heatdrift.fake_sensors.trial_worlds import (
    HEALTHY,
    LATEST_ONSET_SHARE,
    LEAST_BASELINE_DAYS,
    SCENARIOS,
    World,
    draw_world,
    sources_of,
)
from heatdrift.fake_sensors.workload import Segment
from heatdrift.store.database import open_reader
from heatdrift.store.reader import Reader

N_WORLDS = 4 * len(SCENARIOS)
CREEPING = ("pump-out", "dry-out", "metal drawn in", "lint")
WORLDS = [draw_world(1, number) for number in range(N_WORLDS)]


def of(scenario: str) -> World:
    return next(world for world in WORLDS if world.scenario == scenario)


def test_every_scenario_comes_as_often_on_laptops_and_desktops_with_and_without_probe() -> None:
    met = Counter(
        (world.scenario, world.values.kind, world.values.surroundings.ambient_offset_k is None)
        for world in WORLDS
    )
    assert set(met.values()) == {1}
    assert len(met) == N_WORLDS


def test_a_third_of_the_machines_has_nothing_wrong() -> None:
    assert sum(world.scenario in HEALTHY for world in WORLDS) == N_WORLDS / 3
    assert all((true_fault(world) is None) == (world.scenario in HEALTHY) for world in WORLDS)


def test_the_same_seed_gives_the_same_world_and_another_seed_another() -> None:
    assert draw_world(1, 7) == WORLDS[7]
    assert folder_name(draw_world(1, 7)) == folder_name(WORLDS[7])
    assert folder_name(draw_world(2, 7)) != folder_name(WORLDS[7])
    assert len({folder_name(world) for world in WORLDS}) == N_WORLDS


def test_a_world_survives_the_way_to_another_process() -> None:
    assert all(pickle.loads(pickle.dumps(world)) == world for world in WORLDS)


def test_faults_begin_after_the_baseline_and_in_time_to_be_seen() -> None:
    for world in WORLDS:
        for fault in world.faults:
            assert LEAST_BASELINE_DAYS <= fault.from_day <= LATEST_ONSET_SHARE * world.days


def test_the_machine_is_on_for_most_of_the_time_and_at_the_end() -> None:
    for world in WORLDS:
        days_on = sum(is_on(world, day + 0.5) for day in range(round(world.days)))
        assert days_on >= 0.7 * world.days  # at most twice two weeks of 110 days away
        assert is_on(world, 0.97 * world.days)


@pytest.mark.parametrize("scenario", ["pump-out", "dry-out", "metal drawn in", "knocked"])
def test_an_interface_fault_is_true_of_its_source_alone(scenario: str) -> None:
    world = of(scenario)
    fault = world.faults[0]
    for source in sources_of(world.values):
        truth = source_truth(world, source)
        assert truth.airflow_change_pct == 0.0
        if source == fault.source:
            assert truth.causes[0] == "interface"
            assert 0.0 < truth.interface_change_pct <= 100.0 * fault.size + 1e-9  # rounding
        else:
            assert (truth.causes, truth.interface_change_pct) == (("none",), 0.0)


def test_a_fault_of_a_shared_sink_strikes_every_source_on_it() -> None:
    for world in WORLDS:
        fault = true_fault(world)
        if fault is not None and fault.mode is FaultMode.LINT:
            struck = [source_truth(world, source).is_struck for source in sources_of(world.values)]
            assert struck.count(True) == (2 if world.values.kind == "laptop" else 1)


def test_a_small_change_may_be_called_nothing() -> None:
    world = of("knocked")
    source = world.faults[0].source
    for size, may_be_none in ((FELT_PCT / 100 - 0.001, True), (FELT_PCT / 100 + 0.001, False)):
        small = replace(world, faults=(replace(world.faults[0], size=size),))
        truth = source_truth(small, source)
        assert ("none" in truth.causes) == may_be_none
        assert (truth.felt_day is None) == may_be_none


def test_worn_fans_without_tachometer_may_be_called_airflow() -> None:
    world = replace(of("fan wear"), faults=(Fault(FaultMode.FAN_WEAR, 40.0, 0.5, 70.0, "gpu0"),))
    blind = replace(world, values=replace(world.values, n_fan_tachs=0))
    seen = replace(world, values=replace(world.values, n_fan_tachs=2))
    assert "airflow" in source_truth(blind, "gpu0").causes
    assert "airflow" not in source_truth(seen, "gpu0").causes


def test_a_declared_repaste_is_measured_from_the_entry_on() -> None:
    world = of("repaste declared")
    source = world.faults[0].source
    truth = source_truth(world, source)
    assert min(truth.interface_ratio) == pytest.approx(1.0 + world.faults[0].size)
    # The mean over the last 30 days against the first day of the era, all of them after the repaste.
    assert abs(truth.interface_change_pct) < 0.01


def test_a_world_is_recorded_once_with_its_truth_beside_it(tmp_path: Path) -> None:
    world = draw_world(3, 2, days=1.0)
    folder = tmp_path / folder_name(world)
    record_world(world, folder)
    record = folder / RECORD_NAME
    written = record.stat().st_mtime_ns
    record_world(world, folder)
    assert record.stat().st_mtime_ns == written
    truth = json.loads((folder / TRUTH_NAME).read_text())
    assert (truth["scenario"], truth["kind"]) == (world.scenario, world.values.kind)
    database = open_reader(f"sqlite:///{record}")
    try:
        reader = Reader(database)
        span = reader.span_utc_ms()
        assert span is not None
        assert (
            world.start_utc_ms <= span[0] < span[1] <= world.start_utc_ms + 86_410_000
        )  # a look at idle late
        assert [entry.name for entry in reader.sources()] == sources_of(world.values)
    finally:
        database.close()


def test_a_settled_machine_is_where_the_outlook_says_it_is() -> None:
    """Held against the machine itself, stepped for hours at constant work."""
    world = next(one for one in WORLDS if one.scenario == "pump-out" and one.values.kind == "desktop")
    source = world.faults[0].source
    calm = replace(
        world.values,
        climate=ClimateValues(mean_c=25.0, season_k=0.0, day_k=0.0, weather_k=0.0, heated_c=0.0),
        habits=replace(world.values.habits, tasks=(replace(world.values.habits.tasks[0], memory_level=0.5),)),
    )
    is_gpu = source == "gpu0"
    work = Segment(1e9, "steady", 0.0 if is_gpu else 0.6, 0.6 if is_gpu else 0.0, 0.5, 0.0, 1.0)
    machine = FakeMachine(calm, 1, segments=iter([work]))
    machine.advance(4 * 3600.0)
    truth = machine.truth()
    stack, index = next(place for place in machine.places if place[0].chips[place[1]].values.source == source)
    chip = stack.chips[index]
    new = replace(world, values=calm, faults=())
    room_c = machine.air_c - calm.surroundings.case_resistance_k_per_w * chip.power_w
    conditions = (room_c, chip.power_w * chip.meter_factor, stack.fan.share)
    # After four hours, fifty time constants of the sink, what is left is rounding.
    assert temperature_c(new, source, 0.0, conditions) == pytest.approx(
        truth.sources[source].temperature_c, abs=0.01
    )


def test_what_does_not_creep_or_shares_its_sink_has_no_day() -> None:
    for world in WORLDS:
        for source in sources_of(world.values):
            days = days_to_limit(world, source, limit_c=90.0, ambient_c=25.0, power_w=60.0)
            if world.values.kind == "laptop" or world.scenario not in CREEPING:
                assert days is None
            elif source == world.faults[0].source:
                assert days is not None
                assert days >= 0.0
