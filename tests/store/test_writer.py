"""Batches: all or nothing, never twice, never lost."""

from __future__ import annotations

import pytest
from sqlalchemy import Table, func, select

from heatdrift.store.database import Database, open_reader
from heatdrift.store.errors import StoreError
from heatdrift.store.reader import Reader
from heatdrift.store.records import (
    Batch,
    Boot,
    Cadence,
    Channel,
    Gap,
    GapReason,
    IdentityChange,
    Missing,
    ProbeSample,
    SourceSample,
    pack_missing,
    unpack_missing,
)
from heatdrift.store.schema import probe_sample, source_sample
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

START_UTC_MS = 1_767_225_600_000  # 2026-01-01


def sample(at_utc_ms: int, temperature_milli_c: int | None = 61_000, source: str = "gpu0") -> SourceSample:
    reasons = [None if i < 4 else Missing.NOT_EXPOSED for i in range(len(SOURCE_QUANTITIES))]
    values = (temperature_milli_c, 70_125, None, 115_250, *[None] * (len(SOURCE_QUANTITIES) - 4))
    return SourceSample(at_utc_ms, source, values, 0x84, Cadence.LOAD, 5, pack_missing(reasons))


@pytest.fixture
def writer(database: Database) -> Writer:
    made = Writer(database, "11-22", "desk")
    made.register_source("gpu0", "gpu", START_UTC_MS)
    made.register_source("cpu0", "cpu", START_UTC_MS)
    made.register_channel(Channel("hwmon/board/temp1", "temperature_c", "hwmon"), "ambient", START_UTC_MS)
    made.register_channel(Channel("hwmon/board/fan1", "speed_rpm", "hwmon"), "fan1", START_UTC_MS)
    return made


def count(database: Database, table: Table) -> int:
    with database.begin() as connection:
        return connection.scalar(select(func.count()).select_from(table)) or 0


def test_what_is_read_is_what_was_written(database: Database, writer: Writer) -> None:
    gaps = (Gap(START_UTC_MS - 9000, START_UTC_MS, GapReason.SUSPEND, "", "lid"),)
    boots = (Boot("boot-1", START_UTC_MS),)
    changes = (
        IdentityChange(START_UTC_MS, "gpu0.vbios", None, "1.0"),
        IdentityChange(START_UTC_MS, "ac", "mains", "battery"),
    )
    probes = (
        ProbeSample(START_UTC_MS, "ambient", "temperature_c", 21_500, 0),
        ProbeSample(START_UTC_MS, "fan1", "speed_rpm", None, Missing.FAULT_FLAG.value),
    )
    writer.write(Batch((sample(START_UTC_MS),), probes, gaps, boots, changes))
    reader = Reader(database)
    frame = reader.source_frame("gpu0")
    row = frame.iloc[0]
    assert (row.temperature_c, row.hotspot_temperature_c, row.power_w) == (61.0, 70.125, 115.25)
    assert frame.memory_temperature_c.isna().all()
    assert (row.limit_reasons, row.cadence, row.n_looks) == (0x84, Cadence.LOAD, 5)
    assert unpack_missing(int(row.missing_reasons))[4] is Missing.NOT_EXPOSED
    assert frame.index[0].isoformat() == "2026-01-01T00:00:00+00:00"
    assert reader.source_frame("cpu0").empty
    assert reader.probe_frame("ambient").temperature_c.tolist() == [21.5]
    fan = reader.probe_frame("fan1")
    assert fan.speed_rpm.isna().all()
    assert fan.speed_rpm_missing_reason.tolist() == [Missing.FAULT_FLAG.value]
    assert (tuple(reader.gaps()), tuple(reader.boots())) == (gaps, boots)
    assert tuple(reader.identity_changes()) == changes


def test_the_same_batch_again_changes_nothing(database: Database, writer: Writer) -> None:
    batch = Batch(
        tuple(sample(START_UTC_MS + 1000 * i) for i in range(60)),
        (ProbeSample(START_UTC_MS, "ambient", "temperature_c", 21_500, 0),),
        (Gap(1, 2, GapReason.STOPPED),),
        (Boot("b", 1),),
        (IdentityChange(1, "kernel", None, "6.1"),),
    )
    for _ in range(3):
        writer.write(batch)
    assert (count(database, source_sample), count(database, probe_sample)) == (60, 1)
    reader = Reader(database)
    assert (len(reader.gaps()), len(reader.boots()), len(reader.identity_changes())) == (1, 1, 1)


