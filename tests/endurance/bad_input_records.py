"""A small record with something in every table, its cells made absurd, and the commands that read it."""

from __future__ import annotations

import atexit
import functools
import hashlib
import json
import os
import random
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from heatdrift.cli.doctor_checks import check_record
from heatdrift.cli.main import EXIT_ERROR, heatdrift
from heatdrift.cli.settings import load
from heatdrift.daemon.guard_settings import GuardSettings
from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.errors import EXIT_DAMAGED, StoreError
from heatdrift.store.journal import Journal
from heatdrift.store.journal_file import parse_journal
from heatdrift.store.message import Lane, Message, Severity
from heatdrift.store.outbox import Outbox
from heatdrift.store.packing import day_of
from heatdrift.store.past_heat import fans_at_heat, heat_rows, liquid_metal_paths
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Gap, GapReason
from heatdrift.store.sealing import seal_finished_days
from heatdrift.store.writer import Writer

from .bad_input_ledger import is_unsafe
from .bad_input_mutations import HOSTILE_TEXTS, hostile_value
from .bad_input_tables import MOMENTS

DAY_MS = 86_400_000
DAYS = 2
END_UTC_MS = START_UTC_MS + DAYS * DAY_MS
JOURNAL = """\
[[entry]]
time = {day}T12:00:00Z
kind = "compound"
path = "gpu0"
note = "new paste"
cost = 12.5
currency = "EUR"
[[entry]]
time = {day}T13:00:00Z
kind = "shunt"
path = "gpu0"
shunt_from_mohm = 5.0
shunt_to_mohm = 3.0
"""
COMMANDS: tuple[tuple[int, tuple[str, ...]], ...] = (
    (8, ("status",)),
    (4, ("status", "--json")),
    (5, ("journal", "list")),
    (3, ("journal", "list", "--json")),
    (2, ("journal", "save", "{folder}/journal.toml")),
    (2, ("journal", "remove", "1")),
    (5, ("messages", "list")),
    (3, ("messages", "list", "--json")),
    (4, ("export", "{folder}/table.csv")),
    (1, ("export", "{folder}/table.parquet")),
    (4, ("verdict",)),
    (2, ("verdict", "--json")),
    (3, ("judge",)),
    (3, ("report", "--json", "-")),
    (1, ("report", "--markdown", "-")),
    (2, ("fit",)),
    (1, ("fit", "--json", "-")),
    (1, ("compare", "1")),
    (1, ("backtest",)),
    (3, ("upkeep",)),
    (1, ("backup", "{folder}/backups")),
)
OPTIONS: tuple[tuple[str, ...], ...] = (
    ("status", "--machine", "{}"),
    ("export", "{folder}/table.csv", "--from", "{}"),
    ("export", "{folder}/table.csv", "--from", "{}", "--to", "{}"),
    ("export", "{folder}/{}"),
    ("journal", "add", "compound", "--source", "gpu0", "--time", "{}", "--note", "{}"),
    ("journal", "add", "compound", "--cost", "{}", "--currency", "EUR"),
    ("journal", "add", "shunt", "--source", "{}", "--shunt-to-mohm", "{}"),
    ("journal", "add", "{}"),
    ("journal", "edit", "1", "--photo", "{}", "--interface", "{}"),
    ("journal", "remove", "{}"),
    ("journal", "load", "{}"),
    ("compare", "{}"),
    ("report", "--json", "-", "--month", "{}"),
    ("report", "--json", "-", "--from", "{}"),
    ("report", "--json", "-", "--to", "{}"),
    ("verdict", "--machine", "{}"),
    ("backtest", "--from", "{}", "--to", "{}"),
    ("import", "{}", "--machine", "{}"),
    ("fit", "--json", "{folder}/{}"),
)
OPTION_TEXTS = tuple(text for text in (*HOSTILE_TEXTS, *MOMENTS) if "\0" not in text and "\ud800" not in text)
REFUSALS = (EXIT_ERROR, EXIT_DAMAGED)
TABLES = (
    *("machine", "source", "channel", "boot", "gap", "identity_change", "journal_entry", "sealed_day"),
    *("service_state", "task_log", "load_step", "settled_window", "era_fit", "day_fit", "verdict", "message"),
    *("message_delivery", "alembic_version", "source_sample", "probe_sample"),
)
CELLS: tuple[Any, ...] = (
    *(2**62, -(2**62), 2**63 - 1, -1, 0, 1, 2**31, 2**40, 253_402_300_800_000, 0.5, 1e308, -1e308),
    *("", "x", "-1", "1e400", "nan", "2026-01-01", "9999-12-31", "10000-01-01", "2026-02-30", "0000-00-00"),
    *(
        "\x1b[31mred",
        "a\nb",
        "\u202e",
        "x" * 20_000,
        "null",
        "[]",
        "{}",
        "{",
        "[" * 3_000,
        "[[]]",
        '"x"',
        "1",
        "true",
    ),
    *(
        b"",
        b"\xff\x00\xfe",
        b"PAR1",
        None,
        None,
        float("inf"),
        float("-inf"),
        "gpu0",
        "cpu0",
        "urgent",
        "delivered",
    ),
)


