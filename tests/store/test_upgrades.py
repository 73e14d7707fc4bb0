"""Databases that earlier commits wrote: backed up, brought up to date, and judged as if recorded today.

`tests/recordings/schemas/README.md` says how the files came about.
"""

from __future__ import annotations

import hashlib
import json
import lzma
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from click.testing import CliRunner, Result
from sqlalchemy import MetaData, create_engine, inspect, select, text

from heatdrift.cli.history import open_history
from heatdrift.cli.judge import judge_night
from heatdrift.cli.main import heatdrift as cli
from heatdrift.cli.settings import load
from heatdrift.fake_sensors.machine import START_UTC_MS
from heatdrift.reports.reference_conditions import ReferenceConditions
from heatdrift.reports.verdict_document import verdict_document
from heatdrift.store.database import open_reader, open_unchecked, open_writer
from heatdrift.store.errors import ReadOnlyDatabaseError, SchemaOutdatedError
from heatdrift.store.journal import Journal
from heatdrift.store.keeping import UpkeepSettings, check_integrity, usual_backup
from heatdrift.store.migrations import FOLDER, upgrade
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, ProbeSample, SourceSample
from heatdrift.store.schema import REVISIONS, alembic_version, channel, metadata
from heatdrift.store.series import LATEST_UTC_MS, all_rows, probe_series, source_series
from heatdrift.store.writer import Writer

DAY_MS = 86_400_000
NOW_MS = START_UTC_MS + 30 * DAY_MS
SCHEMAS = Path(__file__).parents[1] / "recordings" / "schemas"
DIGESTS: dict[str, dict[str, str]] = json.loads((SCHEMAS / "digests.json").read_text())
NAMES = sorted(DIGESTS)
OLDER = [name for name in NAMES if name[:4] != REVISIONS[-1]]


def unpacked(name: str, folder: Path) -> Path:
    path = folder / "record.sqlite"
    path.write_bytes(lzma.decompress((SCHEMAS / f"{name}.sqlite.xz").read_bytes()))
    return path


def revision_of(path: Path) -> str:
    with closing(sqlite3.connect(path)) as plain:
        return str(plain.execute("SELECT version_num FROM alembic_version").fetchone()[0])


def brought_up_to_date(path: Path) -> Path:
    """Migrates as upkeep does; gives the copy that was made first, the file itself where it needs none."""
    if revision_of(path) == REVISIONS[-1]:
        upgrade(str(path), lambda _older: pytest.fail("nothing is to be changed"))
        return path
    copies: list[Path | None] = []
    upgrade(str(path), lambda older: copies.append(usual_backup(older, UpkeepSettings(), NOW_MS)))
    (copy,) = copies
    assert copy is not None
    return copy


def digests_of(path: Path | str) -> dict[str, str]:
    """SHA-256 of the rows of each source and of all probes, hot and sealed, as `make.py` makes them."""
    database = open_reader(str(path))
    try:
        with database.begin() as connection:
            found = {}
            for series in source_series(connection, 1):
                rows = all_rows(connection, series, 0, LATEST_UTC_MS).to_pylist()
                found[series.name] = [",".join(map(str, row.values())) for row in rows]
            named = select(channel.c.id, channel.c.owner, channel.c.quantity)
            names = {row.id: f"{row.owner}.{row.quantity}" for row in connection.execute(named)}
            rows = all_rows(connection, probe_series(connection, 1), 0, LATEST_UTC_MS).to_pylist()
            found["probes"] = [
                f"{r['time_utc_ms']},{names[r['channel_id']]},{r['value_milli']},{r['missing_reason']}"
                for r in rows
            ]
    finally:
        database.close()
    return {k: hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest() for k, lines in found.items()}


