"""Upkeep: seal, merge, give room back, check and back up; each task noted, none stopping the others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import func, insert, select

from .backup import backup, need_room, set_damaged_aside
from .database import Database
from .errors import REPAIR_REMEDY, DamagedDataError, HeatdriftError, StoreError
from .labels import Label, label_of
from .packing import DAY_MS
from .row_checksum import check_rows
from .schema import machine, probe_sample, sealed_day, source_sample, task_log
from .sealing import SealResult, merge_sealed_weeks, seal_finished_days
from .series import rows_of
from .upkeep_settings import UpkeepSettings

__all__ = [
    "UpkeepResult",
    "UpkeepSettings",
    "backup",
    "check_integrity",
    "reclaim",
    "upkeep",
    "usual_backup",
]

SPARE_BYTES = 2_000_000  # the next days' rows go into these free pages: giving them back would only churn
RECLAIM_PAGES = 1000  # 4 MB at a time, so that nobody waits long for the pen


@dataclass(slots=True)
class UpkeepResult:
    """What upkeep did; ``warnings`` is what the owner must know, empty when all is well.

    ``is_damaged`` says that something is not what was written, which `repair.repair` mends.
    """

    sealed: SealResult
    merged: SealResult
    reclaimed_bytes: int
    backup: Path | None
    was_checked: bool
    warnings: list[str]
    is_damaged: bool = False


def upkeep(
    database: Database, settings: UpkeepSettings, now_utc_ms: int, copy: Path | None = None
) -> UpkeepResult:
    """Do everything that is due.

    Parameters
    ----------
    database
        From `open_writer`, by the one who holds the pen.
    now_utc_ms
        Now, UTC [ms since 1970].
    copy
        A backup that was made a moment ago, before the tables were changed: it is the one that was due.
    """
    result = UpkeepResult(SealResult(), SealResult(), 0, None, False, [])

    def attempt(task: str, period_days: float, work: Callable[[], None]) -> None:
        if not _is_due(database, task, now_utc_ms, period_days):
            return
        try:
            work()
        except HeatdriftError as error:
            result.warnings.append(f"{task}: {error}")
            result.is_damaged |= isinstance(error, DamagedDataError)
            _note(database, task, now_utc_ms, str(error))
        else:
            _note(database, task, now_utc_ms, "")

    def seal() -> None:
        result.sealed = seal_finished_days(database, now_utc_ms, settings.hot_days)
        result.merged = merge_sealed_weeks(database, now_utc_ms, settings.hot_days)
        result.reclaimed_bytes = reclaim(database)

    def check() -> None:
        check_integrity(database)
        result.was_checked = True
        folder = _backup_folder(database, settings)
        damaged = set_damaged_aside(folder) if folder is not None and folder.is_dir() else []
        if damaged:
            back_up()  # of the record, which is sound
            raise StoreError(
                f"set aside, and a new backup made: {'; '.join(damaged)}",
                remedy="look into the health of the disk that holds the backups",
            )

    def back_up() -> None:
        need_room(database.path.parent if database.path else Path.cwd(), settings.min_free_bytes)
        result.backup = usual_backup(database, settings, now_utc_ms)

    attempt("seal", 0.0, seal)
    attempt("check", settings.check_period_days, check)
    if copy is not None:
        result.backup = copy
        _note(database, "backup", now_utc_ms, "")
    elif _backup_folder(database, settings) is not None:
        attempt("backup", settings.backup_period_days, back_up)
    return result


def usual_backup(database: Database, settings: UpkeepSettings, now_utc_ms: int) -> Path | None:
    """Make a backup where the settings want it, whatever the schema; None for a server without a folder.

    Raises
    ------
    DiskFullError, ReadOnlyDatabaseError, DamagedDataError
        See `backup`.
    """
    folder = _backup_folder(database, settings)
    return None if folder is None else backup(database, folder, now_utc_ms, settings.backups_kept)


def _backup_folder(database: Database, settings: UpkeepSettings) -> Path | None:
    return settings.folder_for(database.path) if database.path else settings.backup_folder


def check_integrity(database: Database) -> None:
    """Check the structure of the file, and every row and packed table against its checksum.

    Raises
    ------
    DamagedDataError
        With the first thing that is wrong; nothing is deleted.
    """
    if database.is_sqlite:
        with database.sqlite_connection() as connection:
            first = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        if first != "ok":
            raise DamagedDataError(f"{database.url_for_people} is damaged ({first})", remedy=REPAIR_REMEDY)
    for table in (source_sample, probe_sample):
        with database.begin() as connection:
            check_rows(connection, table)
    with database.begin() as connection:
        ids = connection.scalars(select(sealed_day.c.id).order_by(sealed_day.c.id)).all()
    for number in ids:
        with database.begin() as connection:
            piece = connection.execute(select(sealed_day).where(sealed_day.c.id == number)).one_or_none()
            if piece is None:
                continue
            said = Label(piece.series, piece.first_day, piece.last_day, piece.n_rows)
            found = label_of(piece.packed, said, rows_of(piece))
            if found != said:
                raise DamagedDataError(
                    f"{piece.series}, {piece.first_day} to {piece.last_day}, holds {found.n_rows} rows of "
                    f"{found.series}, {found.first_day} to {found.last_day}",
                    remedy=REPAIR_REMEDY,
                )


def reclaim(database: Database) -> int:
    """Give free pages back to the disk, but for what the next days need; returns how much [bytes]."""
    if not database.is_sqlite:
        return 0  # a server does that by itself
    with database.sqlite_connection() as connection:

        def told(pragma: str) -> int:
            return int(connection.execute(f"PRAGMA {pragma}").fetchone()[0])

        page_bytes = told("page_size")
        n_before = n_pages = told("page_count")
        while (n_spare := told("freelist_count") - SPARE_BYTES // page_bytes) > 0:
            connection.execute(f"PRAGMA incremental_vacuum({min(RECLAIM_PAGES, n_spare)})").fetchall()
            n_pages, n_last = told("page_count"), n_pages
            if n_pages >= n_last:
                break  # a file that was made without incremental vacuum
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    return (n_before - n_pages) * page_bytes


def _is_due(database: Database, task: str, now_utc_ms: int, period_days: float) -> bool:
    query = select(func.max(task_log.c.at_utc_ms)).where(task_log.c.task == task, task_log.c.ok)
    with database.begin() as connection:
        last = connection.scalar(query)
    # A note from the future (the clock was set back since) does not put the task off.
    return last is None or last > now_utc_ms or now_utc_ms - last >= period_days * DAY_MS


def _note(database: Database, task: str, now_utc_ms: int, trouble: str) -> None:
    with database.begin() as connection:
        rows = [
            {
                "machine_id": number,
                "task": task,
                "at_utc_ms": now_utc_ms,
                "ok": not trouble,
                "detail": trouble,
            }
            for number in connection.scalars(select(machine.c.id)).all()
        ]
        if rows:
            connection.execute(insert(task_log), rows)