@functools.cache
def good_record() -> Path:
    """One record for all tests: two days, something in every table."""
    folder = Path(tempfile.mkdtemp(prefix="hd-good-", dir=memory_folder(Path(tempfile.gettempdir()))))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    path = folder / "good.sqlite"
    database = open_writer(str(path))
    writer = Writer(database, "uuid", "wren", START_UTC_MS)
    machine = FakeMachine.of("desktop", 15, load_hours_a_day=0.4)
    record_history(writer, machine, START_UTC_MS, DAYS)
    hour = DAY_MS // 24
    writer.write(
        Batch(gaps=(Gap(END_UTC_MS - 2 * hour, END_UTC_MS - hour, GapReason.SUSPEND, "gpu0", "lid closed"),))
    )
    state = {
        "state": "running",
        "pid": "1",
        "started_utc_ms": str(START_UTC_MS),
        "mode": "idle",
        "cpu_s": "3.6",
    }
    writer.put_state(state | {"pss_bytes": "40000000", "written_bytes": "1000000"}, END_UTC_MS)
    writer.note_task("backup", END_UTC_MS, True)
    writer.note_task("seal", END_UTC_MS, False, "no room")
    day = day_of(START_UTC_MS).isoformat()
    Journal(database, writer.machine_id).add(parse_journal(JOURNAL.format(day=day)), END_UTC_MS)
    outbox = Outbox(database, writer.machine_id)
    for key in ("one", "two"):
        outbox.queue(Message(Lane.CREEP, Severity.WARNING, key, END_UTC_MS, "subject", "body", "gpu0"))
    outbox.address(1, ["json-12345678"], END_UTC_MS)
    seal_finished_days(database, END_UTC_MS, hot_days=1)
    database.close()
    done = invoke(path, folder, ("judge",))
    assert done.exit_code == 0, done.output
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode = DELETE")
        for table in TABLES:
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0], f"{table} is empty"
    return path


def spoiled(rng: random.Random, folder: Path) -> tuple[Path, str]:
    """A copy of the record with one to three things changed behind our back, and what they are."""
    path = folder / "spoiled.sqlite"
    for old in folder.glob("spoiled.sqlite*"):
        old.unlink()
    shutil.copyfile(good_record(), path)
    said = []
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("PRAGMA journal_mode = OFF")
        for _ in range(rng.choice([1, 1, 1, 2, 3])):
            while True:
                try:
                    said.append(_change(rng, connection))
                    break
                except (sqlite3.IntegrityError, sqlite3.OperationalError, OverflowError):
                    continue  # this one SQLite itself refuses
    return path, "; ".join(said)


def _change(rng: random.Random, connection: sqlite3.Connection) -> str:
    table = rng.choice(TABLES)
    kind = rng.random()
    if kind < 0.01:
        connection.execute(f"DROP TABLE {table}")
        return f"{table} dropped"
    columns = [(row[1], row[2]) for row in connection.execute(f"PRAGMA table_info({table})")]
    n_rows = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    if not n_rows:
        raise sqlite3.OperationalError("nothing left")
    if kind < 0.04:
        connection.execute(f"DELETE FROM {table}")
        return f"{table} emptied"
    keys = [row[1] for row in connection.execute(f"PRAGMA table_info({table})") if row[5]] or ["rowid"]
    every = rng.random() < 0.15
    names = ", ".join(f'"{key}"' for key in keys)
    at = connection.execute(
        f"SELECT {names} FROM {table} LIMIT 1 OFFSET ?", (rng.randrange(n_rows),)
    ).fetchone()
    where = " AND ".join(f'"{key}" IS ?' for key in keys)
    column, _ = rng.choice(columns)
    old = connection.execute(f'SELECT "{column}" FROM {table} WHERE {where}', at).fetchone()[0]
    value = _new_cell(rng, old)
    if table == "sealed_day" and column == "packed" and isinstance(value, bytes) and rng.random() < 0.6:
        digest = hashlib.sha256(value).hexdigest()  # a table that lies, and says so well
        connection.execute(
            f"UPDATE sealed_day SET packed = ?, checksum = ? WHERE {where}", (value, digest, *at)
        )
        return f"{table} {at}: packed with its checksum"
    if every:
        connection.execute(f'UPDATE {table} SET "{column}" = ?', (value,))
    else:
        connection.execute(f'UPDATE {table} SET "{column}" = ? WHERE {where}', (value, *at))
    return f"{table} {'all' if every else at}: {column} = {value!r:.200}"