def recorded_anew(path: Path, to: Path) -> None:
    """The same rows and the same journal, written by the store as it is today."""
    old, new = open_reader(str(path)), open_writer(str(to))
    reader = Reader(old)
    writer = Writer(new, reader.machine_uuid, reader.machine_name)
    kinds = {entry.name: entry.kind for entry in reader.sources()}
    with old.begin() as connection:
        sources = [
            SourceSample(t, series.name, tuple(values), limits, cadence, n_looks, missing)
            for series in source_series(connection, 1)
            for t, *values, limits, cadence, n_looks, missing in (
                row.values() for row in all_rows(connection, series, 0, LATEST_UTC_MS).to_pylist()
            )
        ]
        named = connection.execute(select(channel)).all()
        names = {row.id: (row.owner, row.quantity) for row in named}
        probes = [
            ProbeSample(
                row["time_utc_ms"], *names[row["channel_id"]], row["value_milli"], row["missing_reason"]
            )
            for row in all_rows(connection, probe_series(connection, 1), 0, LATEST_UTC_MS).to_pylist()
        ]
    for name, kind in kinds.items():
        writer.register_source(name, kind, START_UTC_MS)
    for owner, found in reader.channels():
        writer.register_channel(found, owner, START_UTC_MS)
    writer.write(Batch(tuple(sources), tuple(probes)))
    writer.write(Batch(boots=tuple(reader.boots()), changes=tuple(reader.identity_changes())))
    Journal(new, writer.machine_id).add(Journal(old, reader.machine_id).entries(), NOW_MS)
    old.close()
    new.close()


def understood(path: Path | str) -> tuple[dict[str, pd.DataFrame], list[dict[str, Any]]]:
    """Everything that is derived from a record, and the verdicts of its last night."""
    with open_history(load(database=str(path), environment={}), None) as history:
        night = judge_night(history, ReferenceConditions(), NOW_MS)
        frames = {
            f"{entry.name} {word}": read(entry.name)
            for entry in history.reader.sources()
            for word, read in (
                ("steps", history.derived.load_steps),
                ("windows", history.derived.windows),
                ("cells", history.derived.cells),
            )
        }
    return frames, [verdict_document(one) for one in night.verdicts]


@pytest.mark.parametrize("name", OLDER)
def test_an_older_database_is_copied_first_and_keeps_every_row(name: str, tmp_path: Path) -> None:
    path = unpacked(name, tmp_path)
    before = revision_of(path)
    assert before == name[:4]
    with pytest.raises(SchemaOutdatedError, match="heatdrift upkeep"):
        open_reader(str(path))
    copy = brought_up_to_date(path)
    assert copy.parent == tmp_path / "backups"
    assert (revision_of(copy), revision_of(path)) == (before, REVISIONS[-1])
    assert digests_of(path) == DIGESTS[name]
    database = open_writer(str(path))
    check_integrity(database)
    with database.begin() as connection:
        assert not compare_metadata(MigrationContext.configure(connection), metadata)
    database.close()
    upgrade(str(copy))  # the copy is as good as the original was
    assert digests_of(copy) == DIGESTS[name]


@pytest.mark.parametrize("name", NAMES)
def test_an_older_database_is_judged_as_one_that_was_recorded_today(name: str, tmp_path: Path) -> None:
    path, anew = unpacked(name, tmp_path), tmp_path / "anew.sqlite"
    brought_up_to_date(path)
    recorded_anew(path, anew)
    assert digests_of(anew) == DIGESTS[name]
    (frames, verdicts), (other_frames, other_verdicts) = understood(path), understood(anew)
    assert verdicts and verdicts == other_verdicts
    assert frames.keys() == other_frames.keys()
    assert len(frames["cpu0 steps"]) and len(frames["gpu0 cells"])
    for key, frame in frames.items():
        pd.testing.assert_frame_equal(
            in_order(frame, key), in_order(other_frames[key], key), check_exact=True
        )


def test_a_rebuild_of_a_migrated_database_gives_the_same_to_the_last_digit(tmp_path: Path) -> None:
    path = unpacked("0003-judged", tmp_path)  # whose derived rows an earlier algorithm may have made
    brought_up_to_date(path)
    frames, verdicts = understood(path)
    done = run("rebuild", "--database", str(path))
    assert done.exit_code == 0 and "made again: 6 days of sources" in done.stdout
    again, verdicts_again = understood(path)
    assert verdicts == verdicts_again
    for key, frame in frames.items():
        pd.testing.assert_frame_equal(in_order(frame, key), in_order(again[key], key), check_exact=True)


