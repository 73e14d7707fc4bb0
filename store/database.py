"""Opening the database: one writer, readers that cannot write, SQLite or PostgreSQL by URL."""

from __future__ import annotations

import importlib
import logging
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Table, create_engine, event, inspect, make_url, select, text
from sqlalchemy.engine import URL
from sqlalchemy.exc import ArgumentError, NoSuchModuleError
from sqlalchemy.pool import QueuePool

from . import sqlite_file
from .errors import ForeignDatabaseError, NewerSchemaError, SchemaOutdatedError, SettingsError, StoreError
from .faults import translated
from .owner_file import owner_path
from .schema import REVISIONS, alembic_version, metadata, revision_metadata
from .shown_url import without_password

log = logging.getLogger(__name__)

URL_REMEDY = "write sqlite:///file or postgresql://..."
# A server that is gone without a word is given up after two minutes, not after the system's hours.
POSTGRES_PATIENCE = {
    "connect_timeout": 10,
    "keepalives_idle": 60,
    "keepalives_interval": 20,
    "keepalives_count": 3,
    "tcp_user_timeout": 120_000,
}
MAKING_LOCK = 0x48446474  # PostgreSQL advisory lock: two services must not make the tables at once


class Database:
    """An open database.

    Attributes
    ----------
    engine
        SQLAlchemy engine; `begin` is the better way in, because it raises our errors.
    path
        The file, None where there is a server.
    url_for_people
        What may be printed: no password in it.
    """

    def __init__(self, url: URL, engine: Engine, *, can_write: bool) -> None:
        self.url = url
        self.engine = engine
        self.can_write = can_write
        self.path = sqlite_path(url)
        self.url_for_people = str(self.path or without_password(url.render_as_string(hide_password=False)))

    @property
    def is_sqlite(self) -> bool:
        """Whether it is a file rather than a server."""
        return self.path is not None

    @contextmanager
    def begin(self) -> Iterator[Connection]:
        """One transaction: committed at the end, rolled back on an error, which is one of ours.

        For a writer on SQLite it holds the pen from its first moment, so that it cannot fail half-way.
        """
        with translated(self.url_for_people, self.path), self.engine.begin() as connection:
            yield connection

    def insert(self, table: Table) -> Any:
        """An INSERT that knows ``on_conflict_do_nothing``, in the dialect of this database."""
        return importlib.import_module(f"sqlalchemy.dialects.{self.engine.dialect.name}").insert(table)

    @contextmanager
    def sqlite_connection(self) -> Iterator[sqlite3.Connection]:
        """The driver's own connection, outside any transaction: for pragmas and the backup."""
        with translated(self.url_for_people, self.path):
            pooled = self.engine.raw_connection()
            try:
                yield pooled.driver_connection  # type: ignore[misc]
            finally:
                pooled.close()

    def close(self) -> None:
        """Close every connection; the next use opens a new one."""
        self.engine.dispose()


def open_writer(
    url: str,
    *,
    keeps_checkpoints: bool = True,
    busy_timeout_ms: int = sqlite_file.BUSY_TIMEOUT_MS,
    cache_kib: int = sqlite_file.CACHE_KIB,
    on_connect: Callable[[Any], None] | None = None,
    may_make: bool = True,
) -> Database:
    """Open for writing, making the file and the tables where there are none.

    Parameters
    ----------
    url
        ``sqlite:///file``, a plain path, or ``postgresql://...``.
    keeps_checkpoints
        Only the service and its nightly child copy the WAL back into the file; a short command that writes
        beside them passes False.
    busy_timeout_ms
        How long a SQLite write waits for another process before it fails [ms].
    cache_kib
        Pages of a SQLite file kept in memory [KiB]; little for who only appends, and stays for months.
    on_connect
        Shown the driver's connection to a server before anything is asked through it.
    may_make
        False refuses a file that is not there, for who knows that it was: its disk may be away.

    Raises
    ------
    ForeignDatabaseError, NewerSchemaError, SchemaOutdatedError, ReadOnlyDatabaseError, DatabaseBusyError
        See `errors`.
    """
    if not may_make and (path := sqlite_path(parse_url(url))) is not None:
        sqlite_file.need_readable(path)
    database = open_unchecked(
        url, keeps_checkpoints=keeps_checkpoints, busy_timeout_ms=busy_timeout_ms, cache_kib=cache_kib
    )
    if on_connect is not None and not database.is_sqlite:
        event.listen(database.engine, "connect", lambda found, _record: on_connect(found), insert=True)
    if database.is_sqlite and keeps_checkpoints and not sqlite_file.has_wal_reset_fix():
        log.warning(
            "SQLite %s has a rare bug that can damage a file two processes checkpoint at once; only this one "
            "does, and 3.51.3 is free of it",
            sqlite3.sqlite_version,
        )
    return _checked(database, _make_tables)


def open_unchecked(
    url: str,
    *,
    keeps_checkpoints: bool = True,
    busy_timeout_ms: int = sqlite_file.BUSY_TIMEOUT_MS,
    cache_kib: int = sqlite_file.CACHE_KIB,
) -> Database:
    """Open for writing whatever is there, whichever schema it has: for the migrations."""
    parsed = parse_url(url)
    path = sqlite_path(parsed)
    if path is not None:
        sqlite_file.make_file(path)
        connect = partial(
            sqlite_file.connect_writer,
            path,
            keeps_checkpoints=keeps_checkpoints,
            busy_timeout_ms=busy_timeout_ms,
            cache_kib=cache_kib,
        )
        engine = _sqlite_engine(connect, "BEGIN IMMEDIATE")
    else:
        engine = _postgres_engine(parsed, can_write=True)
    return Database(parsed, engine, can_write=True)


