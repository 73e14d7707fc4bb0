"""All that a server does to those who write to it, at random moments, with a recorder that is killed."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from heatdrift.daemon.clock import TurnableClock
from heatdrift.daemon.courier import Courier
from heatdrift.store.spool import Spool, waiting

from ..conftest import _binaries, _run, _unprivileged_user
from .process_ledger import Ledger
from .server_child import meeting
from .server_proxy import Wire
from .server_rig import PATIENCE_S, Lives, reckon, reckon_tasks

KILL_SHARE = 0.5
RESTARTS = ("fast", "immediate")  # sessions are ended; as after a power cut
WORDS = ("rows wait in", "the connection is given up")


class Server:
    """A PostgreSQL that is restarted, or whose sessions are ended."""

    def __init__(self, url: str) -> None:
        self._url = url
        self.folder = Path(str(make_url(url).query["host"]))
        self.n_restarts = self.n_ended = 0

    def upset(self, rng: random.Random) -> None:
        """End every session, or restart it where that can be done."""
        rows = self.folder / "rows"
        if rng.random() < 0.5 and rows.is_dir():
            command: list[str | Path] = [_binaries() / "pg_ctl", "-D", rows, "-l", self.folder / "log", "-w"]
            _run([*command, "-m", rng.choice(RESTARTS), "restart"], _unprivileged_user())
            self.n_restarts += 1
            return
        engine = create_engine(self._url)
        with engine.begin() as connection:
            query = (
                "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity "
                "WHERE pid <> pg_backend_pid() AND backend_type = 'client backend'"
            )
            self.n_ended += connection.scalar(text(query)) or 0
        engine.dispose()


class Campaign:
    """One fault, injected again and again into one record.

    Parameters
    ----------
    fault
        Its name.
    wire, server
        Between the recorder and its rows.
    url
        Of a fresh schema, through the wire.
    folder
        Where the recorder keeps what waits.
    rng
        Chance.
    """

    def __init__(
        self, fault: str, wire: Wire, server: Server, url: str, folder: Path, rng: random.Random
    ) -> None:
        self.fault, self._wire, self._server, self._url, self._rng = fault, wire, server, url, rng
        # Only silence needs it; a slow server must not be taken for a silent one.
        self._lives = Lives(folder, url, deadline_s=0.4 if fault == "silent" else 60.0)
        self.n_kills = self.n_written = self.n_doubled = 0

    def run(self, n: int, ledger: Ledger) -> None:
        """Inject so often, then let everything arrive and count."""
        count = ledger.of(self.fault)
        begin, end = self._hands()
        self._lives.begin()
        try:
            for _ in range(n):
                self._lives.await_writes(self._rng.randint(1, 8))
                begin()
                count.injected += 1
                self._pause()
                if self._rng.random() < KILL_SHARE:
                    self._kill()
                    self._lives.begin()  # often while the server is still in trouble
                    self._pause()
                end()
                self._lives.await_writes(1)
                count.survived += 1
                if self._rng.random() < KILL_SHARE:
                    self._await_arrival()
            self._kill()
            self._lives.begin(seconds=7200.0)
            assert self._lives.end() == 0
        finally:
            end()
            self._lives.close()
        self._bring_home()
        told = self._lives.told.read_on()
        for found in (reckon(self._url, told.sure, told.possible), reckon_tasks(self._url, told)):
            count.rows_lost += found.n_lost
            count.invented += found.n_invented + found.n_doubled
            self.n_doubled += found.n_doubled
            self.n_written += found.n_written
        said = self._lives.log.read_text(errors="replace")
        count.said = min(count.injected, sum(said.count(words) for words in WORDS))

    def _hands(self) -> tuple[Callable[[], object], Callable[[], object]]:
        wire = self._wire
        if self.fault == "restarted":
            return lambda: self._server.upset(self._rng), lambda: None
        if self.fault == "unreachable":
            return wire.cut, wire.mend
        if self.fault == "slow":
            return lambda: setattr(wire, "delay_s", self._rng.uniform(0.02, 0.3)), lambda: setattr(
                wire, "delay_s", 0.0
            )
        if self.fault == "deaf":
            return self._lose_answers, lambda: None
        return lambda: setattr(wire, "is_silent", True), lambda: setattr(wire, "is_silent", False)

    def _lose_answers(self) -> None:
        """Let the server do what it is told, and cut the wire before its answer is through."""
        self._wire.delay_s = 0.1
        n_before = self._wire.n_delayed
        until_s = time.monotonic() + PATIENCE_S
        for _ in range(self._rng.randint(1, 12)):  # statements, of which the last may be the commit
            while self._wire.n_delayed == n_before:
                assert time.monotonic() < until_s, "the server is not asked"
                time.sleep(0.002)
            n_before = self._wire.n_delayed
        self._wire.hang_up()
        self._wire.delay_s = 0.0

    def _pause(self) -> None:
        """A random moment: three times out of four soon, else hours of the recorder's clock later."""
        longest_s = 0.05 if self._rng.random() < 0.75 and self.fault != "slow" else 0.8
        time.sleep(self._rng.random() * longest_s)

    def _kill(self) -> None:
        os.kill(self._lives.pid, signal.SIGKILL)
        assert self._lives.end() == -signal.SIGKILL
        self.n_kills += 1

    def _await_arrival(self) -> None:
        until_s = time.monotonic() + PATIENCE_S
        while waiting(self._lives.spool)[0].n_entries > 20:
            assert time.monotonic() < until_s, "nothing arrives"
            time.sleep(0.01)

    def _bring_home(self) -> None:
        spool = Spool(self._lives.spool)
        spool.open()
        courier = Courier(spool, meeting(self._url, TurnableClock()), pause_s=0.05)
        courier.first_try(PATIENCE_S)
        until_s = time.monotonic() + PATIENCE_S
        while spool.backlog().n_entries:
            assert time.monotonic() < until_s, courier.trouble
            time.sleep(0.01)
        courier.stop()
        spool.close()


def is_restartable(server: Server) -> bool:
    """Whether the whole server can be restarted, not only its sessions."""
    try:
        _binaries()
    except (LookupError, subprocess.SubprocessError):
        return False
    return (server.folder / "rows").is_dir()