def _new_cell(rng: random.Random, old: Any) -> Any:
    if isinstance(old, bytes) and old and rng.random() < 0.8:
        broken = bytearray(old)
        for _ in range(rng.choice([1, 2, 20])):
            broken[rng.randrange(len(broken))] ^= 1 << rng.randrange(8)
        return bytes(broken[: rng.randrange(len(broken))] if rng.random() < 0.2 else broken)
    if isinstance(old, str) and old.startswith("{") and rng.random() < 0.8:
        body, seal, checksum = old.partition("\nsha256 ")
        return json.dumps(_changed(rng, json.loads(body))) + seal + checksum
    if isinstance(old, int) and rng.random() < 0.3:
        return rng.choice(
            [old + 1, old - DAY_MS, old + 400 * DAY_MS, old + 40_000 * DAY_MS, -old, old * 1000]
        )
    if isinstance(old, float) and rng.random() < 0.3:
        return rng.choice([-old, old * 1e6, old * 1e-9, 0.0])
    return rng.choice(CELLS)


def _changed(rng: random.Random, document: Any) -> Any:
    """A document with one leaf or branch of it replaced or taken out."""
    if isinstance(document, dict) and document and rng.random() < 0.85:
        key = rng.choice(list(document))
        if rng.random() < 0.15:
            return {name: value for name, value in document.items() if name != key}
        return document | {key: _changed(rng, document[key])}
    if isinstance(document, list) and document and rng.random() < 0.7:
        place = rng.randrange(len(document))
        return [*document[:place], _changed(rng, document[place]), *document[place + 1 :]]
    return hostile_value(rng)


def invoke(database: Path, folder: Path, command: tuple[str, ...]) -> Result:
    """Run a command of the command line in this process."""
    settings = _settings(folder)
    words = [word.replace("{folder}", str(folder)) for word in command]
    return CliRunner().invoke(heatdrift, [*words, "--settings", str(settings), "--database", str(database)])


def _settings(folder: Path) -> Path:
    path = folder / "empty.toml"
    path.touch()
    return path


def check_command(database: Path, folder: Path, command: tuple[str, ...]) -> None:
    """Run a command: it answers, or says in one line what is wrong and ends with status 2."""
    for name in ("table.csv", "table.parquet", "journal.toml"):
        (folder / name).unlink(missing_ok=True)
    shutil.rmtree(folder / "backups", ignore_errors=True)
    result = invoke(database, folder, command)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception.with_traceback(result.exception.__traceback__)
    unsafe = [char for char in result.output.replace("\r\n", "\n") if is_unsafe(char)]
    assert not unsafe, f"{command[0]} prints {unsafe[0]!r}"
    assert "Traceback" not in result.stderr, result.stderr[-2000:]
    starts = ("heatdrift: ", "Error: ")  # the second is what the library says, which `main` puts into words
    complaints = [line for line in result.stderr.splitlines() if line.startswith(starts)]
    is_refused = result.exit_code in REFUSALS
    if is_refused and command[0] != "status":
        assert complaints, f"{command[0]} ends with status {result.exit_code} and says nothing"
    if is_refused and complaints:
        raise StoreError(complaints[-1], remedy=complaints[-1].partition(": ")[2])


def check_doctor(database: Path, folder: Path, *, is_thorough: bool) -> None:
    """What the doctor says of the record; it answers whatever is wrong."""
    settings = load(database=str(database), settings_file=_settings(folder), environment={})
    for check in check_record(settings, END_UTC_MS, is_thorough=is_thorough):
        assert check.said
        assert check.state != "act" or check.remedy, check.said


def hostile_words(rng: random.Random) -> tuple[str, ...]:
    """A command with hostile words where its options have values."""

    def filled(word: str) -> str:
        text = rng.choice([*OPTION_TEXTS, "2026-01-01", "2026-01-02T03:04:05Z", "1", "12.5", "2026-01"])
        text = text.replace("/", "-") if word.startswith("{folder}") else text
        return word.replace("{}", text[:100] if word.startswith("{folder}") else text)

    return tuple(filled(word) for word in rng.choice(OPTIONS))


def check_guard(database: Path) -> None:
    """What a guard that starts anew reads of the last days, and what the service reads of its outbox."""
    opened = open_reader(str(database))
    try:
        reader = Reader(opened)
        heat = round(GuardSettings().fan_heat_c * 1000)
        fans_at_heat(opened, reader.machine_id, 0, heat)
        liquid_metal_paths(opened, reader.machine_id, ["gpu0", "cpu0"])
        for _ in heat_rows(opened, reader.machine_id, "gpu0", END_UTC_MS - DAY_MS // 8):
            pass
        outbox = Outbox(opened, reader.machine_id)
        outbox.next_due_utc_ms(END_UTC_MS)
        outbox.due(END_UTC_MS)
        reader.gaps()
        reader.boots()
        reader.identity_changes()
        reader.channels()
    finally:
        opened.close()


def memory_folder(otherwise: Path) -> Path:
    """A folder in memory where there is one: thousands of copies are none for a disk."""
    memory = Path("/dev/shm")
    return memory if os.access(memory, os.W_OK) else otherwise
