"""Brings an invented machine to life in a process of its own, for as long as a command needs it."""

from __future__ import annotations

import os
import select
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from ..store.errors import ServiceError

DOUBLE_VARIABLE = "HEATDRIFT_NVML_DOUBLE"
LIVE = "heatdrift.fake_sensors.live"
DOUBLE_LIBRARY = "heatdrift.fake_sensors.nvml_double"
MEMORY_FOLDER = Path("/dev/shm")  # noqa: S108 - a folder of our own is made inside; keeps the tree off the disk
READY_S = 30.0  # making the tree takes a second; a busy machine may take longer
END_S = 3.0


@dataclass(frozen=True, slots=True)
class Fake:
    """An invented machine: which one, and how fast its time passes."""

    kind: str
    seed: int
    speed: float = 1.0

    @property
    def name(self) -> str:
        """What it is called in the record."""
        return f"fake {self.kind} {self.seed}"


@dataclass(frozen=True, slots=True)
class FakeMachineRoots:
    """Where the invented machine shows itself."""

    sys_root: Path
    proc_root: Path
    nvml_state: Path


@contextmanager
def fake_machine(fake: Fake, start_utc_ms: int) -> Iterator[FakeMachineRoots]:
    """Run an invented machine until the block ends.

    Parameters
    ----------
    fake
        Which one, and how fast.
    start_utc_ms
        Its wall clock at the beginning: season and hour of its room [ms since 1970].

    Raises
    ------
    ServiceError
        It did not come to life.
    """
    folder = MEMORY_FOLDER if os.access(MEMORY_FOLDER, os.W_OK) else None
    root = Path(tempfile.mkdtemp(prefix="heatdrift-fake-", dir=folder))
    process = _start(fake, start_utc_ms, root)
    roots = FakeMachineRoots(root / "sys", root / "proc", root / "nvml.json")
    try:
        _wait_until_ready(process)
        os.environ[DOUBLE_VARIABLE] = str(roots.nvml_state)  # for the child that reads NVML
        yield roots
    finally:
        os.environ.pop(DOUBLE_VARIABLE, None)
        _end(process)
        shutil.rmtree(root, ignore_errors=True)


def _start(fake: Fake, start_utc_ms: int, root: Path) -> subprocess.Popen[bytes]:
    options = {
        "--root": str(root),
        "--kind": fake.kind,
        "--seed": str(fake.seed),
        "--speed": f"{fake.speed:g}",
        "--start-utc-ms": str(start_utc_ms),
    }
    return subprocess.Popen(
        [sys.executable, "-m", LIVE, *(word for option in options.items() for word in option), "--clears"],
        stdin=subprocess.PIPE,  # it ends when this closes, so it never outlives us
        stdout=subprocess.PIPE,
        start_new_session=True,  # Ctrl-C is for the recorder, which then ends it in order
    )


def _wait_until_ready(process: subprocess.Popen[bytes]) -> None:
    output = process.stdout
    is_heard = output is not None and select.select([output], [], [], READY_S)[0]
    if output is None or not is_heard or not output.readline().startswith(b"ready"):
        raise ServiceError("the invented machine did not start", remedy="see what it said above")


def _end(process: subprocess.Popen[bytes]) -> None:
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            pipe.close()
    process.terminate()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
