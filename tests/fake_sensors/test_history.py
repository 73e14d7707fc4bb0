"""A day of a fake machine through the real cadence and the real writer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Table, select

from heatdrift.fake_sensors.blueprint import draw_machine
from heatdrift.fake_sensors.history import HistorySize, record_history
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.store.database import Database, open_writer
from heatdrift.store.records import Cadence
from heatdrift.store.schema import gap, probe_sample, source, source_sample
from heatdrift.store.writer import Writer

DAY_S = 86_400.0
UUID = "00000000-0000-4000-8000-000000000001"


def record(path: Path, machine: FakeMachine, days: float = 1.0) -> tuple[Database, HistorySize]:
    database = open_writer(f"sqlite:///{path}")
    writer = Writer(database, UUID, machine.values.name)
    return database, record_history(writer, machine, machine.start_utc_ms, days)


def rows(database: Database, table: Table) -> list[dict[str, Any]]:
    with database.begin() as connection:
        return [dict(row._mapping) for row in connection.execute(select(table).order_by(*table.primary_key))]


def times_of(found: list[dict[str, Any]], belongs: Callable[[dict[str, Any]], bool]) -> list[int]:
    return sorted({row["time_utc_ms"] for row in found if belongs(row)})


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Database, HistorySize]:
    return record(tmp_path_factory.mktemp("day") / "h.sqlite", FakeMachine.of("laptop", 2))


def test_every_row_arrives(day: tuple[Database, HistorySize]) -> None:
    database, size = day
    assert len(rows(database, source_sample)) == size.n_source_rows > 0
    assert len(rows(database, probe_sample)) == size.n_probe_rows > 0
    assert [row["name"] for row in rows(database, source)] == ["cpu0", "gpu0"]


def test_looks_become_rows_exactly_once(day: tuple[Database, HistorySize]) -> None:
    database, size = day
    found = rows(database, source_sample)
    assert sum(int(str(row["n_looks"])) for row in found) == 2 * size.n_looks  # two sources


def test_load_steps_are_kept_second_by_second(day: tuple[Database, HistorySize]) -> None:
    database, size = day
    steps = times_of(rows(database, source_sample), lambda row: row["cadence"] == Cadence.STEP)
    assert size.n_steps > 0
    close = [later - earlier for earlier, later in pairwise(steps) if later - earlier <= 1000]
    # All but the ten seconds before a step out of idle, and the edges of windows.
    assert len(close) > 0.8 * len(steps)


def test_same_seed_gives_same_rows(day: tuple[Database, HistorySize], tmp_path: Path) -> None:
    again, _ = record(tmp_path / "again.sqlite", FakeMachine.of("laptop", 2))
    assert rows(again, source_sample) == rows(day[0], source_sample)
    assert rows(again, probe_sample) == rows(day[0], probe_sample)
    again.close()


def test_night_asleep_is_a_gap_and_not_rows(tmp_path: Path) -> None:
    values = draw_machine("laptop", 2)
    values = replace(values, habits=replace(values.habits, is_off_at_night=True))
    machine = FakeMachine(values, 2)
    start_ms = machine.start_utc_ms
    database, size = record(tmp_path / "night.sqlite", machine)
    (night,) = rows(database, gap)
    from_ms, to_ms = int(str(night["from_utc_ms"])), int(str(night["to_utc_ms"]))
    assert size.n_gaps == 1
    # Asleep from one to seven; one look more before it is noticed, and a minute in which sensors settle.
    assert from_ms - start_ms == pytest.approx(1 * 3_600_000, abs=11_000)
    assert to_ms - start_ms == pytest.approx(7 * 3_600_000, abs=61_000)
    inside = times_of(
        rows(database, source_sample), lambda row: from_ms < int(str(row["time_utc_ms"])) < to_ms
    )
    assert inside == []
    database.close()


def test_past_of_the_machine_is_refused(tmp_path: Path) -> None:
    database = open_writer(f"sqlite:///{tmp_path / 'h.sqlite'}")
    machine = FakeMachine.of("laptop", 2)
    machine.advance(10.0)
    with pytest.raises(ValueError, match="past"):
        record_history(Writer(database, UUID, "fake"), machine, machine.start_utc_ms, 1.0)
    database.close()


def test_progress_is_told_after_every_day(tmp_path: Path) -> None:
    database = open_writer(f"sqlite:///{tmp_path / 'h.sqlite'}")
    machine = FakeMachine.of("desktop", 2, load_hours_a_day=0.0)
    told: list[float] = []
    writer = Writer(database, UUID, "fake")
    record_history(writer, machine, machine.start_utc_ms, 2.0, lambda done, _: told.append(done))
    # A look at idle may come ten seconds late.
    assert told == pytest.approx([1.0, 2.0], abs=11.0 / DAY_S)
    database.close()
