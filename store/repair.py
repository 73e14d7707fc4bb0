"""Sets a damaged file aside and puts a sound one in its place: the newest good backup, and all that is newer.

Nothing is thrown away: the damaged file and its log stay under a name of their own. The sound file is made
beside it and comes into its place by one rename; a crash at any moment leaves a repair that can be gone on
with, see `finish`.
"""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from .backup import need_room, set_backup_aside
from .damage import APPLICATION_PLACE, MAGIC, is_foreign, log_fault, mark_fault, pending
from .database import open_writer
from .doubles import remove_doubles
from .errors import DamagedDataError, DatabaseBusyError, ForeignDatabaseError, StoreError
from .migrations import upgrade
from .page_scan import PAGE_BYTES
from .repair_note import write_note
from .salvage import Salvage, salvage, salvage_pages
from .soundness import connect_still, fault
from .sqlite_file import APPLICATION_ID, FILE_MODE
from .upkeep_settings import BACKUPS
from .wal_file import Frame, Wal, read_wal
from .whole_file import sync

log = logging.getLogger(__name__)

N_TRIES = 3  # somebody may write a message between two looks
ROOM = 3.2  # in sizes of the file and its log: what can be read of it, the sound file, and its log
# What never changes in the first page of ours, by its place; see https://www.sqlite.org/fileformat2.html
CONSTANTS = {
    0: MAGIC,
    16: PAGE_BYTES.to_bytes(2, "big"),
    18: bytes((2, 2, 0, 64, 32, 32)),
    APPLICATION_PLACE.start: APPLICATION_ID.to_bytes(4, "big"),
}


@dataclass(frozen=True, slots=True)
class Repair:
    """What was done.

    Attributes
    ----------
    fault
        What was wrong.
    kept_as
        Where the damaged file is now.
    backup
        What was brought back, None where the file itself could be mended or there was no good backup.
    salvage
        What the damaged file still gave; None where only its log or its first bytes were broken.
    n_lost_pages
        Pages of the log that could not be read and are written nowhere else.
    """

    fault: str
    kept_as: Path
    backup: Path | None
    salvage: Salvage | None
    n_lost_pages: int


def repair(path: Path, backup_folder: Path, now_utc_ms: int) -> Repair | None:
    """Repair a file that nobody else writes; None where nothing is wrong with it.

    Parameters
    ----------
    path
        The database file.
    backup_folder
        Where its backups lie; those that are damaged themselves are set aside as well.
    now_utc_ms
        Dates the file that is set aside, UTC [ms since 1970].

    Raises
    ------
    DiskFullError, ReadOnlyDatabaseError, DamagedDataError
        Nothing was changed.
    """
    for ready in pending(path):
        finish(path, ready)
    if is_foreign(path):
        raise ForeignDatabaseError(
            f"{path} is no database of heatdrift", remedy="name another file, or move this one away"
        )
    image, made = (path.with_name(f"{path.name}.{what}.part") for what in ("image", "sound"))
    wal = path.with_name(path.name + "-wal")
    need_room(path.parent, int(sum(_size(one) for one in (path, wal)) * ROOM))
    try:
        for _ in range(N_TRIES):
            before = _state(path), _state(wal)
            found = mark_fault(path, backup_folder) or log_fault(wal)
            log_content = read_wal(wal)
            _make_image(path, wal, log_content, image)
            in_pages = _fault_of(image)
            if found is None and in_pages is None:
                return None
            backup, saved, since_utc_ms = None, None, 0
            if in_pages is None:
                shutil.copyfile(image, made)
                upgrade(f"sqlite:///{made}")
            else:
                backup = _base(backup_folder, made)
                since_utc_ms = _newest_utc_ms(made)
                saved = salvage(image, made)
            spoiled = log_content.spoiled() if log_content is not None else []
            if spoiled:
                _write_pages(wal, spoiled, image)
                salvage_pages(image, made)
            _remove_doubles(made)
            left = _fault_of(made)
            if left is not None:
                raise DamagedDataError(
                    f"{path} cannot be repaired ({left})", remedy="keep it, and name a new one"
                )
            stamp = _stamp(path, now_utc_ms)
            done = Repair(found or str(in_pages), _aside(path, stamp), backup, saved, len(spoiled))
            write_note(made, done, since_utc_ms, now_utc_ms)
            if before == (_state(path), _state(wal)):
                ready = path.with_name(f"{path.name}.repaired-{stamp}")
                sync(made)
                made.replace(ready)
                finish(path, ready)
                return done
        raise DatabaseBusyError(f"{path} is written by somebody else", remedy="stop it first")
    finally:
        for part in (image, made):
            for suffix in ("", "-wal", "-shm", "-journal"):
                part.with_name(part.name + suffix).unlink(missing_ok=True)


