"""Rows that wait on this computer until a server has them.

A server may be restarted, slow, or away for days; a file beside the program is neither. So everything that is
meant for a server is first written down here, in order, and taken out once the server has committed it. The
file is a small SQLite database of its own: what stands in it survives a kill and a power cut.

One connection serves the thread that writes down and the thread that delivers, each call under a lock, so
that only one ever checkpoints.
"""

from __future__ import annotations

import logging
import secrets
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple

from . import sqlite_file
from .errors import DamagedDataError, ForeignDatabaseError, NewerSchemaError, StoreError
from .faults import translated
from .spool_entries import Draft, Entry

log = logging.getLogger(__name__)

VERSION = 1
BUSY_TIMEOUT_MS = 500
CACHE_KIB = 256
SPARE_PAGES = 64  # 256 KiB stay for the next entries
_TABLES = """
BEGIN IMMEDIATE;
CREATE TABLE IF NOT EXISTS entry (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    life TEXT NOT NULL,
    at_utc_ms INTEGER NOT NULL,
    kind TEXT NOT NULL,
    n_rows INTEGER NOT NULL,
    body BLOB NOT NULL,
    is_set_aside INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE IF NOT EXISTS known (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
PRAGMA user_version = 1;
COMMIT;
"""


class Backlog(NamedTuple):
    """What waits.

    Attributes
    ----------
    n_entries, n_rows
        Everything, and the rows among it.
    since_utc_ms
        When the oldest of it was written down [ms since 1970], None where nothing waits.
    n_set_aside
        Entries that could not be read, and are kept.
    """

    n_entries: int
    n_rows: int
    since_utc_ms: int | None
    n_set_aside: int


