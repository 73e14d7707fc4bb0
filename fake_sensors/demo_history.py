"""Records the machine of the demonstration as the service would have, and writes its owner's journal."""

from __future__ import annotations

import sqlite3
import uuid
from contextlib import closing
from pathlib import Path

from ..store.database import open_writer
from ..store.journal import Journal
from ..store.machines import machines
from ..store.sealing import merge_sealed_weeks, seal_finished_days
from ..store.writer import Writer
from .demo_machine import Scenario
from .history import HistorySize, Progress, record_history

APPLICATION = uuid.UUID("c1f0a7d2-95e7-5c1b-8a77-3e5b1f1f9d10")


def record_demo(scenario: Scenario, path: Path, progress: Progress | None = None) -> HistorySize:
    """Record a life into a new database: cadence, writer, sealing; then the journal.

    Parameters
    ----------
    scenario
        The machine and what becomes of it.
    path
        Of a database that is not there yet.
    progress
        Called after every day.
    """
    database = open_writer(str(path))
    try:
        identity = str(uuid.uuid5(APPLICATION, repr(scenario)))
        writer = Writer(database, identity, scenario.values.name, scenario.start_utc_ms)
        size = record_history(writer, scenario.machine(), scenario.start_utc_ms, scenario.days, progress)
        seal_finished_days(database, scenario.end_utc_ms)
        merge_sealed_weeks(database, scenario.end_utc_ms)
        number = next(entry.number for entry in machines(database) if entry.uuid == identity)
        Journal(database, number).add(scenario.entries, scenario.end_utc_ms)
        writer.checkpoint()
    finally:
        database.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("VACUUM")  # sealed days have left most of the file empty
    return size
