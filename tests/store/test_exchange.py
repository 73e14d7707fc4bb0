"""The exchange table: columns, times and empty cells as promised; all of it or nothing."""

from __future__ import annotations

import csv
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from heatdrift.store.database import Database
from heatdrift.store.errors import SettingsError
from heatdrift.store.exchange import Format, export_table
from heatdrift.store.packing import DAY_MS
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Channel, ProbeSample, SourceSample
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

START_UTC_MS = 1_767_571_200_000  # Monday, 5 January 2026
N_DAYS = 17
NONE = (None,) * (len(SOURCE_QUANTITIES) - 4)


@pytest.fixture
def reader(database: Database) -> Reader:
    writer = Writer(database, "u", "desk")
    for name in ("gpu0", "cpu0", "vrm0"):
        writer.register_source(name, name[:3], 0)
    writer.register_channel(Channel("t", "temperature_c", "hwmon"), "ambient", 0)
    writer.register_channel(Channel("f", "speed_rpm", "hwmon"), "fan1", 0)
    samples, probes = [], []
    for at in range(START_UTC_MS, START_UTC_MS + N_DAYS * DAY_MS, 3_600_000):
        power = None if at == START_UTC_MS else 100_125
        samples.append(SourceSample(at, "gpu0", (61_000, None, None, power, *NONE), None, 1, 5, 0))
        samples.append(SourceSample(at + 4, "cpu0", (55_500, None, None, 28_001, *NONE), None, 1, 5, 0))
        probes.append(ProbeSample(at, "ambient", "temperature_c", -1_500, 0))
    probes.append(ProbeSample(START_UTC_MS + 4, "fan1", "speed_rpm", 2_400_000, 0))
    writer.write(Batch(tuple(samples), tuple(probes)))
    return Reader(database)


def test_csv_as_promised(reader: Reader, tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    assert export_table(reader, path, "csv") == N_DAYS * 24 * 2
    lines = path.read_bytes().split(b"\r\n")
    assert lines[:4] == [
        b"time,gpu0.temperature_c,gpu0.power_w,cpu0.temperature_c,cpu0.power_w,ambient.temperature_c,fan1.speed_rpm",
        b"2026-01-05T00:00:00.000Z,61.0,,,,-1.5,",
        b"2026-01-05T00:00:00.004Z,,,55.5,28.001,,2400.0",
        b"2026-01-05T01:00:00.000Z,61.0,100.125,,,-1.5,",
    ]
    assert lines[-1] == b""
    assert b"\n" not in b"".join(lines)
    assert [p.name for p in tmp_path.iterdir() if p.is_file() and p.name.startswith("table")] == ["table.csv"]


@pytest.mark.parametrize("format_", ["csv", "parquet"])
def test_sealed_days_export_as_hot_ones_do(
    database: Database, reader: Reader, tmp_path: Path, format_: Format
) -> None:
    export_table(reader, tmp_path / "hot", format_)
    seal_finished_days(database, START_UTC_MS + N_DAYS * DAY_MS, hot_days=1)
    merge_sealed_weeks(database, START_UTC_MS + N_DAYS * DAY_MS, hot_days=1)
    shares: list[float] = []
    export_table(reader, tmp_path / "sealed", format_, progress=shares.append)
    assert (tmp_path / "hot").read_bytes() == (tmp_path / "sealed").read_bytes()
    assert shares == sorted(shares)
    assert len(shares) == 3  # one for each week
    assert shares[-1] == 1.0


def test_parquet_holds_the_same_table(reader: Reader, tmp_path: Path) -> None:
    export_table(reader, tmp_path / "t.csv", "csv")
    assert export_table(reader, tmp_path / "t.parquet", "parquet") == N_DAYS * 24 * 2
    table = pq.read_table(tmp_path / "t.parquet")
    assert table.schema.field("time").type == pa.timestamp("ms", tz="UTC")
    with (tmp_path / "t.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    for name in table.column_names[1:]:
        assert [value if value is None else f"{value}" for value in table[name].to_pylist()] == [
            row[name] or None for row in rows
        ]


def test_a_stretch(reader: Reader, tmp_path: Path) -> None:
    first, after = START_UTC_MS + DAY_MS, START_UTC_MS + 9 * DAY_MS + 1
    assert export_table(reader, tmp_path / "t.csv", "csv", first, after) == 8 * 48 + 1
    lines = (tmp_path / "t.csv").read_text().splitlines()
    assert lines[1].startswith("2026-01-06T00:00:00.000Z")
    assert lines[-1].startswith("2026-01-14T00:00:00.000Z")
    assert "fan1.speed_rpm" not in lines[0]  # not had in this stretch


@pytest.mark.parametrize("format_", ["csv", "parquet"])
def test_nothing_recorded_is_an_empty_table(database: Database, tmp_path: Path, format_: Format) -> None:
    Writer(database, "u", "desk").register_source("gpu0", "gpu", 0)
    assert export_table(Reader(database), tmp_path / "t", format_) == 0
    if format_ == "csv":
        assert (tmp_path / "t").read_bytes() == b"time\r\n"
    else:
        assert pq.read_table(tmp_path / "t").num_rows == 0


def test_an_old_export_stays_when_the_new_one_fails(reader: Reader, tmp_path: Path) -> None:
    def broken(share: float) -> None:
        raise RuntimeError(f"at {share}")

    path = tmp_path / "t.csv"
    path.write_text("old")
    with pytest.raises(RuntimeError):
        export_table(reader, path, "csv", progress=broken)
    assert path.read_text() == "old"
    with pytest.raises(SettingsError, match="cannot be written"):
        export_table(reader, tmp_path / "missing" / "t.csv", "csv")
    assert not list(tmp_path.glob("*.part"))


def test_a_database_of_several_machines_wants_a_name(database: Database, reader: Reader) -> None:
    Writer(database, "v", "lap")
    with pytest.raises(SettingsError, match=r"desk \(u\), lap \(v\)"):
        Reader(database)
    with pytest.raises(SettingsError, match="attic"):
        Reader(database, "attic")
    with pytest.raises(SettingsError, match="gpu7"):
        reader.source_frame("gpu7")
    with pytest.raises(SettingsError, match="no probe is called gpu0"):
        reader.probe_frame("gpu0")
