"""A real process, a real database and a real signal: what was read is written before the end."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from heatdrift.store.database import open_writer
from heatdrift.store.writer import Writer

PROGRAM = """
import os, sys, threading
from importlib.util import module_from_spec, spec_from_file_location
spec = spec_from_file_location("hand_made", sys.argv[1])
hand_made = module_from_spec(spec)
spec.loader.exec_module(hand_made)
from heatdrift.daemon.cadence import CadenceSettings
from heatdrift.daemon.clock import FastClock
from heatdrift.daemon.service import Service, ServiceSettings
from heatdrift.daemon.signals import stop_on_signals
from heatdrift.store.database import open_writer
from heatdrift.store.writer import Writer

computer = hand_made.HandMadeComputer()
url = sys.argv[2]
stop = threading.Event()
stop_on_signals(stop)
clock = FastClock(20.0, 1_767_225_600_000)
settings = ServiceSettings(url, flush_s=1e9, flush_looks=10**9, overload_s=1e9, tasks=())
service = Service(computer.layout, lambda: Writer(open_writer(url), "machine-1", "machine"), clock, settings)
inner = computer.card.read
def read(at_boot_s):
    if computer.card.n_reads == 5:
        print("looking", flush=True)
    return inner(at_boot_s)
computer.card.read = read
status = service.run(stop)
print(computer.card.n_reads, flush=True)
sys.exit(status)
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_writes_everything_and_ends_in_order(tmp_path: Path, number: signal.Signals) -> None:
    url = f"sqlite:///{tmp_path / 'heatdrift.sqlite'}"
    doubles = str(Path(__file__).with_name("conftest.py"))
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, doubles, url], stdout=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout is not None
        assert running.stdout.readline() == "looking\n"
        running.send_signal(number)
        n_looks = int(running.stdout.readline())
        assert running.wait(60) == 0
    writer = Writer(database := open_writer(url), "machine-1", "machine")
    with database.begin() as connection:
        stored = connection.exec_driver_sql("select sum(n_looks) from source_sample").scalar()
    writer.release()
    assert stored == n_looks >= 6
    assert not Path(str(tmp_path / "heatdrift.sqlite-wal")).exists()
