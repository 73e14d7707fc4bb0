"""A damaged record on the command line: found, repaired by hand or by the service, and said."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from heatdrift.cli.main import heatdrift as cli
from heatdrift.store.backup import backup
from heatdrift.store.damage import set_aside
from heatdrift.store.database import open_reader
from heatdrift.store.reader import Reader

from .conftest import write_record

DEADLINE_S = 120.0


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """A record with a backup, and one value in it that was never written."""
    path = tmp_path / "record.sqlite"
    now_ms = time.time_ns() // 1_000_000
    write_record(path, now_ms)
    database = open_reader(str(path))
    backup(database, tmp_path / "backups", now_ms)
    database.close()
    connection = sqlite3.connect(path)
    with connection:
        connection.execute(
            "UPDATE source_sample SET temperature_milli_c = temperature_milli_c + 4096 "
            "WHERE time_utc_ms = (SELECT max(time_utc_ms) FROM source_sample) AND source_id = 1"
        )
    connection.close()
    return path


def call(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words), catch_exceptions=False)


def temperatures(path: Path) -> list[float]:
    database = open_reader(str(path))
    try:
        return [float(value) for value in Reader(database).source_frame("cpu0")["temperature_c"]]
    finally:
        database.close()


def test_a_changed_value_is_found_and_made_good(record: Path) -> None:
    database = ("--database", str(record))
    assert max(temperatures(record)) > 80
    found = call("upkeep", *database)
    assert found.exit_code == 3
    assert "a row of source_sample is not what was written" in found.stderr
    assert "upkeep --repair" in found.stderr
    assert len(list((record.parent / "backups").glob("*Z.db"))) == 1  # none was made of the damaged record
    repaired = call("upkeep", "--repair", *database)
    assert repaired.exit_code == 0, repaired.output
    assert "1 place of it could not be read" in " ".join(repaired.stdout.split()), repaired.stdout
    (kept,) = set_aside(record)
    assert str(kept) in repaired.stdout.replace("\n", "")
    assert temperatures(record) == [50 + number / 2 for number in range(60)]
    assert call("upkeep", *database).exit_code == 0
    assert "nothing is wrong" in call("upkeep", "--repair", *database).stdout


def test_doctor_and_status_say_it(record: Path) -> None:
    database = ("--database", str(record))
    with record.open("r+b") as file:
        file.seek(3)
        file.write(b"\x00")
    checks = json.loads(call("doctor", "--fake", "laptop", "--json", *database).stdout)["checks"]
    (damage,) = [one for one in checks if one["name"] == "damage"]
    assert damage["state"] == "act"
    assert "its first bytes are not what was written" in damage["said"]
    assert "upkeep --repair" in damage["remedy"]
    assert call("upkeep", "--repair", *database).exit_code == 0
    checks = json.loads(call("doctor", "--fake", "laptop", "--json", *database).stdout)["checks"]
    fine, note = [one for one in checks if one["name"] == "damage"]
    assert (fine["state"], note["state"]) == ("fine", "note")
    assert "1 damaged record set aside" in note["said"]
    assert "repaired" in call("status", *database).stdout


def test_another_program_s_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "recipes.db"
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("CREATE TABLE recipes (cake TEXT)")
    connection.close()
    before = path.read_bytes()
    refused = call("upkeep", "--repair", "--database", str(path))
    assert refused.exit_code == 2
    assert "is no database of heatdrift" in refused.stderr
    assert path.read_bytes() == before


def test_who_has_the_file_open_is_named(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It would go on writing into the file that is set aside."""
    monkeypatch.setattr("heatdrift.cli.repairing.PATIENCE_S", 0.0)
    code = f"import sys; file = open({str(record)!r}); print('open', flush=True); sys.stdin.read()"
    command = [sys.executable, "-c", code]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdin is not None and other.stdout is not None
        assert other.stdout.readline() == "open\n"
        refused = call("upkeep", "--repair", "--database", str(record))
        other.stdin.close()
    assert refused.exit_code == 2
    assert f"process {other.pid} has" in refused.stderr
    assert not set_aside(record)


def test_the_service_repairs_after_a_power_cut(tmp_path: Path) -> None:
    """The command as it is: killed, its log damaged, started again; and again, which finds nothing more."""
    path = tmp_path / "store" / "record.sqlite"
    wal = path.with_name("record.sqlite-wal")
    # A dozen commits: what is broken in the last one looks as a write that was cut short.
    record_until(
        path, tmp_path / "log-0", lambda: wal.exists() and wal.stat().st_size > 100 * 4120, signal.SIGKILL
    )
    content = bytearray(wal.read_bytes())
    content[len(content) // 2] ^= 1
    wal.write_bytes(content)
    record_until(path, tmp_path / "log-1", lambda: "recording cpu0" in (tmp_path / "log-1").read_text())
    record_until(path, tmp_path / "log-2", lambda: "recording cpu0" in (tmp_path / "log-2").read_text())
    first, second = ((tmp_path / name).read_text() for name in ("log-1", "log-2"))
    assert "the database is damaged and is being repaired" in first
    assert "the log beside it is broken" in first
    assert "damaged" not in second
    (kept,) = set_aside(path)
    assert kept.with_name(kept.name + "-wal").read_bytes() == content
    assert "repaired" in call("status", "--database", str(path)).stdout


def record_until(path: Path, log: Path, is_enough: Callable[[], bool], end: int = signal.SIGTERM) -> None:
    """Record an invented laptop in a process of its own, at sixty times its pace."""
    command = [sys.executable, "-m", "heatdrift", "run", "--fake", "laptop", "--speed", "60"]
    with log.open("w") as file:
        recorder = subprocess.Popen([*command, "--database", str(path)], stderr=file)
    until_s = time.monotonic() + DEADLINE_S
    while not is_enough() and time.monotonic() < until_s:
        time.sleep(0.05)
    os.kill(recorder.pid, end)
    recorder.wait(DEADLINE_S)
    assert is_enough(), log.read_text()


def test_what_doctor_names_can_be_called(record: Path) -> None:
    """Parts of the nightly work are noted under names that are no commands."""
    call("upkeep", "--database", str(record))
    checks = json.loads(call("doctor", "--fake", "laptop", "--json", "--database", str(record)).stdout)[
        "checks"
    ]
    remedies = [one["remedy"] for one in checks if " failed " in one["said"]]
    assert set(remedies) == {"heatdrift upkeep -- by hand it says more"}
