"""Export, backup and upkeep, through the command line."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from heatdrift.cli.main import heatdrift
from heatdrift.store.database import open_reader
from heatdrift.store.exchange import export_table
from heatdrift.store.reader import Reader

Record = Callable[..., str]
StateOf = Callable[[int], dict[str, str]]
NOW_UTC_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
N_ROWS = 60


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(heatdrift, [str(argument) for argument in arguments])


@pytest.fixture
def database(tmp_path: Path, record: Record) -> str:
    return record(tmp_path / "r.sqlite", NOW_UTC_MS)


def test_export_to_csv_is_the_whole_record(tmp_path: Path, database: str) -> None:
    file = tmp_path / "all.csv"
    done = run("export", file, "--database", database)
    assert done.exit_code == 0
    assert done.stdout.startswith(f"{file}  {N_ROWS} rows, ")
    with file.open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert len(rows) == N_ROWS
    assert list(rows[0]) == [
        "time", "cpu0.temperature_c", "cpu0.power_w", "gpu0.temperature_c", "gpu0.power_w", "fan1.speed_rpm"
    ]  # fmt: skip
    assert datetime.fromisoformat(rows[-1]["time"]) == datetime(2026, 1, 1, tzinfo=UTC)
    assert float(rows[-1]["cpu0.temperature_c"]) == 79.5


def test_export_takes_moments_from_and_up_to(tmp_path: Path, database: str) -> None:
    file = tmp_path / "some.parquet"
    limits = ("--from", "2025-12-31T23:30:00Z", "--to", "2026-01-01T00:40:00+01:00")
    done = run("export", file, *limits, "--database", database)
    assert done.exit_code == 0
    assert pq.read_table(file).num_rows == 10  # 23:30 up to, not including, 23:40 UTC


def test_export_takes_dates(tmp_path: Path, database: str) -> None:
    file = tmp_path / "day.csv"
    assert run("export", file, "--from", "2026-01-01", "--database", database).exit_code == 0
    assert len(file.read_text().splitlines()) == 2  # the heading, and the row at midnight


def test_export_of_nothing_says_so(tmp_path: Path, database: str) -> None:
    done = run("export", tmp_path / "x.csv", "--from", "2027-01-01", "--database", database)
    assert done.exit_code == 0
    assert "no rows" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("x.csv", "--from", "yesterday"), "is no date"),
        (("x.csv", "--from", "2026-01-01T10:00:00"), "no time zone"),
        (("x.csv", "--from", "2026-01-02", "--to", "2026-01-01"), "--from is not before --to"),
        (("x.table",), "end it in .csv or .parquet"),
    ],
)
def test_wrong_export_is_refused(
    tmp_path: Path, database: str, arguments: tuple[str, ...], words: str
) -> None:
    done = run("export", tmp_path / arguments[0], *arguments[1:], "--database", database)
    assert done.exit_code == 2
    assert words in done.stderr
    assert not (tmp_path / arguments[0]).exists()


def test_backup_can_be_opened_like_the_record(tmp_path: Path, database: str) -> None:
    done = run("backup", tmp_path / "copies", "--database", database)
    assert done.exit_code == 0
    copy, words = done.stdout.strip().split("  ")
    assert words.endswith("verified")
    found = json.loads(run("status", "--json", "--database", copy).stdout)
    assert found["sources"][0]["last_row"]["temperature_c"] == 79.5


def test_upkeep_says_what_it_did(tmp_path: Path, database: str) -> None:
    """Weeks after the record was made: its finished day is sealed, and the export is the same as before."""
    before, after = tmp_path / "before.csv", tmp_path / "after.csv"
    run("export", before, "--database", database)
    done = run("upkeep", "--database", database, "--json")
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["sealed_rows"] > 0
    assert found["checked"]
    assert Path(found["backup"]).parent == tmp_path / "backups"
    assert found["warnings"] == []
    run("export", after, "--database", database)
    assert after.read_text() == before.read_text()
    again = run("upkeep", "--database", database)
    assert again.stdout.splitlines() == [
        "sealed    nothing: no day is old enough",
        "backup    not due",
        "checked   not due",
    ]


def test_upkeep_that_failed_in_part_has_status_1(tmp_path: Path, database: str) -> None:
    settings = tmp_path / "settings.toml"
    in_the_way = tmp_path / "file"
    in_the_way.touch()
    settings.write_text(f'[keeping]\nbackup_folder = "{in_the_way}"\n')
    done = run("upkeep", "--database", database, "--settings", settings)
    assert done.exit_code == 1
    assert "backup" in done.stderr
    assert "checked   all is readable" in done.stdout


def test_upkeep_beside_a_recorder_is_refused(
    tmp_path: Path, record: Record, running_state: StateOf, now_utc_ms: int
) -> None:
    state = running_state(now_utc_ms)
    database = record(tmp_path / "r.sqlite", now_utc_ms, state)
    done = run("upkeep", "--database", database)
    assert done.exit_code == 2
    assert f"a recorder (process {state['pid']})" in done.stderr


def test_upkeep_of_an_absent_database_makes_none(tmp_path: Path) -> None:
    done = run("upkeep", "--database", tmp_path / "none.sqlite")
    assert done.exit_code == 2
    assert not (tmp_path / "none.sqlite").exists()


def test_progress_of_an_export_ends_at_the_whole(tmp_path: Path, database: str) -> None:
    reading = open_reader(database)
    shares: list[float] = []
    export_table(Reader(reading), tmp_path / "all.csv", progress=shares.append)
    reading.close()
    assert shares == sorted(shares)
    assert shares[-1] == 1.0  # the end over the end, so exactly
