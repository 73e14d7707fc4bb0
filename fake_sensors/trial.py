"""Records the worlds of the blind trial, each in a folder of its own, through cadence, writer and sealing."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import uuid
from contextlib import closing
from pathlib import Path

from ..store.database import open_writer
from ..store.journal_file import save_journal
from ..store.sealing import merge_sealed_weeks, seal_finished_days
from ..store.writer import Writer
from .history import record_history
from .machine import FakeMachine
from .trial_truth import truth_document
from .trial_worlds import DAY_MS, World

RECORD_NAME, JOURNAL_NAME, TRUTH_NAME = "record.sqlite", "journal.toml", "truth.json"
APPLICATION = uuid.UUID("0f9b8c0e-6c0c-5a54-8d0b-6f0e7c1f7d52")
DIGEST_LENGTH = 10


def folder_name(world: World) -> str:
    """Name of the folder of a world: what was drawn otherwise is recorded otherwise."""
    digest = hashlib.sha256(repr(world).encode()).hexdigest()[:DIGEST_LENGTH]
    return f"{world.name.replace(' ', '-')}-{digest}"


def record_world(world: World, folder: Path) -> None:
    """Record a world where that is not done yet.

    Parameters
    ----------
    world
        Which.
    folder
        Receives record, journal and truth; made if need be. A record under its final name is complete.
    """
    record = folder / RECORD_NAME
    if record.exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = record.with_suffix(".unfinished")
    for left_over in folder.glob(f"{unfinished.name}*"):
        left_over.unlink()
    machine = FakeMachine(world.values, world.machine_seed, world.start_utc_ms, world.faults)
    database = open_writer(f"sqlite:///{unfinished}")
    try:
        identity = str(uuid.uuid5(APPLICATION, folder_name(world)))
        writer = Writer(database, identity, f"trial {world.name}", world.start_utc_ms)
        record_history(writer, machine, world.start_utc_ms, world.days)
        end_utc_ms = world.start_utc_ms + round(world.days * DAY_MS)
        seal_finished_days(database, end_utc_ms)
        merge_sealed_weeks(database, end_utc_ms)
        writer.checkpoint()
    finally:
        database.close()
    with closing(sqlite3.connect(unfinished)) as connection:
        connection.execute("VACUUM")  # sealed days have left nine tenths of the file empty
    save_journal(world.entries, folder / JOURNAL_NAME)
    (folder / TRUTH_NAME).write_text(json.dumps(truth_document(world), indent=2) + "\n", encoding="utf-8")
    unfinished.rename(record)
