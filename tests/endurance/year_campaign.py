"""Runs a year of the invented laptop, life after life, and gathers what came of it."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil

from heatdrift.cli.settings import DATABASE_VARIABLE, SETTINGS_VARIABLE

from .year_clock import Moment
from .year_plan import DEAD, ZONE, Campaign, Life, lives

DAEMON = "heatdrift.tests.endurance.year_daemon"
MEMORY = Path("/dev/shm")
LEFTOVER_S = 30.0  # real: a process whose pipe is closed ends by itself, on a busy machine a little later
MACHINE = "year"
SETTINGS = """\
machine_name = "{machine}"
[messages]
message_urls = ["{url}"]
[monthly]
is_sent = true
"""


@dataclass(frozen=True, slots=True)
class YearRun:
    """What a campaign left behind.

    ``notes`` are the lines of the daemon processes, ``received`` what reached the owner, each with the moment
    that the laptop's clock showed. ``leftovers`` are processes that outlived their daemon, ``statuses`` how
    the daemons ended.
    """

    campaign: Campaign
    lives: list[Life]
    folder: Path
    notes: list[dict[str, Any]]
    received: list[dict[str, Any]]
    leftovers: list[str]
    statuses: list[int]
    took_s: float

    @property
    def database(self) -> Path:
        """The record."""
        return self.folder / "record" / "heatdrift.db"

    @property
    def log(self) -> str:
        """Everything that was said on stderr."""
        return (self.folder / "log").read_text(encoding="utf-8", errors="replace")

    def noted(self, event: str) -> list[dict[str, Any]]:
        """Notes of one kind."""
        return [note for note in self.notes if note["event"] == event]


class Inbox(list[dict[str, Any]]):
    """What the owner received, stamped with the turned time of its arrival."""

    def __init__(self, moment: Moment) -> None:
        super().__init__()
        self._moment = moment

    def append(self, received: dict[str, Any]) -> None:
        super().append({**received, "at_utc_ms": self._moment.wall_utc_ms()})


def run_year(
    form: str, campaign: Campaign, folder: Path, hook: Any, say: Callable[[str], None] = print
) -> YearRun:
    """Live all lives.

    Parameters
    ----------
    form
        ``short`` or ``long``.
    campaign
        What happens.
    folder
        For database, notes and log.
    hook
        The webhook that the messages go to.
    say
        Told of each life.
    """
    (folder / "record").mkdir(parents=True)
    settings = folder / "settings.toml"
    settings.write_text(SETTINGS.format(machine=MACHINE, url=hook.url), encoding="utf-8")
    settings.chmod(0o600)
    hook.received = Inbox(Moment(folder / "moment"))
    environment = {
        **os.environ,
        "TZ": ZONE,
        DATABASE_VARIABLE: str(folder / "record" / "heatdrift.db"),
        SETTINGS_VARIABLE: str(settings),
    }
    began_s = time.monotonic()
    plan = lives(campaign)
    leftovers: list[str] = []
    statuses: list[int] = []
    with (folder / "log").open("ab") as log:
        for life in plan:
            root = Path(tempfile.mkdtemp(prefix="heatdrift-year-", dir=MEMORY if MEMORY.is_dir() else None))
            command = [sys.executable, "-m", DAEMON, form, str(campaign.seed), str(campaign.n_days)]
            process = subprocess.Popen(
                [*command, str(folder), str(root), str(life.number)],
                stdin=subprocess.DEVNULL,
                stderr=log,
                env=environment,
                start_new_session=True,
            )
            try:
                statuses.append(process.wait())
            finally:
                _end(process)
                leftovers += _leftovers(root, folder)
                shutil.rmtree(root, ignore_errors=True)
            say(
                f"life {life.number} to day {life.end_s / 86400:.1f}: {life.end}, status {statuses[-1]}, "
                f"{time.monotonic() - began_s:.0f} s"
            )
            if statuses[-1] != (-signal.SIGKILL if life.end == DEAD else 0):
                break
    notes = [json.loads(line) for line in (folder / "notes.jsonl").read_text(encoding="utf-8").splitlines()]
    took_s = time.monotonic() - began_s
    return YearRun(campaign, plan, folder, notes, list(hook.received), leftovers, statuses, took_s)


def _end(process: subprocess.Popen[bytes]) -> None:
    """End what a test that was stopped would leave."""
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def _leftovers(root: Path, folder: Path) -> list[str]:
    """Processes that still hold on to this laptop although its battery is dead or its service has ended."""
    until_s = time.monotonic() + LEFTOVER_S
    while (found := _of_laptop(root, folder)) and time.monotonic() < until_s:
        time.sleep(0.1)
    return found


def _of_laptop(root: Path, folder: Path) -> list[str]:
    found = []
    for process in psutil.process_iter():
        try:
            if process.status() == psutil.STATUS_ZOMBIE or process.pid == os.getpid():
                continue
            words = " ".join(process.cmdline())
            is_ours = str(root) in words or str(folder / "moment") in words
            if not is_ours and "heatdrift" in words:
                is_ours = str(root) in process.environ().get("HEATDRIFT_NVML_DOUBLE", "")
            if is_ours:
                found.append(words)
        except psutil.Error:
            continue
    return found
