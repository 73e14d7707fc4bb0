"""Lives of a recorder that are cut short: a forked child for each, for loading the libraries takes seconds.

Reads lines ``work folder``, says the child's number and, once it has ended, ``end status``.
"""

from __future__ import annotations

import os
import sqlite3
import sys
import traceback
from pathlib import Path

from heatdrift.store.backup import backup
from heatdrift.store.database import open_writer
from heatdrift.store.keeping import UpkeepSettings, upkeep
from heatdrift.store.migrations import upgrade
from heatdrift.store.repair import repair
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days

from .storage_world import HOT_DAYS, batch, now_utc_ms, open_pen

NAME, BACKUPS, LOG = "h.db", "backups", "committed"
BATCH_STEPS = 240  # eight hours, so that there is a day to seal after every third


def record(folder: Path) -> None:
    """Write for ever, noting each batch once it is committed; seal, merge, back up and check on the way."""
    log = os.open(folder / LOG, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    url = f"sqlite:///{folder / NAME}"
    writer, database = open_pen(url), open_writer(url)
    number = max([int(line) for line in (folder / LOG).read_text().split()], default=-1) + 1
    while True:
        writer.write(batch(range(number * BATCH_STEPS, (number + 1) * BATCH_STEPS)))
        os.write(log, f"{number}\n".encode())
        number += 1
        now = now_utc_ms(number * BATCH_STEPS)
        if number % 3 == 0:
            seal_finished_days(database, now, 1)
            merge_sealed_weeks(database, now, 1)
        if number % 7 == 0:
            writer.checkpoint()
        if number % 20 == 0:
            backup(database, folder / BACKUPS, now, keep=2)


def _now(folder: Path) -> int:
    return now_utc_ms(int((folder / "steps").read_text()))


def seal(folder: Path) -> None:
    """Seal and merge what is finished."""
    database = open_writer(f"sqlite:///{folder / NAME}")
    seal_finished_days(database, _now(folder), 0)
    merge_sealed_weeks(database, _now(folder), 0)
    database.close()


def back_up(folder: Path) -> None:
    """Make a backup."""
    database = open_writer(f"sqlite:///{folder / NAME}")
    backup(database, folder / BACKUPS, _now(folder))
    database.close()


def do_upkeep(folder: Path) -> None:
    """All of the nightly work."""
    database = open_writer(f"sqlite:///{folder / NAME}")
    result = upkeep(database, UpkeepSettings(hot_days=HOT_DAYS - 1, min_free_bytes=0), _now(folder))
    database.close()
    assert not result.warnings, result.warnings


def migrate(folder: Path) -> None:
    """Bring the tables up to date, after a backup."""
    upgrade(f"sqlite:///{folder / NAME}", lambda older: backup(older, folder / BACKUPS, _now(folder)))


def age(path: Path) -> None:
    """Take a database back to the version before this one."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("BEGIN IMMEDIATE")
        for table in ("source_sample", "probe_sample"):
            connection.execute(f"ALTER TABLE {table} DROP COLUMN checksum")
        connection.execute("UPDATE alembic_version SET version_num = '0004'")
        connection.execute("COMMIT")
    finally:
        connection.close()


def mend(folder: Path) -> None:
    """Repair."""
    repair(folder / NAME, folder / BACKUPS, _now(folder))


WORK = {
    "record": record,
    "seal": seal,
    "backup": back_up,
    "upkeep": do_upkeep,
    "migrate": migrate,
    "repair": mend,
}


def main() -> None:
    """Serve until there is nothing more to do."""
    for line in sys.stdin:
        work, folder = line.split()
        child = os.fork()
        if child == 0:
            status = 1
            try:
                WORK[work](Path(folder))
                status = 0
            except BaseException:
                traceback.print_exc()
            finally:
                os._exit(status)
        print(child, flush=True)
        _, ended = os.waitpid(child, 0)
        print(f"end {os.waitstatus_to_exitcode(ended)}", flush=True)


if __name__ == "__main__":
    main()
