"""How our SQLite file is made, opened and told from anybody else's."""

from __future__ import annotations

import errno
import os
import sqlite3
from pathlib import Path
from urllib.parse import quote

from .errors import DiskFullError, ForeignDatabaseError, ReadOnlyDatabaseError, StoreError

APPLICATION_ID = 0x48446474  # "HDdt"
BUSY_TIMEOUT_MS = 10_000  # longer than any commit or checkpoint of ours
JOURNAL_LIMIT_BYTES = 16 * 1024 * 1024  # the WAL is cut back to this after a checkpoint
CACHE_KIB = 2000  # SQLite's own default
CHECKPOINT_PAGES = 1000  # SQLite's own default: about 4 MB of WAL
FILE_MODE, FOLDER_MODE = 0o600, 0o700  # when somebody was at the machine is nobody else's business


def has_wal_reset_fix(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> bool:
    """Whether this SQLite is free of the WAL-reset bug (3.7.0 to 3.51.2).

    In the affected versions two connections that checkpoint at an unlucky moment can damage the file. One
    process checkpoints here, so that the moment does not come; an unaffected library is better still.

    References
    ----------
    .. [1] https://www.sqlite.org/wal.html, "The WAL-reset bug"; fixed in 3.51.3, 3.50.7 and 3.44.6.
    """
    if version < (3, 7, 0):
        return True
    fixed_in = {(3, 50): (3, 50, 7), (3, 44): (3, 44, 6)}.get((version[0], version[1]), (3, 51, 3))
    return version[:3] >= fixed_in


def make_folder(folder: Path) -> None:
    """Make a folder and those above it where they are missing, each for its owner alone.

    Raises
    ------
    OSError
        It cannot be made.
    """
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    for one in reversed(missing):  # `parents=True` would give the upper ones to everyone
        one.mkdir(mode=FOLDER_MODE, exist_ok=True)


def make_file(path: Path) -> None:
    """Make an empty file that only its owner can read, and its folder, where they are missing.

    One that is there is not even opened: to close any descriptor of a file gives up all locks that this
    process has on it. A connection that is open here would lose its own, and the next process that closes the
    database would take the log away from under it, with every row that is committed from then on.
    """
    try:
        make_folder(path.parent)
        if not path.exists():
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, FILE_MODE))
        elif path.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        elif not path.is_file():  # a pipe would be waited for without end
            raise OSError(errno.EINVAL, "it is no file")
        elif not os.access(path, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    except PermissionError as error:
        raise ReadOnlyDatabaseError(
            f"{path} cannot be written ({error.strerror})", remedy="check its owner and permissions"
        ) from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):  # room may come, so a recorder waits for it
            raise DiskFullError(
                f"{path} cannot be made ({error.strerror})", remedy="free some space"
            ) from error
        if error.errno == errno.EROFS:
            raise ReadOnlyDatabaseError(
                f"{path} cannot be written ({error.strerror})", remedy="choose a folder that can be written"
            ) from error
        raise StoreError(f"{path} cannot be opened ({error.strerror})", remedy="name a file") from error


def connect_writer(
    path: Path,
    *,
    keeps_checkpoints: bool,
    busy_timeout_ms: int = BUSY_TIMEOUT_MS,
    cache_kib: int = CACHE_KIB,
) -> sqlite3.Connection:
    """Open for writing; only who keeps the checkpoints ever copies the WAL back into the file."""
    connection = _connect(path, "mode=rw")
    try:
        if _is_new(connection):
            # Before the journal mode: in rollback mode these reach the file itself at once, so that a crash
            # leaves either nothing or a file that is known to be ours.
            connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        _refuse_foreign(connection, path)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA cache_size = -{cache_kib}")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(f"PRAGMA journal_size_limit = {JOURNAL_LIMIT_BYTES}")
        connection.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES if keeps_checkpoints else 0}")
        connection.execute(f"PRAGMA busy_timeout = {busy_timeout_ms}")
    except BaseException:
        connection.close()
        raise
    return connection


def need_readable(path: Path) -> None:
    """Refuse a file that is not there, or that belongs to somebody else, such as the system service.

    Raises
    ------
    StoreError
        With the reason.
    """
    try:
        is_there = path.exists()
        may_read = is_there and os.access(path, os.R_OK)
    except OSError:  # not even its folder may be entered
        is_there, may_read = True, False
    if not is_there:
        raise StoreError(
            f"there is no database {path}", remedy="start the service, or name it with --database"
        )
    if is_there and may_read and not path.is_file():  # a pipe would be waited for without end
        raise StoreError(f"{path} is no file", remedy="name another with --database")
    if not may_read:
        raise StoreError(f"{path} belongs to another user", remedy="run this as that user, or with sudo")


def connect_reader(path: Path) -> sqlite3.Connection:
    """Open for reading only; the file is not created, changed or checkpointed."""
    connection = _connect(path, _read_mode(path))
    try:
        _refuse_foreign(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _read_mode(path: Path) -> str:
    # A WAL database in a folder we cannot write (a mounted copy, say) opens only as immutable. That is true
    # while nobody writes it, and a writer always has the -wal file beside it.
    is_idle = not path.with_name(path.name + "-wal").exists()
    return "immutable=1" if is_idle and not os.access(path.parent, os.W_OK) else "mode=ro"


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"file:{quote(str(path.absolute()))}?{mode}"
    connection = sqlite3.connect(uri, uri=True, check_same_thread=False, isolation_level=None)
    connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")  # first: the next pragma may have to wait
    return connection


def _is_new(connection: sqlite3.Connection) -> bool:
    n_tables: int = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    return n_tables == 0 and _application_id(connection) == 0


def _application_id(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA application_id").fetchone()[0])


def _refuse_foreign(connection: sqlite3.Connection, path: Path) -> None:
    if _application_id(connection) != APPLICATION_ID:
        raise ForeignDatabaseError(
            f"{path} is a database of another program", remedy="name another file with --database"
        )
