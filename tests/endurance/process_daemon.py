"""The real recorder beside an invented machine, in lives that end by a kill; and what its record must say."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

GENEROUS_S = 240.0  # a guard against hanging
SPEED = 60
ROWS = "SELECT source_id, time_utc_ms, temperature_milli_c, power_milli_w, missing_reasons FROM source_sample"
STOPPED = "SELECT from_utc_ms, to_utc_ms FROM gap WHERE reason = ? ORDER BY from_utc_ms"
# What a laptop of that kind can have: the room at least, its limits of power and heat at most, with a tenth
# more for noise and a mean that ends in a step.
LOWEST_MILLI_C, HIGHEST_MILLI_C, HIGHEST_MILLI_W = 5_000, 110_000, 200_000

Row = tuple[int, ...]


@dataclass
class Killed:
    """What a campaign of kills has found.

    ``holes`` are pairs of the last row before and the first after each kill [ms since 1970].
    """

    n_kills: int = 0
    n_lost: int = 0
    n_left_over: int = 0
    seen: set[Row] = field(default_factory=set)


class Recorder:
    """One life of ``heatdrift run``.

    Parameters
    ----------
    home
        Its home folder; the record is ``home / "record.sqlite"``.
    """

    def __init__(self, home: Path) -> None:
        self.path = home / "record.sqlite"
        keep = {key: value for key, value in os.environ.items() if not key.startswith(("HEATDRIFT", "XDG"))}
        words = [
            "run",
            "--fake",
            "laptop",
            "--seed",
            "3",
            "--speed",
            str(SPEED),
            "--database",
            str(self.path),
        ]
        self._log = (home / "log").open("a")
        self._process = subprocess.Popen(
            [sys.executable, "-m", "heatdrift", *words],
            stdout=subprocess.DEVNULL,
            stderr=self._log,
            env={**keep, "HOME": str(home)},
        )

    def await_rows(self, n_before: int) -> None:
        """Wait until this life has stored something."""
        until_s = time.monotonic() + GENEROUS_S
        while n_rows(self.path) <= n_before:
            assert self._process.poll() is None, "the recorder ended by itself"
            assert time.monotonic() < until_s, "the recorder stores nothing"
            time.sleep(0.02)

    def kill(self) -> int:
        """Kill it; returns how many of its children outlive it for long."""
        children = descendants(self._process.pid)
        self._process.kill()
        self._process.wait()
        self._log.close()
        until_s = time.monotonic() + GENEROUS_S
        while (left := [pid for pid in children if is_running(pid)]) and time.monotonic() < until_s:
            time.sleep(0.02)
        return len(left)

    def stop(self) -> int:
        """End it in order."""
        self._process.send_signal(signal.SIGTERM)
        status = self._process.wait(GENEROUS_S)
        self._log.close()
        return status


def n_rows(path: Path) -> int:
    """Rows so far; 0 while there is no table yet."""
    return len(rows(path))


def rows(path: Path) -> set[Row]:
    """Every row that anybody can read now."""
    if not path.exists():
        return set()
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=GENEROUS_S)) as reading:
        try:
            return set(reading.execute(ROWS).fetchall())
        except sqlite3.OperationalError as error:
            if "no such table" in str(error):
                return set()
            raise


def trouble(path: Path) -> str:
    """What the database itself complains of."""
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=GENEROUS_S)) as reading:
        said = reading.execute("PRAGMA integrity_check").fetchone()[0]
    return "" if said == "ok" else str(said)


def stopped_gaps(path: Path, reason: int | str) -> list[tuple[int, int]]:
    """Gaps of a reason, in order."""
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as reading:
        return [(int(first), int(last)) for first, last in reading.execute(STOPPED, (reason,))]


def impossible(found: set[Row]) -> list[Row]:
    """Rows with a value that such a machine cannot have."""
    return [
        row
        for row in found
        if (row[2] is not None and not LOWEST_MILLI_C <= row[2] <= HIGHEST_MILLI_C)
        or (row[3] is not None and not 0 <= row[3] <= HIGHEST_MILLI_W)
    ]


def descendants(pid: int) -> list[int]:
    """Children of a process, and theirs."""
    found = []
    with contextlib.suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                found += [int(child), *descendants(int(child))]
    return found


def is_running(pid: int) -> bool:
    """Whether a process is there and no zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