class Spool:
    """The file in which rows wait for a server; nothing is touched before `open`.

    Parameters
    ----------
    path
        The file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._connection: sqlite3.Connection | None = None
        self._damage: StoreError | None = None
        self._life = ""

    def open(self) -> None:
        """Open the file, making it where there is none; one that is damaged is kept beside it.

        Raises
        ------
        StoreError
            See `errors`.
        """
        with self._lock, translated(str(self.path), self.path):
            if self._connection is None:
                self._life = secrets.token_hex(4)
                try:
                    self._connection = _opened(self.path)
                except (DamagedDataError, ForeignDatabaseError) as error:
                    self._begin_anew(error)

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            if self._connection is not None:
                self._connection.close()
                self._connection = None

    def append(self, drafts: Sequence[Draft], known: Mapping[str, str] | None = None) -> None:
        """Write entries down and change what is known: all of it or nothing, and on the disk on return.

        A file that turns out to be damaged is kept beside a new one.
        """
        try:
            self._append(drafts, known or {})
        except (DamagedDataError, ForeignDatabaseError):
            self._append(drafts, known or {})

    def oldest(self, most_rows: int, most_entries: int) -> list[Entry]:
        """The entries to be delivered next, in order; one at least where any waits."""
        found: list[Entry] = []
        n_rows = 0
        with self._transaction() as connection:
            query = (
                "SELECT number, life, at_utc_ms, kind, body, n_rows FROM entry WHERE NOT is_set_aside "
                "ORDER BY number LIMIT ?"
            )
            with closing(connection.execute(query, (most_entries,))) as rows:
                for *cells, n in rows:
                    n_rows += n
                    if found and n_rows > most_rows:
                        break
                    found.append(Entry(*cells))
        return found

    def newest(self) -> int:
        """Number of the newest entry that waits, 0 where nothing does."""
        with self._transaction() as connection:
            query = "SELECT coalesce(max(number), 0) FROM entry WHERE NOT is_set_aside"
            return int(connection.execute(query).fetchone()[0])

    def forget(self, through: int, known: Mapping[str, str] | None = None) -> None:
        """Take out what was delivered: every entry up to this number."""
        with self._transaction() as connection:
            connection.execute("DELETE FROM entry WHERE number <= ? AND NOT is_set_aside", (through,))
            _learn(connection, known or {})
            is_empty = connection.execute("SELECT 1 FROM entry LIMIT 1").fetchone() is None
        if is_empty:
            self._give_room_back()

    def set_aside(self, number: int) -> None:
        """Keep an entry that says nothing, out of the way of the others."""
        with self._transaction() as connection:
            connection.execute("UPDATE entry SET is_set_aside = 1 WHERE number = ?", (number,))

    def learn(self, known: Mapping[str, str], *, is_newer: bool = True) -> None:
        """Keep what was learned, under names; an older word only under names that are free."""
        with self._transaction() as connection:
            _learn(connection, known, is_newer=is_newer)

    def known(self) -> dict[str, str]:
        """What was learned."""
        with self._transaction() as connection:
            return dict(connection.execute("SELECT name, value FROM known").fetchall())

    def backlog(self) -> Backlog:
        """What waits."""
        with self._transaction() as connection:
            return _backlog(connection)

    def checkpoint(self) -> None:
        """Copy the log beside the file into it."""
        with self._lock, translated(str(self.path), self.path):
            self._open_connection().execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def _begin_anew(self, error: StoreError) -> None:
        kept = _set_aside(self.path)
        log.error("rows that waited may be lost: %s; it is kept as %s", error.message, kept)
        self._connection, self._damage = _opened(self.path), None

    def _append(self, drafts: Sequence[Draft], known: Mapping[str, str]) -> None:
        with self._transaction() as connection:
            connection.executemany(
                "INSERT INTO entry (life, at_utc_ms, kind, n_rows, body) VALUES (?, ?, ?, ?, ?)",
                [(self._life, one.at_utc_ms, one.kind.value, one.n_rows, one.body) for one in drafts],
            )
            _learn(connection, known)

    def _give_room_back(self) -> None:
        with self._lock, translated(str(self.path), self.path):
            connection = self._open_connection()
            if connection.execute("PRAGMA freelist_count").fetchone()[0] > SPARE_PAGES:
                connection.executescript(
                    "PRAGMA incremental_vacuum"
                )  # `execute` would stop at the first page
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            if self._damage is not None:
                self.close()
                self._begin_anew(self._damage)
            try:
                with translated(str(self.path), self.path), self._begun() as connection:
                    yield connection
            except (DamagedDataError, ForeignDatabaseError) as error:
                self._damage = error
                raise

    @contextmanager
    def _begun(self) -> Iterator[sqlite3.Connection]:
        connection = self._open_connection()
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise

    def _open_connection(self) -> sqlite3.Connection:
        if self._connection is None:
            raise StoreError(f"{self.path} is not open", remedy="start the service")
        return self._connection


def waiting(path: Path) -> tuple[Backlog, dict[str, str]]:
    """What waits in a file and what is known there, without changing it.

    Raises
    ------
    StoreError
        There is no such file, or it is not ours to read.
    """
    sqlite_file.need_readable(path)
    with translated(str(path), path):
        connection = sqlite_file.connect_reader(path)
        with closing(connection):
            connection.execute("BEGIN")
            return _backlog(connection), dict(connection.execute("SELECT name, value FROM known").fetchall())


def _opened(path: Path) -> sqlite3.Connection:
    with translated(str(path), path):
        sqlite_file.make_file(path)
        connection = sqlite_file.connect_writer(
            path, keeps_checkpoints=True, busy_timeout_ms=BUSY_TIMEOUT_MS, cache_kib=CACHE_KIB
        )
        try:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if version > VERSION:
                raise NewerSchemaError(
                    f"{path} has version {version}, this heatdrift knows {VERSION}", remedy="update heatdrift"
                )
            said = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if said != "ok":
                raise DamagedDataError(f"{path} is damaged ({said})")
            connection.executescript(_TABLES)
        except BaseException:
            connection.close()
            raise
    return connection


def _set_aside(path: Path) -> Path:
    kept = path.with_name(f"{path.name}.damaged-{secrets.token_hex(3)}")
    for ending in ("", "-wal", "-shm"):
        piece = path.with_name(path.name + ending)
        if piece.exists():
            piece.rename(kept.with_name(kept.name + ending))
    return kept


def _learn(connection: sqlite3.Connection, known: Mapping[str, str], *, is_newer: bool = True) -> None:
    statement = "INSERT OR IGNORE INTO known VALUES (?, ?)"
    if is_newer:
        statement = "INSERT OR REPLACE INTO known VALUES (?, ?)"
    connection.executemany(statement, list(known.items()))


def _backlog(connection: sqlite3.Connection) -> Backlog:
    query = "SELECT count(*), coalesce(sum(n_rows), 0), min(at_utc_ms) FROM entry WHERE NOT is_set_aside"
    n_entries, n_rows, since_utc_ms = connection.execute(query).fetchone()
    n_set_aside = connection.execute("SELECT count(*) FROM entry WHERE is_set_aside").fetchone()[0]
    return Backlog(n_entries, n_rows, since_utc_ms, n_set_aside)
