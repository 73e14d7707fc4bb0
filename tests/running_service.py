"""The service as `heatdrift run` starts it, with an invented machine behind the doors and fast time."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import psutil

from heatdrift.cli.settings import load
from heatdrift.cli.wiring import identity
from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.store.database import open_writer
from heatdrift.store.message import Lane, Message, Severity
from heatdrift.store.outbox import Outbox
from heatdrift.store.writer import Writer

DEADLINE_S = 180.0

# Begins weeks after what was recorded before, in a night without load: the work of the night is due at once.
SERVICE = """
import os, sys, threading
from pathlib import Path
from heatdrift.cli import wiring
from heatdrift.daemon import service
from heatdrift.cli.fake_machine import Fake
from heatdrift.cli.settings import SETTINGS_VARIABLE, load
from heatdrift.cli.speech import configure_logging
from heatdrift.daemon.clock import FastClock
from heatdrift.daemon.notify import notifier_of
from heatdrift.daemon.signals import stop_on_signals
configure_logging(True)
service.QUIET_S = 0.0  # a test need not wait until nobody wants the machine
speed, start_utc_ms = float(sys.argv[2]), int(sys.argv[3])
settings = load(settings_file=Path(sys.argv[1]), environment=os.environ)
os.environ[SETTINGS_VARIABLE] = sys.argv[1]
stop = threading.Event()
stop_on_signals(stop)
with wiring.open_doors(Fake("laptop", 1, speed), start_utc_ms) as doors:
    wiring.service(settings, doors, FastClock(speed, start_utc_ms), notifier_of(os.environ)).run(stop)
"""
SPEED = 4.0
AT_NIGHT_MS = START_UTC_MS + 40 * 86_400_000 + 3 * 3_600_000


@contextlib.contextmanager
def service(settings: Path, log: Path) -> Iterator[psutil.Process]:
    """The service on an invented machine, in a process of its own."""
    words = [sys.executable, "-c", SERVICE, str(settings), str(SPEED), str(AT_NIGHT_MS)]
    with log.open("w") as said, subprocess.Popen(words, stdout=said, stderr=said) as process:
        try:
            yield psutil.Process(process.pid)
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(DEADLINE_S)


def recorded(url: str) -> None:
    """A day of an invented laptop under the identity of this machine, and a message that waits to be sent."""
    uuid = identity(load(database=url, environment={}))
    with closing(open_writer(url)) as database:
        writer = Writer(database, uuid, "wren")
        record_history(writer, FakeMachine.of("laptop", 3, load_hours_a_day=0.3), START_UTC_MS, 1.1)
        told = Message(Lane.CREEP, Severity.WARNING, "k", START_UTC_MS, "gpu0 creeps", "by 9 %")
        Outbox(database, writer.machine_id).queue(told)


def command_lines() -> list[str]:
    """Of every process on this machine: what everybody may see."""
    lines = []
    for process in psutil.process_iter():
        with contextlib.suppress(psutil.Error):
            lines.append(" ".join(process.cmdline()))
    return lines


def family(process: psutil.Process) -> list[psutil.Process]:
    """A process and all that it started."""
    with contextlib.suppress(psutil.Error):
        return [process, *process.children(recursive=True)]
    return []


def started(process: psutil.Process, words: set[str]) -> set[str]:
    """Which of the words stand in the command lines of the children."""
    lines = []
    for child in family(process)[1:]:
        with contextlib.suppress(psutil.Error):
            lines.append(" ".join(child.cmdline()))
    return {word for word in words if any(word in line for line in lines)}


def internet_sockets(process: psutil.Process) -> list[str]:
    """Every socket of the service and its children that leads to a network, or from one."""
    found = []
    for one in family(process):
        with contextlib.suppress(psutil.Error):
            found += [f"{' '.join(one.cmdline())}: {socket}" for socket in one.net_connections("inet")]
    return found


ACCEPTS = 0x10000  # __SO_ACCEPTCON, in the fourth column of /proc/net/unix


def listening(process: psutil.Process) -> list[str]:
    """Every socket of the service and its children that waits for somebody to connect."""
    lines = [line.split() for line in Path("/proc/net/unix").read_text().splitlines()[1:]]
    accepting = {words[6] for words in lines if int(words[3], 16) & ACCEPTS}
    found = []
    for one in family(process):
        with contextlib.suppress(psutil.Error, OSError):
            inet = one.net_connections("inet")
            # A datagram socket with an address of its own hears whoever writes to it.
            found += [
                str(s) for s in inet if s.status == psutil.CONN_LISTEN or (any(s.laddr) and not any(s.raddr))
            ]
            for link in Path(f"/proc/{one.pid}/fd").iterdir():
                with contextlib.suppress(OSError):
                    target = str(link.readlink())
                    if target.startswith("socket:[") and target[8:-1] in accepting:
                        found.append(f"{one.pid} {target}")
    return found
