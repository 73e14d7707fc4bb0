"""Runs commands in forked children that can be killed, because a fresh interpreter costs seconds each time.

Run as a script it is the server: for each line ``["name", [arguments]]`` it forks a child that does it, says
the child's process id; for an empty line it waits for the child and says its status. `Lives` is the other
side. A forked child opens files and databases itself, so nobody can tell it from a process of its own.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from heatdrift.cli.history import open_history
from heatdrift.cli.judge import judge_night
from heatdrift.cli.monthly_reports import write_missing_months
from heatdrift.cli.report_making import make_report
from heatdrift.cli.report_writing import write_report
from heatdrift.cli.settings import load
from heatdrift.daemon.channels import open_channels
from heatdrift.daemon.delivery import Sender
from heatdrift.daemon.message_settings import MessageSettings
from heatdrift.reports.monthly_settings import MonthlySettings
from heatdrift.reports.reference_conditions import ReferenceConditions
from heatdrift.store.database import open_writer
from heatdrift.store.outbox import Outbox

GENEROUS_S = 600.0  # a guard against hanging


class Lives:
    """Starts one child after the other.

    Parameters
    ----------
    server
        The process that forks them.
    """

    def __init__(self, server: subprocess.Popen[str]) -> None:
        self._server = server
        self.pid = 0

    def begin(self, name: str, *arguments: object) -> None:
        """Start one; see `WORKS` for the names."""
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.write(json.dumps([name, arguments]) + "\n")
        self._server.stdin.flush()
        self.pid = int(self._server.stdout.readline())

    def end(self) -> int:
        """Wait for it; its exit status, -9 where it was killed."""
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.write("\n")
        self._server.stdin.flush()
        return int(self._server.stdout.readline())

    def kill_after(self, cpu_s: float) -> bool:
        """Kill it once it has worked so long, on its own clock; False where it had ended before."""
        while (spent_s := _cpu_s(self.pid)) is not None and spent_s < cpu_s:
            time.sleep(0.002)
        return self.kill() == -signal.SIGKILL

    def cost(self, name: str, *arguments: object) -> float:
        """See one through and say how long it worked [s]."""
        self.begin(name, *arguments)
        most_s = 0.0
        while (spent_s := _cpu_s(self.pid)) is not None:
            most_s = spent_s
            time.sleep(0.002)
        status = self.end()
        assert status == 0, (name, status)
        return most_s

    def kill(self) -> int:
        """Kill it where it still lives; 0 where it had ended in peace."""
        os.kill(self.pid, signal.SIGKILL)  # its number is its own until the server has waited for it
        return self.end()

    def do(self, name: str, *arguments: object) -> None:
        """Start one and see it through."""
        self.begin(name, *arguments)
        status = self.end()
        assert status == 0, (name, status)


def _cpu_s(pid: int) -> float | None:
    """Processor time of a process [s]; None once it has ended."""
    words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return None if words[0] == "Z" else (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


@contextlib.contextmanager
def lives(*prepared: str) -> Iterator[Lives]:
    """A server for as long as the block lasts; with a database it holds the report to write."""
    command = [sys.executable, __file__, *prepared]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        try:
            yield Lives(server)
        finally:
            if server.stdin is not None:
                server.stdin.close()


def judge(database: str, now_utc_ms: int) -> None:
    """What ``heatdrift judge`` does, at a moment."""
    with open_history(load(database=database, environment={}), None) as history:
        judge_night(history, ReferenceConditions(), now_utc_ms)


def months(database: str, folder: str, now_utc_ms: int) -> None:
    """What ``heatdrift report --monthly`` does, at a moment, where the owner wants to be told."""
    settings = MonthlySettings(Path(folder), is_sent=True)
    with open_history(load(database=database, environment={}), None) as history:
        write_missing_months(history, database, ReferenceConditions(), settings, now_utc_ms)


def write(folder: str) -> None:
    """Write the report that the server has made, as a page and for programs."""
    for name in ("json", "html"):
        write_report(MADE[0], name, Path(folder) / f"report.{name}")


def make(database: str) -> None:
    """Make a report of the whole record, once for all children."""
    stack = contextlib.ExitStack()
    history = stack.enter_context(open_history(load(database=database, environment={}), None))
    span = history.reader.span_utc_ms()
    assert span is not None
    MADE.append(make_report(history, history.update(), ReferenceConditions(), span))
    MADE.append(stack)  # stays open for as long as this process lives


def send(database: str, urls: list[str], now_utc_ms: int) -> None:
    """What ``heatdrift messages send`` does, at a moment."""
    writing = open_writer(database, keeps_checkpoints=False)
    settings = MessageSettings(quiet_from="07:00", quiet_to="07:00")
    Sender(Outbox(writing, 1), open_channels(urls, "m", 5), settings, lambda: now_utc_ms).run()
    writing.close()


WORKS: dict[str, Callable[..., None]] = {"judge": judge, "months": months, "send": send, "write": write}
MADE: list[Any] = []


def serve() -> None:
    """Fork a child for each line of standard input."""
    if len(sys.argv) > 1:
        make(sys.argv[1])
        with tempfile.TemporaryDirectory() as folder:
            write(folder)  # what is drawn once is drawn for all
    while line := sys.stdin.readline():
        name, arguments = json.loads(line)
        pid = os.fork()
        if pid == 0:
            with Path(os.devnull).open("w") as nowhere:
                os.dup2(nowhere.fileno(), 1)
            status = 1
            try:
                WORKS[name](*arguments)
                status = 0
            finally:
                os._exit(status)
        print(pid, flush=True)
        sys.stdin.readline()
        _, ended = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(ended), flush=True)


def await_file(folder: Path, pattern: str, for_s: float) -> bool:
    """Wait until a file appears, but no longer than that."""
    until_s = time.monotonic() + for_s
    while time.monotonic() < until_s:
        if any(folder.glob(pattern)):
            return True
        time.sleep(0.0005)
    return False


if __name__ == "__main__":
    serve()
