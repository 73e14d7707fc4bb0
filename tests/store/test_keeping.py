"""Upkeep, backups and summaries: what is kept can be read, and a failure is said."""

from __future__ import annotations

import sqlite3
import stat
from pathlib import Path

import pytest
from sqlalchemy import create_engine, select, text

from heatdrift.store import keeping
from heatdrift.store.backup import need_room
from heatdrift.store.copying import copy_into
from heatdrift.store.database import Database, open_reader, open_writer
from heatdrift.store.errors import (
    DamagedDataError,
    DiskFullError,
    ReadOnlyDatabaseError,
    SettingsError,
    StoreError,
)
from heatdrift.store.keeping import SPARE_BYTES, UpkeepSettings, backup, check_integrity, reclaim, upkeep
from heatdrift.store.packing import DAY_MS
from heatdrift.store.reader import Reader
from heatdrift.store.records import (
    Batch,
    Boot,
    Cadence,
    Channel,
    Gap,
    GapReason,
    IdentityChange,
    ProbeSample,
    SourceSample,
)
from heatdrift.store.schema import metadata, task_log
from heatdrift.store.sealing import seal_finished_days
from heatdrift.store.summary import summary
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

START_UTC_MS = 1_767_571_200_000  # Monday, 5 January 2026
NOW_UTC_MS = START_UTC_MS + 20 * DAY_MS
EMPTY = (None,) * (len(SOURCE_QUANTITIES) - 1)


