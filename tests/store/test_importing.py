"""Import: what was exported comes back the same; nothing twice; nothing that is there is changed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.store.database import Database, open_writer
from heatdrift.store.errors import SettingsError
from heatdrift.store.exchange import Format, export_table
from heatdrift.store.import_mapping import parse_mapping
from heatdrift.store.importing import ImportResult, import_table
from heatdrift.store.packing import DAY_MS
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Cadence, Missing, SourceSample, unpack_missing
from heatdrift.store.schema import sealed_day
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days
from heatdrift.store.units import QUANTITY_INDEX, SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

NOW_UTC_MS = 1_800_000_000_000  # January 2027
DAY = "2026-03-02"
HEAD = "time,gpu0.temperature_c,gpu0.power_w,ambient.temperature_c,fan1.speed_rpm\n"
Import = Callable[..., ImportResult]


@pytest.fixture
def bring(database: Database, tmp_path: Path) -> Import:
    """Imports a text as a file into the machine called desk."""
    machine_id = Writer(database, "u", "desk").machine_id

    def call(text: str | bytes, mapping: str | None = None, now_utc_ms: int = NOW_UTC_MS) -> ImportResult:
        path = tmp_path / "table.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        parsed = parse_mapping(mapping, "map.toml") if mapping is not None else None
        return import_table(database, machine_id, path, now_utc_ms, parsed)

    return call


def n_sealed(database: Database) -> int:
    with database.begin() as connection:
        return len(connection.execute(sealed_day.select()).all())


def values_of(reader: Reader) -> dict[str, pd.DataFrame]:
    """Every value of a machine that was had, by source or probe."""
    quantities = [quantity.name for quantity in SOURCE_QUANTITIES]
    found = {s.name: reader.source_frame(s.name)[quantities].dropna(how="all") for s in reader.sources()}
    for (name, quantity), frame in reader.probe_frames().items():
        found[f"{name}.{quantity}"] = frame[["value"]].dropna()
    return {name: frame for name, frame in found.items() if len(frame)}


@pytest.mark.parametrize("format_", ["csv", "parquet"])
def test_an_export_comes_back_the_same(database: Database, tmp_path: Path, format_: Format) -> None:
    """Two days of an invented laptop, whole, through a file into a database of its own."""
    first = open_writer(f"sqlite:///{tmp_path / 'first.db'}")
    machine = FakeMachine.of("laptop", seed=3)
    record_history(Writer(first, "m", "lap"), machine, machine.time_utc_ms, 2.0)
    there = Reader(first)
    path = tmp_path / "table"
    n_rows = export_table(there, path, format_)
    result = import_table(database, Writer(database, "m", "lap").machine_id, path, NOW_UTC_MS)
    assert (result.n_rows, result.n_rows_left_out, result.n_cells_left_out) == (n_rows, 0, 0)
    before, after = values_of(there), values_of(Reader(database))
    assert before.keys() == after.keys()
    assert sum(map(len, before.values())) == result.shelved.n_added
    for name, frame in before.items():
        pd.testing.assert_frame_equal(after[name], frame)  # exactly: thousandths go through a file unharmed
    kept = there.source_frame("cpu0")["cadence"].to_numpy()
    guessed = Reader(database).source_frame("cpu0")["cadence"].to_numpy()
    assert len(kept) == len(guessed)
    # A row at the edge of two paces may be taken for its neighbour's; most rows lie within one.
    assert np.mean(kept == guessed) > 0.9
    first.close()


def test_the_same_again_changes_nothing(database: Database, bring: Import) -> None:
    text = HEAD + f"{DAY}T10:00:00Z,61,100.5,21.5,\n{DAY}T10:00:05Z,62,,21.6,1200\n"
    assert bring(text).shelved.n_added == 5
    before = values_of(Reader(database))
    pieces = n_sealed(database)
    again = bring(text)
    assert (again.shelved.n_added, again.shelved.n_already, again.shelved.n_conflicts) == (0, 5, 0)
    assert n_sealed(database) == pieces
    for name, frame in values_of(Reader(database)).items():
        pd.testing.assert_frame_equal(frame, before[name])


@pytest.mark.parametrize("age_days", [1, 100])
def test_young_days_stay_plain_old_ones_are_sealed(database: Database, bring: Import, age_days: int) -> None:
    at_s = (NOW_UTC_MS - age_days * DAY_MS) // 1000
    result = bring(HEAD + f"{at_s},61,100,21.5,900\n")
    assert result.shelved.n_added == 3
    assert n_sealed(database) == (2 if age_days == 100 else 0)  # the source, and all probes
    assert Reader(database).source_frame("gpu0")["power_w"].to_list() == [100.0]


@pytest.mark.parametrize("age_days", [1, 100])
@pytest.mark.parametrize("merged", [False, True])
def test_one_file_for_each_quantity_ends_in_one_row(
    database: Database, bring: Import, age_days: int, merged: bool
) -> None:
    at_s = (NOW_UTC_MS - age_days * DAY_MS) // 1000
    bring(f"time,gpu0.temperature_c\n{at_s},61\n{at_s + 86400},62\n")
    if merged:
        seal_finished_days(database, NOW_UTC_MS)
        merge_sealed_weeks(database, NOW_UTC_MS)
    result = bring(f"time,gpu0.power_w\n{at_s},100\n{at_s + 1},101\n")
    assert (result.shelved.n_added, result.shelved.n_completed) == (1, 1)
    frame = Reader(database).source_frame("gpu0")
    assert frame["temperature_c"].fillna(-1).to_list() == [61, -1, 62]
    assert frame["power_w"].fillna(-1).to_list() == [100, 101, -1]
    first = unpack_missing(int(frame["missing_reasons"].iloc[0]))
    assert first[QUANTITY_INDEX["power_w"]] is None
    assert first[QUANTITY_INDEX["clock_mhz"]] is Missing.NOT_EXPOSED


@pytest.mark.parametrize("age_days", [1, 100])
def test_what_is_there_stays_as_it_is(database: Database, bring: Import, age_days: int) -> None:
    at_s = (NOW_UTC_MS - age_days * DAY_MS) // 1000
    bring(HEAD + f"{at_s},61,100,21.5,900\n")
    result = bring(HEAD + f"{at_s},65,100,25,900\n")
    assert (result.shelved.n_added, result.shelved.n_conflicts, result.shelved.n_already) == (0, 2, 1)
    reader = Reader(database)
    assert reader.source_frame("gpu0")["temperature_c"].to_list() == [61]
    assert reader.probe_frame("ambient")["temperature_c"].to_list() == [21.5]


def test_rows_of_one_moment_in_one_file_are_one(database: Database, bring: Import) -> None:
    result = bring(HEAD + f"{DAY}T10:00:00Z,61,,,\n{DAY}T10:00:00Z,,100,,\n{DAY}T10:00:00Z,77,,,\n")
    assert result.shelved.n_conflicts == 1
    frame = Reader(database).source_frame("gpu0")
    assert frame[["temperature_c", "power_w"]].to_numpy().tolist() == [[61, 100]]
    assert result.shelved.n_added == 1


def test_rows_in_any_order_are_put_in_order(database: Database, bring: Import) -> None:
    seconds = np.random.default_rng(1).permutation(5 * 86_400)[:2000]
    start = 1_772_000_000
    text = HEAD + "".join(f"{start + s},{40 + s % 50},,{20 + s % 5},\n" for s in seconds)
    assert bring(text).shelved.n_added == 4000
    index = Reader(database).source_frame("gpu0").index
    assert index.is_monotonic_increasing
    assert len(index) == 2000
    assert bring(text).shelved.n_already == 4000


def test_import_of_its_own_export_adds_nothing(database: Database, tmp_path: Path) -> None:
    """Rows of the recorder come from other channels; the same probe is the same probe."""
    writer = Writer(database, "m", "lap")
    machine = FakeMachine.of("desktop", seed=2)
    record_history(writer, machine, machine.time_utc_ms, 0.1)
    export_table(Reader(database), tmp_path / "t.csv")
    before = values_of(Reader(database))
    result = import_table(database, writer.machine_id, tmp_path / "t.csv", NOW_UTC_MS)
    assert result.shelved.n_added == result.shelved.n_completed == result.shelved.n_conflicts == 0
    assert result.shelved.n_already == sum(map(len, before.values()))


def test_who_is_a_source_and_where_it_comes_from(database: Database, bring: Import) -> None:
    bring(
        "time,gpu0.temperature_c,npu0.power_w,board.temperature_c,gpu0_fan.intended_speed_pct\n"
        f"{DAY}T10:00:00Z,61,5,30,44\n{DAY}T11:00:00Z,61,5,30,44\n"
    )
    reader = Reader(database)
    assert [(s.name, s.kind) for s in reader.sources()] == [("gpu0", "gpu"), ("npu0", "npu")]
    assert [(p.name, p.quantity) for p in reader.probes()] == [
        ("board", "temperature_c"), ("gpu0_fan", "intended_speed_pct")
    ]  # fmt: skip
    assert {channel.door for _, channel in reader.channels()} == {"import"}
    assert ("gpu0", "gpu0.temperature_c") in [(owner, c.label) for owner, c in reader.channels()]


def test_how_a_value_came_about_is_kept(database: Database, bring: Import) -> None:
    bring(f"time,p\n{DAY}T10:00:00Z,61\n", '[columns]\np = {to = "gpu0.power_w", method = "average"}\n')
    (owner, channel), *others = Reader(database).channels()
    assert (owner, channel.quantity, channel.label, channel.method) == ("gpu0", "power_w", "p", "average")
    assert others == []


def test_cadence_shows_in_the_distance_of_rows(database: Database, bring: Import) -> None:
    at = [0, 60, 120, 125, 130, 131, 132, 137, 197]
    bring("time,gpu0.temperature_c\n" + "".join(f"{1_772_000_000 + s},50\n" for s in at))
    idle, load, step = Cadence.IDLE, Cadence.LOAD, Cadence.STEP
    expected = [idle, idle, load, load, step, step, step, load, idle]
    assert Reader(database).source_frame("gpu0")["cadence"].to_list() == expected


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("   \n \n", "is empty"),
        ("time\n", "no column that is known"),
        ("a,b\n1,2\n", "has no column 'time': it has a, b"),
        ("Time,gpu0.power_w\n1,2\n", "did you mean 'Time'"),
        ("time,gpu0.powr_w\n1,2\n", r"did you mean gpu0\.power_w"),
        ("time,GPU0.Power_W\n1,2\n", r"did you mean gpu0\.power_w"),
        ("time,gpu0.power_w,comment\n1,2,3\n", "'comment'"),
        ("time,gpu0.power_w,gpu0.power_w\n1,2,3\n", "two columns 'gpu0.power_w'"),
        ("time,time,gpu0.power_w\n1,2,3\n", "two columns 'time'"),
        ("time;gpu0.power_w\n1;2\n", "delimiter = ';'"),
        ("time,gpu0.power_w,gpu0.speed_rpm\n1,2,3\n", "gpu0 is a source and cannot have speed_rpm"),
        (b"time,gpu0.\xb0c\n1,2\n", "encoding"),
        (b"PAR1 no, it is not", "broken Parquet"),
    ],
)
def test_refused_files_leave_nothing(
    database: Database, bring: Import, text: str | bytes, words: str
) -> None:
    with pytest.raises(SettingsError, match=words):
        bring(text)
    assert Reader(database).sources() == []


def test_a_folder_and_a_missing_file_are_refused(database: Database, tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.csv"):
        with pytest.raises(SettingsError, match="cannot be read"):
            import_table(database, 1, path, NOW_UTC_MS)


def test_progress_grows_to_the_whole(database: Database, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    rows = "".join(f"{1_772_000_000 + s},50.125\n" for s in range(300_000))
    path.write_text("time,gpu0.temperature_c\n" + rows)
    shares: list[float] = []
    machine_id = Writer(database, "u", "desk").machine_id
    result = import_table(database, machine_id, path, NOW_UTC_MS, progress=shares.append)
    assert result.shelved.n_added == 300_000
    assert len(shares) > 1
    assert shares == sorted(shares)
    assert shares[-1] == 1.0  # set, not summed


def test_an_import_cut_short_is_made_whole_by_the_next(database: Database, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    rows = "".join(f"{1_772_000_000 + 2 * s},50.125,{s % 300}\n" for s in range(120_000))
    path.write_text("time,gpu0.temperature_c,gpu0.power_w\n" + rows)
    machine_id = Writer(database, "u", "desk").machine_id

    def pull_the_plug(share: float) -> None:
        raise KeyboardInterrupt(f"at {share}")

    with pytest.raises(KeyboardInterrupt):
        import_table(database, machine_id, path, NOW_UTC_MS, progress=pull_the_plug)
    n_before = len(Reader(database).source_frame("gpu0"))
    assert 0 < n_before < 120_000
    result = import_table(database, machine_id, path, NOW_UTC_MS)
    assert (result.shelved.n_added, result.shelved.n_already) == (120_000 - n_before, n_before)
    frame = Reader(database).source_frame("gpu0")
    assert frame["power_w"].to_list() == [s % 300 for s in range(120_000)]


def test_a_recorder_may_write_meanwhile(database: Database, database_url: str, tmp_path: Path) -> None:
    """Between two batches of an import, another process writes the same source, at moments of its own."""
    path = tmp_path / "t.csv"
    rows = "".join(f"{1_772_000_000 + s},50,{s % 300}\n" for s in range(200_000))
    path.write_text("time,gpu0.temperature_c,gpu0.power_w\n" + rows)
    machine_id = Writer(database, "u", "desk").machine_id
    other = open_writer(database_url)
    recorder = Writer(other, "u", "desk")
    recorder.register_source("gpu0", "gpu", NOW_UTC_MS)
    written: list[int] = []

    def record(share: float) -> None:
        at = 1_772_000_000_500 + 1000 * len(written)
        values = (60_000, *[None] * (len(SOURCE_QUANTITIES) - 1))
        recorder.write(Batch((SourceSample(at, "gpu0", values, None, 2, 1, 0),)))
        written.append(at)

    result = import_table(database, machine_id, path, NOW_UTC_MS, progress=record)
    other.close()
    assert result.shelved.n_added == 200_000
    assert len(written) > 2
    seal_finished_days(database, NOW_UTC_MS)
    merge_sealed_weeks(database, NOW_UTC_MS)
    frame = Reader(database).source_frame("gpu0")
    assert len(frame) == 200_000 + len(written)
    assert (frame["temperature_c"] == 60).sum() == len(written)
