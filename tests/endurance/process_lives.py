"""Runs commands in forked children that can be killed, because a fresh interpreter costs seconds each time.

Run as a script it is the server: for each line ``["name", [arguments]]`` it forks a child that does it, says
the child's process id; for an empty line it waits for the child and says its status. `Lives` is the other
side. A forked child opens files and databases itself, so nobody can tell it from a process of its own.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

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

    def kill(self) -> int:
        """Kill it where it still lives; 0 where it had ended in peace."""
        os.kill(self.pid, signal.SIGKILL)  # its number is its own until the server has waited for it
        return self.end()

    def do(self, name: str, *arguments: object) -> None:
        """Start one and see it through."""
        self.begin(name, *arguments)
        status = self.end()
        assert status == 0, (name, status)


@contextlib.contextmanager
def lives() -> Iterator[Lives]:
    """A server for as long as the block lasts."""
    command = [sys.executable, __file__]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        try:
            yield Lives(server)
        finally:
            if server.stdin is not None:
                server.stdin.close()


def judge(database: str, now_utc_ms: int) -> None:
    """What ``heatdrift judge`` does, at a moment."""
    from heatdrift.cli.history import open_history
    from heatdrift.cli.judge import judge_night
    from heatdrift.cli.settings import load
    from heatdrift.reports.reference_conditions import ReferenceConditions

    with open_history(load(database=database, environment={}), None) as history:
        judge_night(history, ReferenceConditions(), now_utc_ms)


def months(database: str, folder: str, now_utc_ms: int) -> None:
    """What ``heatdrift report --monthly`` does, at a moment, where the owner wants to be told."""
    from heatdrift.cli.history import open_history
    from heatdrift.cli.monthly_reports import write_missing_months
    from heatdrift.cli.settings import load
    from heatdrift.reports.monthly_settings import MonthlySettings
    from heatdrift.reports.reference_conditions import ReferenceConditions

    settings = MonthlySettings(Path(folder), is_sent=True)
    with open_history(load(database=database, environment={}), None) as history:
        write_missing_months(history, database, ReferenceConditions(), settings, now_utc_ms)


def send(database: str, urls: list[str], now_utc_ms: int) -> None:
    """What ``heatdrift messages send`` does, at a moment."""
    from heatdrift.daemon.channels import open_channels
    from heatdrift.daemon.delivery import Sender
    from heatdrift.daemon.message_settings import MessageSettings
    from heatdrift.store.database import open_writer
    from heatdrift.store.outbox import Outbox

    writing = open_writer(database, keeps_checkpoints=False)
    settings = MessageSettings(quiet_from="07:00", quiet_to="07:00")
    Sender(Outbox(writing, 1), open_channels(urls, "m", 5), settings, lambda: now_utc_ms).run()
    writing.close()


# Once, for all children.
LOADED = ("heatdrift.cli.main", "heatdrift.cli.monthly_reports", "heatdrift.daemon.channels")
WORKS = {"judge": judge, "months": months, "send": send}


def serve() -> None:
    """Fork a child for each line of standard input."""
    for module in LOADED:
        importlib.import_module(module)
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
    return False


if __name__ == "__main__":
    serve()