def open_reader(url: str) -> Database:
    """Open an existing database; nothing can be written through it.

    Raises
    ------
    StoreError
        There is no such file or server, or it is not ours to read: see `errors`.
    """
    parsed = parse_url(url)
    path = sqlite_path(parsed)
    if path is not None:
        sqlite_file.need_readable(path)
        engine = _sqlite_engine(partial(sqlite_file.connect_reader, path), "BEGIN")
    else:
        engine = _postgres_engine(parsed, can_write=False)
    return _checked(Database(parsed, engine, can_write=False), _refuse_empty)


def parse_url(url: str) -> URL:
    """Read a database URL; a plain path means a SQLite file."""
    if "://" not in url:
        return URL.create("sqlite", database=str(owner_path(url)))
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError):  # whose words hold the URL, and with it the password
        raise SettingsError("the database URL cannot be read", remedy=URL_REMEDY) from None
    if "@" in (parsed.host or ""):  # the rest of the password would be looked up as a host
        raise SettingsError("the database URL holds a @ too many", remedy="write %40 for a @ in a password")
    backend = parsed.get_backend_name()
    if backend in ("postgres", "postgresql"):
        return parsed.set(drivername="postgresql+psycopg")
    if backend != "sqlite":
        raise SettingsError(f"no such kind of database: {backend}", remedy=URL_REMEDY)
    if not parsed.database or parsed.database == ":memory:":
        raise SettingsError("the database URL names no file", remedy=URL_REMEDY)
    return URL.create("sqlite", database=str(owner_path(parsed.database)))


def sqlite_path(url: URL) -> Path | None:
    """The file of a SQLite URL, None for a server."""
    return Path(url.database or "") if url.get_backend_name() == "sqlite" else None


def stored_revision(connection: Connection) -> str | None:
    """Schema revision of the database, None where it has no tables yet.

    Raises
    ------
    ForeignDatabaseError
        It has tables, and they are not ours.
    """
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return None
    revision = None
    if alembic_version.name in tables:
        revision = connection.scalar(select(alembic_version.c.version_num))
    if not tables.intersection(metadata.tables):
        if tables == {alembic_version.name} and revision is None:
            return None
        raise ForeignDatabaseError(
            "the database holds tables of another program", remedy="give heatdrift a database of its own"
        )
    return str(revision)


def _checked(database: Database, when_empty: Callable[[Database], None]) -> Database:
    try:
        with database.begin() as connection:
            revision = stored_revision(connection)
        if revision is None:
            when_empty(database)
        elif revision != REVISIONS[-1]:
            raise _wrong_revision(revision, database)
    except BaseException:
        database.close()
        raise
    return database


def _wrong_revision(revision: str, database: Database) -> StoreError:
    where = database.url_for_people
    if revision in REVISIONS:
        return SchemaOutdatedError(
            f"{where} has schema {revision}, this heatdrift needs {REVISIONS[-1]}",
            remedy="run `heatdrift upkeep` once",
        )
    return NewerSchemaError(
        f"{where} has schema {revision}, this heatdrift knows {REVISIONS[-1]}", remedy="update heatdrift"
    )


def _make_tables(database: Database) -> None:
    with database.begin() as connection:
        if not database.is_sqlite:
            connection.execute(text(f"SELECT pg_advisory_xact_lock({MAKING_LOCK})"))
        if stored_revision(connection) is not None:
            return  # another process was first
        metadata.create_all(connection)
        revision_metadata.create_all(connection)
        connection.execute(alembic_version.insert().values(version_num=REVISIONS[-1]))
    log.info("made a new database: %s", database.url_for_people)


def _refuse_empty(database: Database) -> None:
    raise StoreError(f"{database.url_for_people} holds nothing yet", remedy="start the service")


def _sqlite_engine(connect: Callable[[], sqlite3.Connection], begin: str) -> Engine:
    engine = create_engine(
        "sqlite://", creator=connect, poolclass=QueuePool, pool_size=1, max_overflow=0, pool_timeout=30
    )
    # sqlite3 would begin late and only for some statements; a transaction is to begin where it is written.
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql(begin))
    return engine


def _postgres_engine(url: URL, *, can_write: bool) -> Engine:
    try:
        engine = create_engine(
            url,
            pool_size=1,
            max_overflow=0,
            pool_pre_ping=True,
            connect_args={key: value for key, value in POSTGRES_PATIENCE.items() if key not in url.query},
            # A reader's queries must see one moment, or sealing between two of them would show rows twice.
            isolation_level="READ COMMITTED" if can_write else "REPEATABLE READ",
        )
    except (ImportError, NoSuchModuleError) as error:
        raise SettingsError(
            "PostgreSQL needs a driver that is not installed", remedy="pip install 'heatdrift[postgresql]'"
        ) from error
    if not can_write:
        event.listen(engine, "connect", lambda connection, _record: setattr(connection, "read_only", True))
    return engine