def test_a_clock_set_back_onto_old_moments_loses_no_row(database: Database, writer: Writer) -> None:
    before = Batch(tuple(sample(START_UTC_MS + 1000 * i, 60_000 + i) for i in range(30)))
    after = Batch(tuple(sample(START_UTC_MS + 1000 * i, 80_000 + i) for i in range(30)))
    writer.write(before)
    for _ in range(2):  # and again: nothing doubled
        writer.write(after)
    frame = Reader(database).source_frame("gpu0")
    assert sorted(frame.temperature_c) == [(60_000 + i) / 1000 for i in range(30)] + [
        (80_000 + i) / 1000 for i in range(30)
    ]
    assert frame.index.is_unique


def test_an_unknown_source_or_probe_refuses_the_whole_batch(database: Database, writer: Writer) -> None:
    with pytest.raises(StoreError, match="gpu7 is not registered"):
        writer.write(Batch((sample(START_UTC_MS), sample(START_UTC_MS, source="gpu7"))))
    with pytest.raises(StoreError, match="attic"):
        writer.write(Batch((sample(START_UTC_MS),), (ProbeSample(1, "attic", "temperature_c", 1, 0),)))
    assert count(database, source_sample) == 0


def test_sources_of_the_past_are_known_by_kind(writer: Writer) -> None:
    writer.register_source("gpu1", "gpu", START_UTC_MS)
    names = writer.source_names("gpu")
    assert "gpu1" in names
    assert "cpu0" not in names


def test_facts_keep_the_last_change_even_after_a_clock_set_back(writer: Writer) -> None:
    writer.write(Batch(changes=(IdentityChange(5000, "ac", None, "mains"),)))
    writer.write(Batch(changes=(IdentityChange(1000, "ac", "mains", "battery"),)))
    assert writer.last_fact("ac") == "battery"
    assert writer.facts() == {"ac": "battery"}
    assert writer.last_fact("bios") is None


def test_tasks_state_and_last_sample(writer: Writer) -> None:
    assert writer.last_task_utc_ms("seal") is None
    writer.note_task("seal", 10, True)
    writer.note_task("seal", 20, False, "disk full")
    assert writer.last_task_utc_ms("seal") == 10
    assert writer.last_task_utc_ms("seal", only_ok=False) == 20
    assert writer.last_sample_utc_ms() is None
    writer.write(Batch((sample(START_UTC_MS), sample(START_UTC_MS + 5, source="cpu0"))))
    assert writer.last_sample_utc_ms() == START_UTC_MS + 5
    assert writer.last_sample_utc_ms(START_UTC_MS - 1) is None
    assert writer.last_sample_utc_ms(START_UTC_MS + 5) == START_UTC_MS + 5
    writer.put_state({}, 1)
    writer.put_state({"pid": "1", "rss": "2"}, 1)
    writer.put_state({"pid": "3"}, 2)


def test_a_sensor_that_becomes_another_probe_leaves_the_past_where_it_was(
    database: Database, writer: Writer
) -> None:
    board = Channel("hwmon/board/temp1", "temperature_c", "hwmon", driver="new driver")
    writer.write(Batch(probes=(ProbeSample(1000, "ambient", "temperature_c", 20_000, 0),)))
    writer.register_channel(board, "case", 2000)
    writer.register_channel(Channel("usb/1", "temperature_c", "hwmon"), "ambient", 2000)
    writer.write(
        Batch(
            probes=(
                ProbeSample(3000, "ambient", "temperature_c", 22_000, 0),
                ProbeSample(3000, "case", "temperature_c", 30_000, 0),
            )
        )
    )
    reader = Reader(database)
    assert reader.probe_frame("ambient").temperature_c.tolist() == [20.0, 22.0]
    assert reader.probe_frame("case").temperature_c.tolist() == [30.0]


def test_two_writers_know_their_own_machine(database: Database, writer: Writer) -> None:
    other = Writer(database, "33-44", "lap")
    other.register_source("gpu0", "gpu", START_UTC_MS)
    other.write(Batch((sample(START_UTC_MS, 50_000),)))
    writer.write(Batch((sample(START_UTC_MS, 60_000),)))
    assert Reader(database, "lap").source_frame("gpu0").temperature_c.tolist() == [50.0]
    assert Reader(database, "11-22").source_frame("gpu0").temperature_c.tolist() == [60.0]


def test_the_pen_is_laid_down_and_taken_back(database: Database, database_url: str, writer: Writer) -> None:
    writer.release()
    with pytest.raises(StoreError, match="laid down"):
        writer.write(Batch((sample(START_UTC_MS),)))
    other = Writer(database, "11-22", "desk")
    other.note_task("seal", 1, True)
    database.close()
    writer.take()
    writer.write(Batch((sample(START_UTC_MS),)))
    writer.checkpoint()
    reading = open_reader(database_url)
    assert len(Reader(reading).source_frame("gpu0")) == 1
    reading.close()
