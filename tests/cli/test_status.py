"""Status: is it recording, and what; on a full, an empty and an absent database."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from heatdrift.cli.main import heatdrift
from heatdrift.cli.pulse import FRESH_S, pulse, recorder_pid
from heatdrift.store.database import open_writer

Record = Callable[..., str]
StateOf = Callable[[int], dict[str, str]]

NOW_UTC_MS = 1_780_000_000_000
DEAD_PID = "4194305"  # above the largest number that Linux gives


def status(database: str, *options: str) -> Result:
    return CliRunner().invoke(heatdrift, ["status", "--database", database, *options])


def test_absent_database_is_one_line_and_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "none.sqlite"
    done = status(str(path))
    assert done.exit_code == 2
    assert done.stdout == ""
    assert "there is no database" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not path.exists()


def test_empty_database_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "empty.sqlite"
    open_writer(str(path)).close()
    done = status(str(path))
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 1


def test_foreign_file_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_text("Dear Ann, this is no database at all, however long you look at it.\n" * 20)
    done = status(str(path))
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 1


def test_stopped_recorder(tmp_path: Path, now_utc_ms: int, record: Record, running_state: StateOf) -> None:
    state = running_state(now_utc_ms) | {"state": "stopped"}
    done = status(record(tmp_path / "r.sqlite", now_utc_ms, state))
    assert done.exit_code == 2
    assert "recording   no, it was stopped" in done.stdout


def test_record_reads_plainly_in_80_columns(
    tmp_path: Path, now_utc_ms: int, record: Record, running_state: StateOf
) -> None:
    done = status(record(tmp_path / "r.sqlite", now_utc_ms, running_state(now_utc_ms)))
    assert done.exit_code == 0
    lines = done.stdout.splitlines()
    assert all(len(line) <= 80 or line.split()[-1].startswith(str(tmp_path)) for line in lines)
    assert "\x1b" not in done.stdout
    assert "dove" in lines[0]
    gpu = next(line for line in lines if line.startswith("gpu0"))
    assert gpu.endswith("40.0 °C  12.5 W")
    assert "fan1 2450 rpm" in done.stdout
    assert "8 h 0 min  suspend" in done.stdout
    assert "own cost    0.10 % of one core, 45 MB of memory" in done.stdout  # 3.6 s in an hour


def test_record_for_programs(tmp_path: Path, now_utc_ms: int, record: Record, running_state: StateOf) -> None:
    path = record(tmp_path / "r.sqlite", now_utc_ms, running_state(now_utc_ms))
    found = json.loads(status(path, "--json").stdout)
    assert found["machine"] == {"uuid": "7b2f6f7e-6f0a-5f5e-9d5e-0123456789ab", "name": "dove"}
    cpu = found["sources"][0]
    assert cpu["last_row"]["temperature_c"] == 79.5
    assert cpu["last_row"]["clock_mhz"] is None
    assert cpu["last_row"]["cadence"] == "idle"
    assert found["gaps"][0]["reason"] == "suspend"
    assert found["cost"]["cpu_pct"] == pytest.approx(0.1, rel=1e-9)  # plain division of the figures above
    assert set(found["next_work"]) == {"seal", "backup", "check"}


def test_machine_that_is_not_there_is_refused(tmp_path: Path, now_utc_ms: int, record: Record) -> None:
    done = status(record(tmp_path / "r.sqlite", now_utc_ms), "--machine", "hawk")
    assert done.exit_code == 2
    assert "hawk" in done.stderr


@pytest.mark.parametrize(
    ("changes", "heard_ago_s", "is_recording", "words"),
    [
        ({}, 10, True, "yes, process"),
        ({}, FRESH_S + 1, False, "was last heard"),
        ({"pid": DEAD_PID}, 10, False, "ended without a word"),
        ({"pid": "1"}, 10, False, "ended without a word"),
        ({"state": "stopped"}, 10, False, "was stopped 10 s ago"),
    ],
    ids=["alive", "silent", "dead", "number given again", "stopped"],
)
def test_pulse(
    changes: dict[str, str], heard_ago_s: float, is_recording: bool, words: str, running_state: StateOf
) -> None:
    state = running_state(NOW_UTC_MS) | changes
    found = pulse(state, NOW_UTC_MS - round(heard_ago_s * 1000), NOW_UTC_MS)
    assert found.is_recording is is_recording
    assert words in found.words


def test_recorder_that_never_was() -> None:
    assert recorder_pid({}) is None
    assert pulse({}, None, NOW_UTC_MS).words == "no, and it never was here"
