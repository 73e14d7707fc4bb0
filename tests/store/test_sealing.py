"""Sealing: the same rows before and after, and never a row less when something breaks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select, update

from heatdrift.store import series
from heatdrift.store.database import Database
from heatdrift.store.errors import DamagedDataError, DatabaseBusyError
from heatdrift.store.keeping import check_integrity
from heatdrift.store.packing import (
    DAY_MS,
    PROBE_SCHEMA,
    SOURCE_SCHEMA,
    TIME,
    checksum,
    completed,
    day_of,
    midnight_utc_ms,
    narrow,
    pack,
    unpack,
    widen,
)
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Channel, ProbeSample, SourceSample
from heatdrift.store.schema import probe_sample, sealed_day, source_sample
from heatdrift.store.sealing import SealResult, merge_sealed_weeks, seal_finished_days
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

MONDAY_UTC_MS = 1_767_571_200_000  # 5 January 2026
INT32 = st.integers(-(2**31), 2**31 - 1)


def recorded(database: Database, days: float, seed: int = 1, machine: str = "u") -> Writer:
    """A machine with one look every ten minutes."""
    rng = np.random.default_rng(seed)
    writer = Writer(database, machine, machine)
    writer.register_source("gpu0", "gpu", 0)
    writer.register_source("cpu0", "cpu", 0)
    writer.register_channel(Channel("t1", "temperature_c", "hwmon"), "ambient", 0)
    writer.register_channel(Channel("f1", "speed_rpm", "hwmon"), "fan1", 0)
    sources: list[SourceSample] = []
    probes: list[ProbeSample] = []
    for at in range(MONDAY_UTC_MS, MONDAY_UTC_MS + round(days * DAY_MS), 600_000):
        row = [int(value) for value in rng.integers(20_000, 90_000, 4)]
        values = (row[0], None, None, row[1], *[None] * (len(SOURCE_QUANTITIES) - 4))
        had_fan = row[3] > 40_000
        sources += [
            SourceSample(at, "gpu0", values, int(rng.integers(0, 512)), 1, 5, 0x1000),
            SourceSample(at + 7, "cpu0", values[::-1], None, 0, 60, 2**43),
        ]
        probes += [
            ProbeSample(at, "ambient", "temperature_c", row[2] - 40_000, 0),
            ProbeSample(at, "fan1", "speed_rpm", row[3] if had_fan else None, 0 if had_fan else 9),
        ]
    writer.write(Batch(tuple(sources), tuple(probes)))
    return writer


def everything(database: Database, machine: str = "u") -> list[pd.DataFrame]:
    reader = Reader(database, machine)
    frames = [reader.source_frame(source.name) for source in reader.sources()]
    return frames + [reader.probe_frame(name) for name in ("ambient", "fan1")]


def assert_same(database: Database, before: list[pd.DataFrame], machine: str = "u") -> None:
    for one, other in zip(before, everything(database, machine), strict=True):
        pd.testing.assert_frame_equal(one, other, check_exact=True)


def count(database: Database, table: Any) -> int:
    with database.begin() as connection:
        return connection.scalar(select(func.count()).select_from(table)) or 0


def test_sealing_and_merging_change_nothing_that_is_read(database: Database) -> None:
    recorded(database, 17.5)
    before = everything(database)
    now = MONDAY_UTC_MS + round(17.5 * DAY_MS)
    sealed = seal_finished_days(database, now, hot_days=2)
    assert (sealed.n_tables, sealed.n_rows) == (3 * 15, 15 * 144 * 4)
    assert count(database, source_sample) == 2 * 144 * 2.5  # the last two finished days and today
    assert_same(database, before)
    merged = merge_sealed_weeks(database, now, hot_days=2)
    assert (merged.n_tables, merged.n_rows) == (3 * 2, 14 * 144 * 4)
    assert count(database, sealed_day) == 3 * 3  # two weeks and one day of the third
    assert_same(database, before)
    assert seal_finished_days(database, now, 2) == merge_sealed_weeks(database, now, 2) == SealResult()
    check_integrity(database)


def test_a_stretch_cut_out_of_sealed_and_hot_rows(database: Database) -> None:
    recorded(database, 9)
    whole = Reader(database).source_frame("gpu0")
    seal_finished_days(database, MONDAY_UTC_MS + 9 * DAY_MS, hot_days=1)
    merge_sealed_weeks(database, MONDAY_UTC_MS + 9 * DAY_MS, hot_days=1)
    moments = pd.DatetimeIndex(whole.index).asi8
    for start, end in ((0.5, 0.75), (0, 7), (6.999, 7.001), (3, 8.5), (8, 9), (20, 21), (5, 5)):
        first, after = (MONDAY_UTC_MS + round(day * DAY_MS) for day in (start, end))
        part = Reader(database).source_frame("gpu0", first, after)
        pd.testing.assert_frame_equal(part, whole[(moments >= first) & (moments < after)], check_freq=False)


def test_rows_fetched_in_pieces_are_the_same(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    recorded(database, 2)
    whole = everything(database)
    monkeypatch.setattr(series, "ROWS_AT_ONCE", 50)  # 288 rows: the last piece is not full
    assert_same(database, whole)
    seal_finished_days(database, MONDAY_UTC_MS + 9 * DAY_MS, hot_days=1)
    assert_same(database, whole)


def test_rows_that_come_late_for_a_sealed_day_are_kept(database: Database) -> None:
    recorded(database, 3)
    seal_finished_days(database, MONDAY_UTC_MS + 9 * DAY_MS, hot_days=1)
    recorded(database, 0.5, seed=2)  # the clock was wrong by days for a while, on the very same moments
    before = everything(database)
    assert [len(frame) for frame in before] == [3 * 144 + 72] * 4
    assert all(frame.index.is_monotonic_increasing and frame.index.is_unique for frame in before)
    seal_finished_days(database, MONDAY_UTC_MS + 9 * DAY_MS, hot_days=1)
    assert_same(database, before)
    merge_sealed_weeks(database, MONDAY_UTC_MS + 9 * DAY_MS, hot_days=1)
    assert count(database, sealed_day) == 3
    assert_same(database, before)


def test_each_machine_is_sealed_for_itself(database: Database) -> None:
    recorded(database, 2, seed=1, machine="a")
    recorded(database, 3, seed=2, machine="b")
    before = {name: everything(database, name) for name in "ab"}
    seal_finished_days(database, MONDAY_UTC_MS + 9 * DAY_MS, hot_days=0)
    assert count(database, source_sample) == count(database, probe_sample) == 0
    for name in "ab":
        assert_same(database, before[name], name)


@pytest.mark.parametrize("work", [seal_finished_days, merge_sealed_weeks])
def test_what_does_not_survive_packing_is_not_deleted(
    database: Database, work: Callable[..., SealResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(database, 8)
    now = MONDAY_UTC_MS + 12 * DAY_MS
    if work is merge_sealed_weeks:
        seal_finished_days(database, now, 1)
    before = everything(database)
    n_packed = count(database, sealed_day)

    def forgetful(table: pa.Table, *rest: Any) -> bytes:
        return pack(table.slice(1), *rest)

    monkeypatch.setattr("heatdrift.store.sealing.pack", forgetful)
    with pytest.raises(DamagedDataError, match="did not survive packing"):
        work(database, now, 1)
    assert count(database, sealed_day) == n_packed
    assert_same(database, before)


def test_a_flipped_bit_is_found_and_named_and_nothing_is_deleted(database: Database) -> None:
    recorded(database, 2)
    seal_finished_days(database, MONDAY_UTC_MS + 9 * DAY_MS, 1)
    with database.begin() as connection:
        piece = connection.execute(select(sealed_day).where(sealed_day.c.series == "gpu0").limit(1)).one()
        middle = len(piece.packed) // 2
        flipped = piece.packed[:middle] + bytes([piece.packed[middle] ^ 4]) + piece.packed[middle + 1 :]
        connection.execute(update(sealed_day).where(sealed_day.c.id == piece.id).values(packed=flipped))
    n_packed = count(database, sealed_day)
    for use in (
        lambda: Reader(database).source_frame("gpu0"),
        lambda: merge_sealed_weeks(database, MONDAY_UTC_MS + 30 * DAY_MS, 1),
        lambda: check_integrity(database),
    ):
        with pytest.raises(DamagedDataError, match=f"gpu0, {piece.first_day}"):
            use()
    assert len(Reader(database).source_frame("cpu0")) == 2 * 144
    assert count(database, sealed_day) == n_packed


def test_a_table_packed_by_a_later_heatdrift_is_kept(database: Database) -> None:
    recorded(database, 1)
    seal_finished_days(database, MONDAY_UTC_MS + 9 * DAY_MS, 1)
    with database.begin() as connection:
        connection.execute(update(sealed_day).values(codec="parquet-2"))
    with pytest.raises(DamagedDataError, match=r"parquet-2.*update heatdrift"):
        Reader(database).source_frame("gpu0")


def test_a_packed_table_says_what_it_is_to_any_reader_of_parquet(database: Database) -> None:
    recorded(database, 1)
    seal_finished_days(database, MONDAY_UTC_MS + 9 * DAY_MS, 1)
    with database.begin() as connection:
        packed = {row.series: row.packed for row in connection.execute(select(sealed_day))}
    probes = pq.ParquetFile(pa.BufferReader(packed["probes"]))
    about = probes.metadata.metadata[b"heatdrift"].decode()
    assert "ambient.temperature_c" in about
    assert "2026-01-05" in about
    gpu = pq.ParquetFile(pa.BufferReader(packed["gpu0"])).metadata
    names = [gpu.schema.column(i).name for i in range(gpu.num_columns)]
    assert "temperature_milli_c" in names
    assert "memory_temperature_milli_c" not in names  # never had
    assert all("DELTA_BINARY_PACKED" in gpu.row_group(0).column(i).encodings for i in range(gpu.num_columns))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 7 * DAY_MS - 1), st.none() | INT32, INT32, st.integers(0, 2**44 - 1)),
        min_size=1,
    )
)
def test_any_source_table_packs_and_unpacks(rows: list[tuple[int, int | None, int, int]]) -> None:
    rows.sort(key=lambda row: row[0])
    columns: dict[str, Any] = {
        TIME: [MONDAY_UTC_MS + row[0] for row in rows],
        "power_milli_w": [row[1] for row in rows],
        "n_looks": [row[2] for row in rows],
        "cadence": [0] * len(rows),
        "missing_reasons": [row[3] for row in rows],
        "limit_reasons": [row[3] * 2**10 for row in rows],
    }
    table = completed(
        pa.table({n: pa.array(c, SOURCE_SCHEMA.field(n).type) for n, c in columns.items()}), SOURCE_SCHEMA
    )
    packed = pack(table, day_of(MONDAY_UTC_MS), {})
    assert completed(unpack(packed, checksum(packed), "it"), SOURCE_SCHEMA).equals(table)


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(
        st.tuples(st.integers(0, 50), st.integers(1, 4)),
        st.tuples(st.none() | INT32, st.integers(0, 15)),
        min_size=1,
    )
)
def test_any_probe_table_packs_and_unpacks(cells: dict[tuple[int, int], tuple[int | None, int]]) -> None:
    ordered = sorted(cells.items())
    columns = [
        [MONDAY_UTC_MS + at for (at, _), _ in ordered],
        [channel for (_, channel), _ in ordered],
        [value for _, (value, _) in ordered],
        [reason if value is None else 0 for _, (value, reason) in ordered],
    ]
    table = pa.table([pa.array(c, f.type) for c, f in zip(columns, PROBE_SCHEMA, strict=True)], PROBE_SCHEMA)
    packed = pack(widen(table), day_of(MONDAY_UTC_MS), {})
    assert narrow(unpack(packed, checksum(packed), "it")).equals(table)


@pytest.mark.parametrize("moment", [0, 1, DAY_MS - 1, DAY_MS, MONDAY_UTC_MS - 1, MONDAY_UTC_MS])
def test_days_begin_at_midnight_utc(moment: int) -> None:
    start = midnight_utc_ms(day_of(moment))
    assert start % DAY_MS == 0
    assert 0 <= moment - start < DAY_MS


def test_sealing_waits_its_turn(sqlite_url: str) -> None:
    from heatdrift.store.database import open_writer

    first, second = open_writer(sqlite_url), open_writer(sqlite_url)
    recorded(first, 1)
    with second.sqlite_connection() as connection:
        connection.execute("PRAGMA busy_timeout = 50")  # else this test waits ten seconds for nothing
    with first.begin(), pytest.raises(DatabaseBusyError):
        seal_finished_days(second, MONDAY_UTC_MS + 9 * DAY_MS, 1)
    assert seal_finished_days(second, MONDAY_UTC_MS + 9 * DAY_MS, 1).n_tables == 3
    first.close()
    second.close()
