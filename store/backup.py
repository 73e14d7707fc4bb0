"""Backups that were opened and checked before they count."""

from __future__ import annotations

import os
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from .copying import copy_into
from .database import Database, open_writer
from .errors import DamagedDataError, DiskFullError, ReadOnlyDatabaseError, StoreError
from .faults import translated
from .soundness import connect_still, fault
from .sqlite_file import FILE_MODE, make_folder
from .summary import size_of
from .upkeep_settings import BACKUPS
from .whole_file import sync

LEFT_S = 86_400.0  # no backup takes so long
ROOM = 1.2  # free space wanted, in sizes of the database: the copy, and the pages SQLite adds to it


def backup(database: Database, folder: Path, now_utc_ms: int, keep: int = 3) -> Path:
    """Copy the whole database into one SQLite file, check the copy, and delete the oldest copies.

    Works on a running database, which stays writable. A backup of a server is the same kind of file; any
    command opens it with ``--database FILE``.

    Parameters
    ----------
    folder
        Made where it is missing, for its owner alone.
    now_utc_ms
        Dates the file, UTC [ms since 1970].
    keep
        So many of the newest stay, at least one.

    Returns
    -------
    Path
        ``heatdrift-<date>T<time>Z.db`` in ``folder``.

    Raises
    ------
    DiskFullError, ReadOnlyDatabaseError, DamagedDataError
        No backup was made; the earlier ones are untouched.
    """
    moment = datetime.fromtimestamp(now_utc_ms // 1000, UTC)
    path = folder / f"heatdrift-{moment:%Y%m%dT%H%M%SZ}.db"
    part = path.with_suffix(".part")
    try:
        make_folder(folder)
        need_room(folder, int(sum(size_of(database)) * ROOM))
        _sweep(folder, now_utc_ms)
        _remove(part)
        # Never through a link that somebody else laid there: the folder may be open to others.
        os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, FILE_MODE))
        if database.is_sqlite:
            _copy_file(database, part)
        else:
            _copy_server(database, part)
        check_file(part)
        sync(part)
        part.replace(path)
        sync(folder)
        for old in sorted(folder.glob(BACKUPS))[: -max(1, keep)]:
            old.unlink()
    except OSError as error:
        kind = DiskFullError if error.errno == 28 else ReadOnlyDatabaseError  # ENOSPC
        raise kind(
            f"no backup can be written to {folder} ({error.strerror})", remedy="name another folder"
        ) from error
    finally:
        _remove(part)
    return path


def need_room(folder: Path, n_bytes: int) -> None:
    """Refuse where less than ``n_bytes`` are free.

    Raises
    ------
    DiskFullError
        With what is free and what is needed.
    """
    free = shutil.disk_usage(folder).free
    if free < n_bytes:
        raise DiskFullError(
            f"{free / 1e6:.0f} MB are free for {folder}, {n_bytes / 1e6:.0f} MB are needed",
            remedy="free some space, or name another folder",
        )


def check_file(path: Path) -> None:
    """Check every page, index, row and packed table of a SQLite file that nobody writes.

    Raises
    ------
    DamagedDataError
        With the first thing that is wrong.
    """
    with translated(str(path), path):
        connection = connect_still(path)
        try:
            found = fault(connection)
        finally:
            connection.close()
    if found is not None:
        raise DamagedDataError(f"{path} is damaged ({found})", remedy="keep the earlier backups")


def set_backup_aside(path: Path) -> None:
    """Keep a damaged backup under a name that counts as none."""
    path.replace(path.with_name(path.name + ".damaged"))


def set_damaged_aside(folder: Path) -> list[str]:
    """Check every backup in a folder and set the damaged ones aside; returns what is wrong with each."""
    found = []
    for path in sorted(folder.glob(BACKUPS)):
        try:
            check_file(path)
        except StoreError as error:
            set_backup_aside(path)
            found.append(error.message)
    return found


def _copy_file(database: Database, part: Path) -> None:
    with database.sqlite_connection() as connection:
        copy = sqlite3.connect(part)
        try:
            # In one go: in a WAL database that keeps no writer waiting, and between two goes a commit of
            # another process would start the copy again from the beginning.
            connection.backup(copy)
        finally:
            copy.close()


def _copy_server(database: Database, part: Path) -> None:
    copy = open_writer(f"sqlite:///{part}")
    try:
        copy_into(database, copy)
    finally:
        copy.close()  # the last connection copies the WAL in and removes it


def _sweep(folder: Path, now_utc_ms: int) -> None:
    """Take away what backups left that were killed; one that is being written is younger."""
    for part in folder.glob("heatdrift-*Z.part"):
        if now_utc_ms / 1000.0 - part.lstat().st_mtime > LEFT_S:
            _remove(part)


def _remove(part: Path) -> None:
    if not part.parent.is_dir():
        return
    for suffix in ("", "-wal", "-shm", "-journal"):
        part.with_name(part.name + suffix).unlink(missing_ok=True)
