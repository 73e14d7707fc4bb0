"""Runs one machine of the blind trial: recorded, judged by the public commands as subprocesses, scored."""

from __future__ import annotations

import json
import logging
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..fake_sensors.trial import JOURNAL_NAME, RECORD_NAME, TRUTH_NAME, folder_name, record_world
from ..fake_sensors.trial_worlds import draw_world
from ..store.migrations import upgrade
from .settings import DATABASE_VARIABLE, SETTINGS_VARIABLE
from .trial_score import Documents, Outcome, score

LONGEST_COMMAND_S = 3600.0
TABLE_NAME = "record.parquet"
# Several machines are judged at once: each keeps to one core.
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


@dataclass(frozen=True, slots=True)
class Task:
    """One machine of a trial, and where its record is kept and saved; None for nowhere."""

    seed: int
    number: int
    days: float
    keep: Path | None = None
    save: Path | None = None
    only_record: bool = False


def run_machine(task: Task) -> Outcome | None:
    """Record a machine where that is not done yet, judge it and score what was said.

    Returns
    -------
    Outcome
        None where it was only to be recorded.
    """
    world = draw_world(task.seed, task.number, task.days)
    with tempfile.TemporaryDirectory(prefix="heatdrift-trial-") as temporary:
        folder = (task.keep or Path(temporary)) / folder_name(world)
        record_world(world, folder)
        if task.save is not None:
            save_world(folder, task.save / folder.name)
        return None if task.only_record else score(world, judge_world(folder))


def judge_world(folder: Path) -> Documents:
    """Let the public commands judge a copy of a record; the journal first, as an owner keeps it."""
    with tempfile.TemporaryDirectory(prefix="heatdrift-judged-") as temporary:
        place = Path(temporary)
        environment = _copied(folder, place)
        try:
            if (folder / JOURNAL_NAME).stat().st_size:
                _heatdrift(environment, "journal", "load", str(folder / JOURNAL_NAME))
            documents = [_document(environment, place, name) for name in ("backtest", "report")]
        except CommandFailedError as failed:
            return Documents({}, {}, str(failed))
    return Documents(*documents)


def save_world(folder: Path, place: Path) -> None:
    """Write a world as exchange table, journal and truth."""
    place.mkdir(parents=True, exist_ok=True)
    for name in (JOURNAL_NAME, TRUTH_NAME):
        shutil.copyfile(folder / name, place / name)
    if not (place / TABLE_NAME).exists():
        with tempfile.TemporaryDirectory(prefix="heatdrift-saved-") as temporary:
            _heatdrift(_copied(folder, Path(temporary)), "export", str((place / TABLE_NAME).absolute()))


class CommandFailedError(Exception):
    """A command under trial ended with an error; what it said is the message."""


def be_quiet() -> None:
    """In a worker: what every one of them would warn of is said by the main process."""
    logging.basicConfig(level=logging.ERROR)


def _copied(folder: Path, place: Path) -> dict[str, str]:
    """A copy of the record, as new as its reader, and the variables that point the commands to it."""
    record, settings = place / RECORD_NAME, place / "settings.toml"
    shutil.copyfile(folder / RECORD_NAME, record)
    upgrade(f"sqlite:///{record}")  # of a folder that an earlier heatdrift filled
    settings.touch()  # the owner's own settings are not on trial
    return {**os.environ, **ONE_THREAD, DATABASE_VARIABLE: str(record), SETTINGS_VARIABLE: str(settings)}


def _document(environment: dict[str, str], place: Path, name: str) -> Any:
    path = place / f"{name}.json"
    _heatdrift(environment, name, "--json", str(path))
    return json.loads(path.read_text(encoding="utf-8"))


def _heatdrift(environment: dict[str, str], *words: str) -> None:
    try:
        done = subprocess.run(
            [sys.executable, "-m", "heatdrift", *words],
            env=environment,
            capture_output=True,
            text=True,
            timeout=LONGEST_COMMAND_S,
            check=False,
        )
    except subprocess.TimeoutExpired as late:
        raise CommandFailedError(f"heatdrift {words[0]} took more than {LONGEST_COMMAND_S:g} s") from late
    if done.returncode:
        said = done.stderr.strip().splitlines() or ["it said nothing"]
        raise CommandFailedError(f"heatdrift {words[0]} ended with {done.returncode}: {said[-1]}")