def recorded(database: Database, n_days: int = 18, per_day: int = 96) -> Writer:
    writer = Writer(database, "11-22", "desk", START_UTC_MS)
    writer.register_source("gpu0", "gpu", START_UTC_MS)
    writer.register_source("cpu0", "cpu", START_UTC_MS)
    writer.register_channel(Channel("t", "temperature_c", "hwmon"), "ambient", START_UTC_MS)
    moments = range(START_UTC_MS, START_UTC_MS + n_days * DAY_MS, DAY_MS // per_day)
    writer.write(
        Batch(
            tuple(SourceSample(at, "gpu0", (at % 77_777, *EMPTY), 1, Cadence.IDLE, 6, 0) for at in moments),
            tuple(ProbeSample(at, "ambient", "temperature_c", at % 30_000, 0) for at in moments),
            (
                Gap(START_UTC_MS, START_UTC_MS + 5, GapReason.STOPPED),
                Gap(NOW_UTC_MS - DAY_MS, NOW_UTC_MS, GapReason.SUSPEND, "gpu0", "lid"),
            ),
            (Boot("b1", START_UTC_MS),),
            (IdentityChange(START_UTC_MS, "kernel", None, "6.1"),),
        )
    )
    writer.put_state({"pid": "77"}, NOW_UTC_MS - 5)
    return writer


def contents(database: Database) -> dict[str, list[tuple[object, ...]]]:
    with database.begin() as connection:
        return {
            table.name: [
                tuple(row) for row in connection.execute(select(table).order_by(*table.primary_key.columns))
            ]
            for table in metadata.sorted_tables
        }


def test_upkeep_does_what_is_due_and_notes_it(database: Database, tmp_path: Path) -> None:
    writer = recorded(database)
    frame = Reader(database).source_frame("gpu0")
    settings = UpkeepSettings(backup_folder=tmp_path / "kept", min_free_bytes=0)
    first = upkeep(database, settings, NOW_UTC_MS)
    assert first.warnings == []
    assert (first.sealed.n_tables, first.was_checked) == (2 * 6, True)
    assert first.backup is not None
    for task in ("seal", "check", "backup"):
        assert writer.last_task_utc_ms(task) == NOW_UTC_MS
    second = upkeep(database, settings, NOW_UTC_MS + 3 * DAY_MS)
    assert (second.backup, second.was_checked, second.merged.n_tables) == (None, False, 2)
    third = upkeep(database, settings, NOW_UTC_MS + 7 * DAY_MS)
    assert third.backup is not None
    early = upkeep(database, settings, NOW_UTC_MS - 90 * DAY_MS)  # the clock was set back
    assert early.was_checked
    assert Reader(database).source_frame("gpu0").equals(frame)


def test_a_task_that_fails_is_said_and_stops_no_other(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(database)

    def damaged(*_: object) -> None:
        raise DamagedDataError("sealed rows of gpu0 do not match", remedy="bring back the latest backup")

    monkeypatch.setattr(keeping, "seal_finished_days", damaged)
    settings = UpkeepSettings(backup_folder=tmp_path / "kept", min_free_bytes=10**18)
    result = upkeep(database, settings, NOW_UTC_MS)
    assert [warning.split(":")[0] for warning in result.warnings] == ["seal", "backup"]
    assert result.was_checked
    with database.begin() as connection:
        noted = {row.task: (row.ok, row.detail) for row in connection.execute(select(task_log))}
    assert noted["check"] == (True, "")
    assert not noted["seal"][0]
    assert "latest backup" in noted["seal"][1]
    assert "are needed" in noted["backup"][1]


def test_a_backup_holds_everything_and_the_newest_three_are_kept(database: Database, tmp_path: Path) -> None:
    recorded(database)
    upkeep(database, UpkeepSettings(tmp_path / "kept", min_free_bytes=0), NOW_UTC_MS)
    before = contents(database)
    stranger = tmp_path / "kept" / "heatdrift-notes.db"
    stranger.write_text("mine")
    for number in range(1, 5):
        path = backup(database, tmp_path / "kept", NOW_UTC_MS + number * 1000)
    names = sorted(found.name for found in (tmp_path / "kept").iterdir())
    assert names == [f"heatdrift-20260125T00000{n}Z.db" for n in (2, 3, 4)] + ["heatdrift-notes.db"]
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    copy = open_reader(str(path))
    assert contents(copy) == before
    copy.close()


def test_a_backup_of_a_database_that_is_being_written(sqlite_url: str, tmp_path: Path) -> None:
    database, writing = open_reader_after_recording(sqlite_url)
    with writing.begin() as connection:
        connection.execute(task_log.insert().values(machine_id=1, task="x", at_utc_ms=1, ok=True, detail=""))
        path = backup(database, tmp_path / "kept", NOW_UTC_MS)
    copy = open_reader(str(path))
    assert contents(copy)["task_log"] == []
    assert len(Reader(copy).source_frame("gpu0")) == 18 * 96
    copy.close()
    database.close()
    writing.close()


def open_reader_after_recording(url: str) -> tuple[Database, Database]:
    writing = open_writer(url)
    recorded(writing)
    return open_reader(url), writing


def test_a_damaged_backup_is_thrown_away_and_the_old_ones_stay(sqlite_url: str, tmp_path: Path) -> None:
    database = open_writer(sqlite_url)
    recorded(database, n_days=18, per_day=960)
    good = backup(database, tmp_path / "kept", NOW_UTC_MS)
    database.close()
    path = Path(sqlite_url.removeprefix("sqlite:///"))
    pages = bytearray(path.read_bytes())
    for page in range(60, len(pages) // 4096, 7):
        pages[page * 4096 : page * 4096 + 200] = bytes(200)
    path.write_bytes(pages)
    database = open_writer(sqlite_url)
    with pytest.raises(DamagedDataError, match="damaged"):
        check_integrity(database)
    with pytest.raises(DamagedDataError):
        backup(database, tmp_path / "kept", NOW_UTC_MS + DAY_MS, keep=1)
    database.close()
    assert list((tmp_path / "kept").iterdir()) == [good]


def test_a_backup_needs_room_and_a_folder_to_write_to(database: Database, tmp_path: Path) -> None:
    with pytest.raises(DiskFullError, match="are needed"):
        need_room(tmp_path, 10**18)
    (tmp_path / "file").touch()
    with pytest.raises(ReadOnlyDatabaseError, match="another folder"):
        backup(database, tmp_path / "file", NOW_UTC_MS)


def test_moving_house_keeps_every_row_and_the_numbers_go_on(
    sqlite_url: str, postgres_url: str, tmp_path: Path
) -> None:
    file, server = open_writer(sqlite_url), open_writer(postgres_url)
    recorded(file)
    upkeep(file, UpkeepSettings(tmp_path / "kept", min_free_bytes=0), NOW_UTC_MS)
    copy_into(file, server)
    assert contents(server) == contents(file)
    Writer(server, "33-44", "lap").register_source("gpu0", "gpu", 1)  # would fail on a number used twice
    with pytest.raises(StoreError, match="not empty"):
        copy_into(file, server)
    again = open_writer(str(tmp_path / "again.db"))
    copy_into(server, again)
    assert contents(again) == contents(server)
    for opened in (file, server, again):
        opened.close()


def test_room_is_given_back_but_for_the_next_days(sqlite_url: str) -> None:
    database = open_writer(sqlite_url)
    recorded(database, n_days=18, per_day=4000)
    path = Path(sqlite_url.removeprefix("sqlite:///"))
    seal_finished_days(database, NOW_UTC_MS, hot_days=0)
    Writer(database, "11-22", "desk").checkpoint()
    large = path.stat().st_size
    given_back = reclaim(database)
    assert given_back > 0
    with sqlite3.connect(path) as plain:
        n_free = plain.execute("PRAGMA freelist_count").fetchone()[0]
    plain.close()
    assert path.stat().st_size <= large - given_back
    n_spare = SPARE_BYTES // 4096
    assert n_spare - 2 <= n_free <= n_spare  # with the pages goes the map that SQLite keeps of them
    assert reclaim(database) == 0
    database.close()


def test_a_server_gives_room_back_by_itself(postgres_url: str) -> None:
    database = open_writer(postgres_url)
    assert reclaim(database) == 0
    database.close()


def test_the_summary_says_what_status_needs(database: Database) -> None:
    with pytest.raises(SettingsError, match="no machine yet"):
        summary(database, NOW_UTC_MS)
    writer = recorded(database, n_days=20)
    writer.note_task("seal", 5, True)
    writer.note_task("seal", 6, False, "disk full")
    told = summary(database, NOW_UTC_MS - 1)
    assert (told.machine_name, told.oldest_day, told.n_sealed_tables) == ("desk", "2026-01-05", 0)
    assert told.last_sample_utc_ms == NOW_UTC_MS - DAY_MS // 96
    assert (told.n_rows_today, told.sources[1].last_sample_utc_ms) == (96, None)
    assert [gap.detail for gap in told.gaps] == ["lid"]
    assert (told.state, told.state_at_utc_ms) == ({"pid": "77"}, NOW_UTC_MS - 5)
    assert (told.tasks["seal"].at_utc_ms, told.tasks["seal"].ok, told.tasks["seal"].detail) == (
        6,
        False,
        "disk full",
    )
    assert told.size_bytes > 0
    seal_finished_days(database, NOW_UTC_MS, 3)
    sealed = summary(database, NOW_UTC_MS, "11-22")
    assert (sealed.oldest_day, sealed.n_sealed_tables, sealed.n_sealed_rows) == (
        "2026-01-05",
        2 * 17,
        2 * 17 * 96,
    )
    with pytest.raises(SettingsError, match="no machine attic"):
        summary(database, NOW_UTC_MS, "attic")


def test_the_summary_of_several_machines_is_of_the_one_heard_of_last(database: Database) -> None:
    recorded(database)
    other = Writer(database, "33-44", "lap")
    assert summary(database, NOW_UTC_MS).machine_name == "desk"
    other.put_state({"pid": "1"}, NOW_UTC_MS)
    assert summary(database, NOW_UTC_MS).machine_name == "lap"


def test_a_query_that_a_server_refuses_is_one_of_our_errors(postgres_url: str) -> None:
    database = open_writer(postgres_url)
    engine = create_engine(postgres_url)
    with engine.begin() as connection:
        connection.execute(text("DROP TABLE task_log"))
    engine.dispose()
    with pytest.raises(StoreError, match="refused"):
        Writer(database, "u", "n").note_task("seal", 1, True)
    database.close()
