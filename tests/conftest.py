"""Databases for the tests: every test of the store runs on a SQLite file and on a real PostgreSQL."""

from __future__ import annotations

import itertools
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from heatdrift.store.database import Database, open_writer

Stopper = Callable[[], None]

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """URL of a private PostgreSQL server on a unix socket; skips with the reason where there is none."""
    folder = Path(tempfile.mkdtemp(prefix="hd-pg-", dir="/tmp"))  # a socket's path has to be short
    try:
        try:
            url, stop = _start_system_server(folder)
        except (OSError, LookupError, subprocess.SubprocessError) as trouble:
            url, stop = _start_wheel_server(folder, trouble)
        try:
            yield url
        finally:
            stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of a fresh, empty database of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store' / 'heatdrift.db'}"
    return _fresh_schema(request.getfixturevalue("postgres_server"))


@pytest.fixture
def sqlite_url(tmp_path: Path) -> str:
    """URL of a fresh SQLite file, for what only a file can suffer."""
    return f"sqlite:///{tmp_path / 'store' / 'heatdrift.db'}"


@pytest.fixture
def postgres_url(postgres_server: str) -> str:
    """URL of a fresh schema on the PostgreSQL server."""
    return _fresh_schema(postgres_server)


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """An open, empty database of each kind."""
    opened = open_writer(database_url)
    yield opened
    opened.close()


def _fresh_schema(server: str) -> str:
    name = f"t{next(_numbers)}"
    engine = create_engine(server)
    with engine.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {name}"))
    engine.dispose()
    return f"{server}&options=-csearch_path%3D{name}"


def _start_system_server(folder: Path) -> tuple[str, Stopper]:
    binaries = _binaries()
    user = _unprivileged_user()
    if user is not None:
        shutil.chown(folder, user.pw_uid, user.pw_gid)
    rows, socket = folder / "rows", folder
    _run(
        [binaries / "initdb", "-D", rows, "-U", "heatdrift", "-A", "trust", "-E", "UTF8", "--locale=C", "-N"],
        user,
    )
    options = f"-c listen_addresses='' -c unix_socket_directories={socket} -c fsync=off -c max_connections=30"
    _run([binaries / "pg_ctl", "-D", rows, "-l", folder / "log", "-w", "-o", options, "start"], user)

    def stop() -> None:
        _run([binaries / "pg_ctl", "-D", rows, "-m", "immediate", "stop"], user)

    return f"postgresql+psycopg://heatdrift@/postgres?host={socket}", stop


def _binaries() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"))
    on_path = shutil.which("pg_ctl")
    if on_path and shutil.which("initdb"):
        found.append(Path(on_path))
    for pg_ctl in reversed(found):
        if (pg_ctl.parent / "initdb").exists():
            return pg_ctl.parent
    raise LookupError("no pg_ctl on PATH or under /usr/lib/postgresql")


def _unprivileged_user() -> pwd.struct_passwd | None:
    if os.geteuid() != 0:
        return None  # the server refuses to run as root, and as nobody else
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise LookupError("no unprivileged user to run PostgreSQL as")


def _run(command: list[str | Path], user: pwd.struct_passwd | None) -> None:
    subprocess.run(
        [str(word) for word in command],
        check=True,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,  # a pipe would stay open as long as the server lives
        stderr=subprocess.DEVNULL,
        cwd="/tmp",
        env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C", "HOME": "/tmp"},
        timeout=60,
        user=None if user is None else user.pw_uid,
        group=None if user is None else user.pw_gid,
        extra_groups=None if user is None else [],
    )


def _start_wheel_server(folder: Path, trouble: Exception) -> tuple[str, Stopper]:
    pgserver = pytest.importorskip("pgserver", reason=f"no PostgreSQL: {trouble}; and no pgserver wheel")
    server = pgserver.get_server(folder / "wheel", cleanup_mode="stop")
    url = server.get_uri().replace("postgresql://", "postgresql+psycopg://")
    return url if "?" in url else f"{url}?application_name=tests", server.cleanup
