"""Finds out, before a file is opened, whether it is ours and broken; light, for whoever starts to record."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from urllib.parse import quote

from .errors import REPAIR_REMEDY, DamagedDataError
from .soundness import structure_fault
from .sqlite_file import APPLICATION_ID
from .upkeep_settings import BACKUPS
from .wal_file import read_wal

HEADER_BYTES = 100
MAGIC = b"SQLite format 3\0"
APPLICATION_PLACE = slice(68, 72)
MOST_TURNED_BITS = 8  # in the sixteen bytes of the first mark or the four of the second: less is no chance


def need_whole(path: Path, backup_folder: Path) -> bool:
    """Refuse a file of ours that is broken; checks the structure only where the last end was no orderly one.

    Parameters
    ----------
    path
        The database file; it need not exist.
    backup_folder
        Where its backups lie.

    Returns
    -------
    bool
        Whether the last end was no orderly one: a log was left behind.

    Raises
    ------
    DamagedDataError
        With what is wrong.
    """
    wal = path.with_name(path.name + "-wal")
    was_cut_short = wal.exists() and wal.stat().st_size > 0
    found = mark_fault(path, backup_folder)
    if found is None and was_cut_short:
        found = log_fault(wal) or open_fault(path)
    if found is not None:
        raise DamagedDataError(f"{path} is damaged ({found})", remedy=REPAIR_REMEDY)
    return was_cut_short


def mark_fault(path: Path, backup_folder: Path) -> str | None:
    """What is wrong with the first bytes of a file of ours; None where nothing is, or it is not ours."""
    if any(pending(path)):
        return "its repair was begun and not ended"
    if not path.is_file():
        return None
    with path.open("rb") as file:
        header = file.read(HEADER_BYTES)
    if not header.strip(b"\0"):
        # Empty is also what a file is that has just been made; but of that there are no backups.
        has_backups = backup_folder.is_dir() and any(backup_folder.glob(BACKUPS))
        return ("it is empty" if not header else "its beginning is gone") if has_backups else None
    turned = _turned(header)
    if any(turned) and max(turned) <= MOST_TURNED_BITS:
        return "its first bytes are not what was written"
    return None


def is_foreign(path: Path) -> bool:
    """Whether a file is there and bears marks that were never ours."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        header = file.read(HEADER_BYTES)
    return bool(header.strip(b"\0")) and max(_turned(header)) > MOST_TURNED_BITS


def log_fault(wal: Path) -> str | None:
    """Whether a log holds commits that SQLite would leave out without a word."""
    found = read_wal(wal)
    if found is None or not found.is_damaged:
        return None
    n_all = len(found.frames)
    return f"the log beside it is broken: {found.n_taken} of the {n_all} pages in it can be read in order"


def open_fault(path: Path) -> str | None:
    """What is wrong with the pages of a file and its log, as SQLite reads them."""
    try:
        connection = sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True)
    except sqlite3.DatabaseError as error:
        return str(error)
    try:
        return structure_fault(connection, is_quick=True)
    finally:
        connection.close()


def pending(path: Path) -> list[Path]:
    """Repaired files that wait to be put in their place."""
    return sorted(path.parent.glob(f"{path.name}.repaired-*Z"))


def set_aside(path: Path) -> list[Path]:
    """Damaged files that a repair set aside, oldest first."""
    return sorted(path.parent.glob(f"{path.name}.damaged-*Z"))


def _turned(header: bytes) -> tuple[int, int]:
    """Bits by which the two marks of a file of ours differ from what they must be."""
    marks = (header[: len(MAGIC)], MAGIC), (header[APPLICATION_PLACE], APPLICATION_ID.to_bytes(4, "big"))
    first, second = (
        (int.from_bytes(found.ljust(len(wanted)), "big") ^ int.from_bytes(wanted, "big")).bit_count()
        for found, wanted in marks
    )
    return first, second