def finish(path: Path, ready: Path) -> None:
    """Put a sound file into its place and the damaged one aside; goes on where a crash has interrupted it."""
    kept = _aside(path, ready.name.removeprefix(f"{path.name}.repaired-"))
    wal = path.with_name(path.name + "-wal")
    # First its log goes: beside the sound file SQLite would copy it in.
    if wal.exists():
        wal.replace(kept.with_name(kept.name + "-wal"))
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    if path.exists() and not kept.exists():
        try:
            os.link(path, kept)  # so that there is never a moment without a file in this place
        except OSError:  # a disk that knows no second name
            shutil.copyfile(path, kept)
            kept.chmod(FILE_MODE)
    ready.replace(path)
    sync(path.parent)
    log.warning("the damaged database was set aside as %s", kept)


def _make_image(path: Path, wal: Path, log_content: Wal | None, image: Path) -> None:
    """All that can be read of a file and its log, as one file."""
    os.close(os.open(image, os.O_RDWR | os.O_CREAT | os.O_TRUNC, FILE_MODE))
    if path.exists():
        shutil.copyfile(path, image)
    with image.open("r+b") as file:
        if log_content is not None:
            content = wal.read_bytes()
            frames, n_pages = log_content.newest()
            for page, frame in frames.items():
                file.seek((page - 1) * log_content.page_bytes)
                file.write(content[frame.offset : frame.offset + log_content.page_bytes])
            if n_pages:
                file.truncate(n_pages * log_content.page_bytes)
        if file.seek(0, os.SEEK_END):
            for place, constant in CONSTANTS.items():
                file.seek(place)
                file.write(constant)


def _write_pages(wal: Path, frames: list[Frame], into: Path) -> None:
    """The pages of frames that do not check: a turned bit spoils one row of them, and the others check."""
    content = wal.read_bytes()
    pages = [content[frame.offset : frame.offset + PAGE_BYTES] for frame in frames]
    into.write_bytes(bytes(PAGE_BYTES) + b"".join(pages))  # the first page of a file has another form


def _fault_of(path: Path) -> str | None:
    if not path.stat().st_size:
        return "it is empty"
    connection = connect_still(path)
    try:
        return fault(connection)
    finally:
        connection.close()


def _base(backup_folder: Path, made: Path) -> Path | None:
    """Make the sound file of the newest good backup, or empty; returns which backup that was."""
    for backup in sorted(backup_folder.glob(BACKUPS), reverse=True):
        trouble = _fault_of(backup)
        if trouble is None:
            shutil.copyfile(backup, made)
            made.chmod(FILE_MODE)
            try:
                upgrade(f"sqlite:///{made}")
            except StoreError as error:
                trouble = str(error)
            else:
                return backup
        log.warning("the backup %s is of no use and is set aside (%s)", backup.name, trouble)
        set_backup_aside(backup)
    for suffix in ("", "-wal", "-shm"):
        made.with_name(made.name + suffix).unlink(missing_ok=True)
    open_writer(f"sqlite:///{made}").close()
    return None


def _newest_utc_ms(made: Path) -> int:
    connection = connect_still(made)
    try:
        newest = connection.execute("SELECT max(time_utc_ms) FROM source_sample").fetchone()[0]
    finally:
        connection.close()
    return int(newest or 0)


def _remove_doubles(made: Path) -> None:
    database = open_writer(f"sqlite:///{made}")
    try:
        remove_doubles(database)
    finally:
        database.close()


def _aside(path: Path, stamp: str) -> Path:
    return path.with_name(f"{path.name}.damaged-{stamp}")


def _stamp(path: Path, now_utc_ms: int) -> str:
    """The moment, or as much later as it takes to be the only one."""
    while True:
        stamp = f"{datetime.fromtimestamp(now_utc_ms // 1000, UTC):%Y%m%dT%H%M%SZ}"
        if not _aside(path, stamp).exists():
            return stamp
        now_utc_ms += 1000


def _size(path: Path) -> int:
    with contextlib.suppress(FileNotFoundError):
        return path.stat().st_size
    return 0


def _state(path: Path) -> tuple[int, int] | None:
    with contextlib.suppress(FileNotFoundError):
        found = path.stat()
        return found.st_size, found.st_mtime_ns
    return None
