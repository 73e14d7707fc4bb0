"""Recording: refusals that leave nothing behind, and an invented machine from start to SIGTERM."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from heatdrift.cli import wiring
from heatdrift.cli.fake_machine import Fake
from heatdrift.cli.main import heatdrift
from heatdrift.cli.pulse import refuse_beside_a_recorder
from heatdrift.cli.run import settings_for
from heatdrift.cli.settings import load
from heatdrift.daemon.clock import TurnableClock
from heatdrift.daemon.discovery import Doors
from heatdrift.daemon.notify import SilentNotifier
from heatdrift.store.database import open_reader
from heatdrift.store.errors import DatabaseBusyError, NoSensorsError
from heatdrift.store.records import Cadence
from heatdrift.store.schema import source_sample
from heatdrift.store.summary import summary

Record = Callable[..., str]
StateOf = Callable[[int], dict[str, str]]
SPEED = 60
STOP_S = 5.0  # what the service promises between SIGTERM and its end
ENOUGH_STEP_ROWS = 20  # of the 71 looks of one step window on one source
LONGEST_WAIT_S = 60.0  # a guard against hanging; the rows come within some seconds


def start(home: Path, *arguments: str, **variables: str) -> subprocess.Popen[str]:
    keep = {key: value for key, value in os.environ.items() if not key.startswith(("HEATDRIFT", "XDG"))}
    return subprocess.Popen(
        [sys.executable, "-m", "heatdrift", "run", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**keep, "HOME": str(home), **variables},
    )


def n_step_rows(path: Path) -> int:
    """Rows at full density so far; 0 while there is no table yet."""
    if not path.exists():
        return 0
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        query = f"SELECT count(*) FROM {source_sample.name} WHERE cadence = ?"
        return int(connection.execute(query, (int(Cadence.STEP),)).fetchone()[0])
    except sqlite3.OperationalError:
        return 0
    finally:
        connection.close()


def test_machine_without_sensors_gets_a_message_and_no_database(tmp_path: Path) -> None:
    for name in ("sys", "proc"):
        (tmp_path / name).mkdir()
    path = tmp_path / "record" / "r.sqlite"
    settings = load(database=str(path), environment={}, default_file=tmp_path / "none")
    doors = Doors(sys_root=tmp_path / "sys", proc_root=tmp_path / "proc", nvml=None, use_portable=False)
    service = wiring.service(settings, doors, TurnableClock(), SilentNotifier())
    with pytest.raises(NoSensorsError) as caught:
        service.run(threading.Event())
    assert "heatdrift run --fake laptop" in caught.value.remedy
    assert not path.parent.exists()


def test_invented_machine_is_recorded_until_sigterm(tmp_path: Path) -> None:
    path = tmp_path / "fake.sqlite"
    process = start(
        tmp_path, "--fake", "laptop", "--speed", str(SPEED), "--seed", "2", "--database", str(path)
    )
    try:
        until_s = time.monotonic() + LONGEST_WAIT_S
        while n_step_rows(path) < ENOUGH_STEP_ROWS and process.poll() is None and time.monotonic() < until_s:
            time.sleep(0.2)
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=STOP_S)
    finally:
        process.kill()
    assert process.returncode == 0, said
    assert "every row is written" in said
    assert f"heatdrift status --database {path}" in said
    database = open_reader(str(path))
    found = summary(database, time.time_ns() // 1_000_000)
    database.close()
    assert {source.name for source in found.sources} == {"cpu0", "gpu0"}
    assert found.machine_name == "fake laptop 2"
    assert found.state["state"] == "stopped"
    assert n_step_rows(path) >= ENOUGH_STEP_ROWS
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
    assert sorted(file.name for file in tmp_path.iterdir()) == ["fake.sqlite"]  # no log left to copy in


def test_invented_machine_stops_by_itself_and_goes_on_later(tmp_path: Path) -> None:
    """The second run begins after the first one's rows, though its clock was far ahead of ours."""
    arguments = ("--fake", "desktop", "--speed", str(SPEED), "--for", "90s")
    lasts = []
    path = tmp_path / "data" / "heatdrift" / "fake-desktop-1.sqlite"
    for _ in range(2):
        process = start(tmp_path, *arguments, XDG_DATA_HOME=str(tmp_path / "data"))
        _, said = process.communicate(timeout=LONGEST_WAIT_S)
        assert process.returncode == 0, said
        assert "set back" not in said
        database = open_reader(str(path))
        lasts.append(summary(database, 0).last_sample_utc_ms or 0)
        database.close()
    assert lasts[1] > lasts[0] > 0


def test_invented_rows_go_to_a_database_of_their_own(tmp_path: Path) -> None:
    environment = {"HEATDRIFT_DATABASE": str(tmp_path / "real.sqlite")}
    real = load(environment=environment, default_file=tmp_path / "none")
    fake = settings_for(Fake("laptop", 3), real)
    assert fake.database.endswith("fake-laptop-3.sqlite")
    chosen = load(database=str(tmp_path / "x.sqlite"), environment=environment, default_file=tmp_path / "no")
    assert settings_for(Fake("laptop", 3), chosen).database == str(tmp_path / "x.sqlite")


def test_invented_machines_never_share_an_identity_with_this_one(tmp_path: Path) -> None:
    settings = load(database=str(tmp_path / "r.sqlite"), environment={}, default_file=tmp_path / "none")
    fakes = [Fake("laptop", 1), Fake("laptop", 2), Fake("desktop", 1), None]
    assert len({wiring.identity(settings, fake) for fake in fakes}) == len(fakes)


def test_fast_time_does_not_make_overload(tmp_path: Path) -> None:
    settings = load(environment={}, default_file=tmp_path / "none")
    real = wiring.service_settings(settings)
    fast = wiring.service_settings(settings, Fake("laptop", 1, speed=60))
    assert fast == replace(real, overload_s=60 * real.overload_s)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--speed", "2"), "--speed needs --fake"),
        (("--seed", "2"), "--seed needs --fake"),
        (("--fake", "toaster"), "toaster"),
        (("--for", "10"), "write 90s, 10min, 8h or 2d"),
        (("--for", "0s"), "is no length of time"),
    ],
)
def test_wrong_arguments_are_refused(arguments: tuple[str, ...], words: str) -> None:
    done = CliRunner().invoke(heatdrift, ["run", *arguments])
    assert done.exit_code == 2
    assert words in done.stderr


def test_second_recorder_on_one_database_is_refused(
    tmp_path: Path, record: Record, running_state: StateOf, now_utc_ms: int
) -> None:
    path = record(tmp_path / "r.sqlite", now_utc_ms, running_state(now_utc_ms))
    uuid = "7b2f6f7e-6f0a-5f5e-9d5e-0123456789ab"
    pid = int(running_state(now_utc_ms)["pid"])
    with pytest.raises(DatabaseBusyError, match=f"process {pid}"):
        refuse_beside_a_recorder(path, uuid, allowed_pid=os.getpid())
    refuse_beside_a_recorder(path, uuid, allowed_pid=pid)  # its own child
    with pytest.raises(DatabaseBusyError):
        refuse_beside_a_recorder(path, "another machine", allowed_pid=os.getpid())
    refuse_beside_a_recorder(str(tmp_path / "none.sqlite"), uuid, allowed_pid=os.getpid())
