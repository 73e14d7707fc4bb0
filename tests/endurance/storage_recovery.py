"""What the service does of itself after damage or a power cut, and what must be so afterwards."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from heatdrift.store.damage import need_whole
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.errors import HeatdriftError
from heatdrift.store.keeping import UpkeepSettings, upkeep
from heatdrift.store.machines import machines
from heatdrift.store.outbox import Outbox
from heatdrift.store.packing import DAY_MS
from heatdrift.store.repair import repair

from .storage_life import BACKUPS, NAME
from .storage_world import batch, make_record, now_utc_ms, open_pen

N_DAYS, N_DAYS_BACKED_UP, PER_DAY = 12, 9, 720


class Template(NamedTuple):
    """A record to be damaged, and how many steps it and its backup hold."""

    folder: Path
    n_steps: int
    n_backed_up: int


def make_template(memory: Path) -> Template:
    """Make the record that copies are made of."""
    folder = memory / "template"
    folder.mkdir()
    path = folder / NAME
    n_steps = make_record(path, folder / BACKUPS, n_days=N_DAYS, n_days_backed_up=N_DAYS_BACKED_UP)
    (folder / "steps").write_text(str(n_steps))
    return Template(folder, n_steps, N_DAYS_BACKED_UP * PER_DAY)


def copier(template: Template, memory: Path) -> Callable[[], Path]:
    """Makes a fresh copy of the template."""

    def copy() -> Path:
        folder = memory / "work"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(template.folder, folder)
        return folder

    return copy


def recover(folder: Path, n_steps: int) -> tuple[bool, list[str]]:
    """What the service does: it looks at the start, repairs, records a step, and does the nightly work.

    Returns
    -------
    tuple
        Whether damage was found, and every complaint.
    """
    path = folder / NAME
    said: list[str] = []
    was_found = False
    for _ in range(3):
        try:
            need_whole(path, folder / BACKUPS)
            writer = open_pen(f"sqlite:///{path}")
            writer.checkpoint()
            writer.write(batch(range(n_steps, n_steps + 1)))
            writer.release()
            database = open_writer(f"sqlite:///{path}")
            try:
                # A week later all is due but the backup, which would hold the same rows once more.
                settings = UpkeepSettings(min_free_bytes=0, backup_period_days=1e6)
                result = upkeep(database, settings, now_utc_ms(n_steps) + 8 * DAY_MS)
            finally:
                database.close()
        except HeatdriftError as error:
            said.append(str(error))
        else:
            said += result.warnings
            if not result.is_damaged:
                return was_found, said
        before = [digest(path.with_name(NAME + suffix)) for suffix in ("", "-wal")]
        done = repair(path, folder / BACKUPS, now_utc_ms(n_steps))
        assert done is not None, said
        was_found = True
        kept = [digest(done.kept_as.with_name(done.kept_as.name + suffix)) for suffix in ("", "-wal")]
        assert kept == before  # to the last bit
    raise AssertionError(f"damaged after two repairs: {said}")


def is_told(path: Path) -> bool:
    """Whether the owner is told of a repair."""
    database = open_reader(f"sqlite:///{path}")
    try:
        messages = Outbox(database, machines(database)[0].number).messages()
    finally:
        database.close()
    return any("damaged" in one.message.subject for one in messages)


def digest(path: Path) -> str:
    """Of a file, to see that it was not touched; empty where it is not there."""
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else ""


def contents(path: Path) -> str | None:
    """Of every row of a file that nobody writes, None where it cannot be read."""
    try:
        connection = sqlite3.connect(f"file:{path}?immutable=1", uri=True)
        try:
            return hashlib.sha256("\n".join(connection.iterdump()).encode()).hexdigest()
        finally:
            connection.close()
    except (sqlite3.DatabaseError, UnicodeError, TypeError):
        return None