def in_order(frame: pd.DataFrame, key: str) -> pd.DataFrame:
    """Cells have no order of their own, and windows none of their columns."""
    if key.endswith("cells"):
        return frame.sort_values(["day", "era_from_utc_ms", "part", "workload_class"], ignore_index=True)
    return frame.sort_index(axis=1)


def test_verdicts_say_what_the_code_said_that_wrote_them(tmp_path: Path) -> None:
    path = unpacked("0003-judged", tmp_path)
    query = "SELECT source, day, state, cause, shape FROM verdict ORDER BY source, day"
    with closing(sqlite3.connect(path)) as plain:
        before = plain.execute(query).fetchall()
    brought_up_to_date(path)
    understood(path)
    with closing(sqlite3.connect(path)) as plain:
        assert plain.execute(query).fetchall() == before != []


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, arguments)


def test_upkeep_says_what_it_brought_up_to_date_and_counts_the_copy_as_its_backup(tmp_path: Path) -> None:
    path = unpacked("0002", tmp_path)
    backups = tmp_path / "backups"
    backups.mkdir()
    for day in ("01", "02", "03"):
        shutil.copy(path, backups / f"heatdrift-202501{day}T000000Z.db")
    done = run("upkeep", "--database", str(path))
    assert done.exit_code == 0, done.output
    assert f"brought from 0002 to {REVISIONS[-1]}" in done.stdout
    kept = sorted(backups.iterdir())
    assert [file.name[:18] for file in kept[:2]] == ["heatdrift-20250102", "heatdrift-20250103"]
    assert len(kept) == 3 and revision_of(kept[-1]) == "0002"
    again = run("upkeep", "--database", str(path))
    assert "not due" in again.stdout and sorted(backups.iterdir()) == kept


def test_without_its_copy_nothing_is_changed(tmp_path: Path) -> None:
    path = unpacked("0001", tmp_path)
    before = path.read_bytes()
    (tmp_path / "backups").write_text("a file where the folder should be")
    with pytest.raises(ReadOnlyDatabaseError, match="no backup can be written"):
        brought_up_to_date(path)
    done = run("upkeep", "--database", str(path))
    assert done.exit_code == 2 and len(done.stderr.splitlines()) == 1
    assert path.read_bytes() == before


