"""Turns what the database drivers say into our errors, each with what the owner can do."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from .errors import (
    REPAIR_REMEDY,
    DamagedDataError,
    DatabaseBusyError,
    DiskFullError,
    ForeignDatabaseError,
    ReadOnlyDatabaseError,
    RefusedRowsError,
    StoreError,
)

# Of a cell that holds no text, by a turned bit in the head of its row; Python's driver gives it no code.
NO_TEXT = "Could not decode to UTF-8"
NO_ROOM_BYTES = 1_000_000  # SQLite's shared-memory file alone grows in steps of 32 KiB

_REMEDIES: dict[type[StoreError], tuple[str, str]] = {
    DatabaseBusyError: ("is held by another process", "try again in a minute"),
    ReadOnlyDatabaseError: (
        "cannot be written",
        "check its owner and permissions, and how the disk is mounted",
    ),
    DiskFullError: ("has no room left on its disk", "free some space; nothing that was stored is lost"),
    DamagedDataError: ("is damaged", REPAIR_REMEDY),
    ForeignDatabaseError: ("is not a database", "name another file, or move this one away"),
}
_SQLITE_FAULTS: dict[int, type[StoreError]] = {
    sqlite3.SQLITE_BUSY: DatabaseBusyError,
    sqlite3.SQLITE_LOCKED: DatabaseBusyError,
    sqlite3.SQLITE_READONLY: ReadOnlyDatabaseError,
    sqlite3.SQLITE_PERM: ReadOnlyDatabaseError,
    sqlite3.SQLITE_CORRUPT: DamagedDataError,
    sqlite3.SQLITE_FULL: DiskFullError,
    sqlite3.SQLITE_NOTADB: ForeignDatabaseError,
}
# https://www.postgresql.org/docs/current/errcodes-appendix.html
_POSTGRES_FAULTS: dict[str, type[StoreError]] = {
    "25006": ReadOnlyDatabaseError,  # read_only_sql_transaction
    "42501": ReadOnlyDatabaseError,  # insufficient_privilege
    "53100": DiskFullError,
    "55P03": DatabaseBusyError,  # lock_not_available
    "40P01": DatabaseBusyError,  # deadlock_detected
    "40001": DatabaseBusyError,  # serialization_failure
    "XX001": DamagedDataError,
    "XX002": DamagedDataError,  # index_corrupted
}
ROW_CLASSES = ("22", "23")  # data exception, integrity constraint violation


def store_error(error: BaseException, where: str, path: Path | None = None) -> StoreError:
    """The error of ours that stands for a driver's error.

    Parameters
    ----------
    error
        What SQLAlchemy, ``sqlite3`` or ``psycopg`` raised.
    where
        The database as the owner knows it, without a password.
    path
        Its file, for SQLite.
    """
    if isinstance(error, PoolTimeoutError):
        return DatabaseBusyError(f"{where} is in use by another thread", remedy="try again in a minute")
    original = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    kind = _kind(original, path)
    if kind is not None:
        what, remedy = _REMEDIES[kind]
        return kind(f"{where} {what} ({_first_line(original)})", remedy=remedy)
    if path is not None:
        return StoreError(
            f"{where} cannot be used ({_first_line(original)})",
            remedy="check that its folder is yours",
        )
    if isinstance(error, OperationalError | InterfaceError) and getattr(original, "sqlstate", None) is None:
        return StoreError(
            f"{where} cannot be reached ({_first_line(original)})",
            remedy="check the server and the network",
        )
    state = getattr(original, "sqlstate", None)
    is_of_rows = isinstance(error, DataError | IntegrityError) if state is None else state[:2] in ROW_CLASSES
    refusal = RefusedRowsError if is_of_rows else StoreError
    return refusal(f"{where} refused ({_first_line(original)})", remedy="see the server's log")


@contextmanager
def translated(where: str, path: Path | None = None) -> Iterator[None]:
    """Raise our errors for the drivers' errors inside the block."""
    try:
        yield
    except (DBAPIError, PoolTimeoutError, sqlite3.Error) as error:
        raise store_error(error, where, path) from error


def _kind(original: BaseException, path: Path | None) -> type[StoreError] | None:
    code = getattr(original, "sqlite_errorcode", None)
    if code is None and str(original).startswith(NO_TEXT):
        return DamagedDataError
    if code is None:
        return _POSTGRES_FAULTS.get(getattr(original, "sqlstate", None) or "")
    primary = code & 0xFF  # the rest says which call failed
    if primary in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) and path is not None and _has_no_room(path):
        return DiskFullError  # one of the two files beside the database could not be made, or not grow
    if primary == sqlite3.SQLITE_CANTOPEN and path is not None and path.exists():
        return ReadOnlyDatabaseError  # a database in WAL mode needs two more files beside it
    return _SQLITE_FAULTS.get(primary)


def _has_no_room(path: Path) -> bool:
    try:
        return shutil.disk_usage(path.parent).free < NO_ROOM_BYTES
    except OSError:
        return False


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]
