"""The machine of the demonstration: its truth, its journal, and a record that holds no more than both."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from heatdrift.fake_sensors.ageing import Ageing
from heatdrift.fake_sensors.demo_history import record_demo
from heatdrift.fake_sensors.demo_machine import (
    CREEP_PCT_PER_DAY,
    DAY_MS,
    METAL_CHANGE,
    SHUNT_FACTOR_TRUE,
    SOURCE,
    Scenario,
    scenario,
)
from heatdrift.reports.power_scale import power_scale
from heatdrift.store.database import open_reader
from heatdrift.store.journal import Journal
from heatdrift.store.journal_entry import EntryKind, check_entry
from heatdrift.store.reader import Reader

SHORT = scenario(last_day=date(2026, 3, 8), worked_on=date(2026, 3, 5), fault_from=date(2026, 3, 7))


def day_of_work(life: Scenario) -> float:
    return (life.entries[0].at_utc_ms - life.start_utc_ms) / DAY_MS


def test_the_truth_changes_with_the_work_and_then_creeps() -> None:
    life = scenario()
    ageing, creep = Ageing(life.faults), life.faults[-1]
    before, after = (
        ageing.effects(SOURCE, day).interface_factor for day in (day_of_work(life) - 0.1, creep.from_day)
    )
    assert before == 1.0
    assert after == pytest.approx(1.0 + METAL_CHANGE)
    assert life.creep_pct() == pytest.approx(CREEP_PCT_PER_DAY * (life.days - creep.from_day))
    assert ageing.effects("cpu0", life.days).interface_factor == pytest.approx(1.0 + METAL_CHANGE)


def test_the_journal_could_be_believed_and_knows_nothing_of_the_fault() -> None:
    life = scenario()
    for entry in life.entries:
        check_entry(entry, life.end_utc_ms)
        assert entry.cost_milli
        assert entry.at_utc_ms < life.start_utc_ms + life.faults[-1].from_day * DAY_MS
    assert {entry.kind for entry in life.entries} == {
        EntryKind.PLATING,
        EntryKind.LIQUID_METAL,
        EntryKind.SHUNT,
    }


def test_the_shunt_is_off_by_no_more_than_its_owner_grants() -> None:
    shunt = next(entry for entry in scenario().entries if entry.kind is EntryKind.SHUNT)
    scale = power_scale(shunt)
    assert scale is not None
    assert scale.factor != SHUNT_FACTOR_TRUE  # else the judgement would have it easier than with a real one
    granted = shunt.numbers["power_factor_ci95_pct"] / 100.0
    assert abs(scale.factor / SHUNT_FACTOR_TRUE - 1.0) < granted


def test_the_work_is_done_while_the_machine_is_off() -> None:
    life = scenario()
    hours = [(entry.at_utc_ms - life.start_utc_ms) / DAY_MS for entry in life.entries]
    off = [(begin, begin + days) for begin, days in life.values.habits.absences]
    assert any(begin < min(hours) and max(hours) < end for begin, end in off)


def test_a_shorter_life_is_the_beginning_of_the_longer_one() -> None:
    long, short = scenario().values.habits.absences, SHORT.values.habits.absences
    assert short[:-1] == long[: len(short) - 1]


def test_four_or_five_evenings_a_week() -> None:
    life = scenario()
    evenings = len(life.values.habits.absences) - 1
    weeks = life.days / 7
    assert 4.0 <= evenings / weeks <= 5.0


def test_the_same_life_each_time() -> None:
    assert scenario() == scenario()


def test_a_record_holds_evenings_and_the_journal(tmp_path: Path) -> None:
    told: list[float] = []
    path = tmp_path / "record.sqlite"
    size = record_demo(SHORT, path, lambda done, of: told.append(of - done))
    assert [path] == list(tmp_path.iterdir())  # whole, with nothing left beside it
    database = open_reader(str(path))
    try:
        reader = Reader(database)
        span = reader.span_utc_ms()
        entries = Journal(database, reader.machine_id).entries()
        frame = reader.source_frame(SOURCE)
    finally:
        database.close()
    assert tuple(replace(entry, entry_id=None) for entry in entries) == SHORT.entries
    assert span is not None
    assert SHORT.start_utc_ms < span[0]
    assert span[1] <= SHORT.end_utc_ms
    assert set(pd.DatetimeIndex(frame.index).hour) <= {
        18,
        19,
        20,
        21,
    }  # switched on about seven, for less than two hours
    assert size.n_steps > 0
    assert told
    assert all(math.isfinite(left) for left in told)