def test_an_empty_older_database_needs_no_copy(tmp_path: Path) -> None:
    path = unpacked("0001-unsealed", tmp_path)
    with closing(sqlite3.connect(path)) as plain, plain:
        for (table,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            if table != alembic_version.name:
                plain.execute(f"DELETE FROM {table}")
    upgrade(str(path), lambda _older: pytest.fail("nothing was there to copy"))
    assert revision_of(path) == REVISIONS[-1]


def test_the_service_brings_its_database_up_to_date_by_itself(tmp_path: Path) -> None:
    path, log = unpacked("0003-early", tmp_path), tmp_path / "log.txt"
    words = ["run", "--database", str(path), "--fake", "laptop", "--speed", "60"]
    environment = {**os.environ, "HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)}
    until_s = time.monotonic() + 180.0
    with log.open("w") as said:
        service = subprocess.Popen(
            [sys.executable, "-m", "heatdrift", *words], stdout=said, stderr=said, env=environment
        )
        try:
            while not new_rows(path) and service.poll() is None and time.monotonic() < until_s:
                time.sleep(0.1)
        finally:
            service.terminate()
            status = service.wait(60.0)
    assert status == 0 and new_rows(path), log.read_text()
    assert "brought up to date" in log.read_text()
    (copy,) = (tmp_path / "backups").glob("*.db")
    assert (revision_of(copy), revision_of(path)) == ("0003", REVISIONS[-1])
    assert digests_of(path) == DIGESTS["0003-early"]


def new_rows(path: Path) -> int:
    """Rows of sources that the file did not know when it was made."""
    with closing(sqlite3.connect(path, timeout=60.0)) as plain:
        return int(plain.execute("SELECT count(*) FROM source_sample WHERE source_id > 2").fetchone()[0])


REFUSED = (
    ("status",),
    ("verdict",),
    ("fit",),
    ("judge",),
    ("rebuild",),
    ("backtest",),
    ("upkeep",),
    ("run", "--fake", "laptop", "--for", "1s"),
    ("export", "out.csv"),
    ("backup", "copies"),
    ("report", "--month", "2026-01"),
    ("journal", "list"),
    ("journal", "add", "cleaning"),
    ("messages", "list"),
    ("messages", "send"),
)


@pytest.mark.parametrize("words", REFUSED, ids=lambda words: " ".join(words[:2]))
def test_a_newer_database_is_refused_in_one_line_with_what_to_do(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    path = unpacked("0003-judged", tmp_path)
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("UPDATE alembic_version SET version_num = '9999'")
    before = path.read_bytes()
    done = run(*words, "--database", str(path))
    assert done.exit_code == 2, done.output
    (line,) = [line for line in done.stderr.splitlines() if line.startswith("heatdrift: ")]
    assert "has schema 9999" in line and line.endswith(": update heatdrift")
    assert "Traceback" not in done.output
    assert path.read_bytes() == before
    assert not (tmp_path / "backups").exists() and not (tmp_path / "copies").exists()


# One child for each line of input: it migrates, and is killed at the statement of that number.
MIGRATOR = """
import os, signal, sys
from sqlalchemy import Engine, event
from heatdrift.store.migrations import upgrade

for line in sys.stdin:
    url, n_left = line.rsplit(" ", 1)
    pid = os.fork()
    if pid == 0:
        left = int(n_left)

        def count(connection, cursor, statement, *words):
            global left
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)

        event.listen(Engine, "before_cursor_execute", count)
        upgrade(url)
        os._exit(0)
    print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)
"""


@contextmanager
def migrator() -> Iterator[Any]:
    """Migrates a database in a process that dies at a statement; says how it ended."""
    command_line = [sys.executable, "-c", MIGRATOR]
    with subprocess.Popen(command_line, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None and process.stdout is not None

        def migrate(url: str, dies_at: int) -> int:
            assert process.stdin is not None and process.stdout is not None
            process.stdin.write(f"{url} {dies_at}\n")
            process.stdin.flush()
            return int(process.stdout.readline())

        yield migrate
        process.stdin.close()


def shape_of(path: Path) -> list[tuple[str, ...]]:
    with closing(sqlite3.connect(path)) as plain:
        return sorted(plain.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall())


def test_a_migration_that_is_killed_leaves_the_old_or_the_new_never_half(tmp_path: Path) -> None:
    """At every statement of the whole way from the oldest tables to the newest."""
    old = unpacked("0001-unsealed", tmp_path)
    before, work = shape_of(old), tmp_path / "work.sqlite"
    n_killed = 0
    with migrator() as migrate:
        while True:
            for suffix in ("-wal", "-shm"):
                work.with_name(work.name + suffix).unlink(missing_ok=True)
            shutil.copy(old, work)
            status = migrate(str(work), n_killed)
            if status == 0:
                break
            assert status == -signal.SIGKILL
            assert (revision_of(work), shape_of(work)) == ("0001", before)
            with closing(sqlite3.connect(work)) as plain:
                assert plain.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            if n_killed % 10 == 0:  # and it can still be done
                assert migrate(str(work), 1_000_000) == 0
                assert digests_of(work) == DIGESTS["0001-unsealed"]
            n_killed += 1
    assert revision_of(work) == REVISIONS[-1]
    assert digests_of(work) == DIGESTS["0001-unsealed"]
    assert n_killed > len(REVISIONS) * 3  # each step makes tables or columns, and notes itself


def at_revision(url: str, revision: str) -> None:
    """An empty database as the steps up to one leave it."""
    config = Config()
    config.set_main_option("script_location", str(FOLDER))
    database = open_unchecked(url)
    with database.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
    database.close()


def test_a_server_is_copied_and_brought_up_to_date_as_well(postgres_url: str, tmp_path: Path) -> None:
    at_revision(postgres_url, "0003")
    engine = create_engine(postgres_url)
    with engine.begin() as connection:
        connection.execute(text("ALTER TABLE day_fit DROP COLUMN interface_share"))
        connection.execute(text("INSERT INTO machine VALUES (1, 'u', 'wren', 0)"))
        connection.execute(text("INSERT INTO source VALUES (1, 1, 'gpu0', 'gpu', 0, 0)"))
        connection.execute(
            text(
                "INSERT INTO day_fit VALUES (1, 'gpu0', '2026-01-01', 0, 'interface', '70 W', 0.05, 0.001, 9)"
            )
        )
    settings = UpkeepSettings(backup_folder=tmp_path)
    copies: list[Path | None] = []
    with migrator() as migrate:
        for statement in range(0, 12, 3):  # the server rolls back what its client did not live to commit
            assert migrate(postgres_url, statement) == -signal.SIGKILL
            with engine.begin() as connection:
                assert connection.scalar(select(alembic_version.c.version_num)) == "0003"
                columns = {column["name"] for column in inspect(connection).get_columns("day_fit")}
                assert "interface_share" not in columns
    upgrade(postgres_url, lambda older: copies.append(usual_backup(older, settings, NOW_MS)))
    with engine.begin() as connection:
        assert not compare_metadata(MigrationContext.configure(connection), metadata)
        assert connection.scalar(text("SELECT count(*) FROM day_fit")) == 1
    engine.dispose()
    (copy,) = copies
    assert copy is not None
    with closing(sqlite3.connect(copy)) as plain:
        found = plain.execute("SELECT value, interface_share FROM day_fit").fetchall()
    assert found == [(0.05, None)]


def moved_to_server(path: Path, url: str) -> None:
    """The rows of an older file in the same older tables on a server."""
    at_revision(url, revision_of(path))
    engine = create_engine(url)
    found = MetaData()
    with closing(sqlite3.connect(path)) as plain, engine.begin() as connection:
        found.reflect(connection)
        for table in found.sorted_tables:
            if table.name == alembic_version.name:
                continue
            names = [column.name for column in table.columns]
            rows = plain.execute(f"SELECT {', '.join(names)} FROM {table.name}").fetchall()
            if rows:
                connection.execute(table.insert(), [dict(zip(names, row, strict=True)) for row in rows])
            if rows and "id" in names:
                sequence = f"pg_get_serial_sequence('{table.name}', 'id')"
                connection.execute(text(f"SELECT setval({sequence}, (SELECT max(id) FROM {table.name}))"))
    engine.dispose()


def test_an_older_server_is_judged_as_one_that_was_recorded_today(postgres_url: str, tmp_path: Path) -> None:
    path, anew = unpacked("0003", tmp_path), tmp_path / "anew.sqlite"
    moved_to_server(path, postgres_url)
    copies: list[Path | None] = []
    settings = UpkeepSettings(backup_folder=tmp_path / "copies")
    upgrade(postgres_url, lambda older: copies.append(usual_backup(older, settings, NOW_MS)))
    (copy,) = copies
    assert copy is not None and digests_of(copy) == digests_of(postgres_url) == DIGESTS["0003"]
    recorded_anew(copy, anew)
    (frames, verdicts), (other_frames, other_verdicts) = understood(postgres_url), understood(anew)
    assert verdicts and verdicts == other_verdicts
    for key, frame in frames.items():
        pd.testing.assert_frame_equal(
            in_order(frame, key), in_order(other_frames[key], key), check_exact=True
        )


def test_a_server_without_a_folder_for_copies_is_told_so(postgres_url: str) -> None:
    at_revision(postgres_url, "0003")
    engine = create_engine(postgres_url)
    with engine.begin() as connection:
        connection.execute(text("INSERT INTO machine VALUES (1, 'u', 'wren', 0)"))
    engine.dispose()
    done = run("upkeep", "--database", postgres_url)
    assert done.exit_code == 0, done.output
    assert "without a copy: keeping.backup_folder names no folder" in done.stderr


def test_two_that_migrate_at_once_do_it_once(tmp_path: Path) -> None:
    """The second waits for the pen, and then finds nothing to do."""
    path = unpacked("0001", tmp_path)
    words = [sys.executable, "-c", f"from heatdrift.store.migrations import upgrade; upgrade({str(path)!r})"]
    both = [subprocess.Popen(words, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    assert [(one.communicate()[1], one.returncode) for one in both] == [("", 0)] * 2
    assert revision_of(path) == REVISIONS[-1]
    assert digests_of(path) == DIGESTS["0001"]
