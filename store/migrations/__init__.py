"""Brings an older database up to date, with Alembic, from code: no settings file, forward only.

The service never imports this room; the nightly child and `heatdrift upkeep` do.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, func, select, text

from ..database import MAKING_LOCK, Database, open_unchecked, stored_revision
from ..errors import NewerSchemaError
from ..schema import REVISIONS, machine

FOLDER = Path(__file__).parent


def upgrade(url: str, back_up: Callable[[Database], object] | None = None) -> str | None:
    """Bring the tables to what this heatdrift needs, in one transaction; makes them where there are none.

    Parameters
    ----------
    url
        The database.
    back_up
        Called before anything is changed in an older database that holds rows; what it raises leaves the
        database as it is. None for a record that can be made again, such as an invented machine's.

    Returns
    -------
    str or None
        The revision that was found, None where there were no tables.

    Raises
    ------
    ForeignDatabaseError, NewerSchemaError, DatabaseBusyError, StoreError
        Nothing was changed: see `errors`.
    """
    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    database = open_unchecked(url)
    try:
        with database.begin() as connection:
            is_to_be_kept = _found(database, connection) not in (None, REVISIONS[-1]) and _holds_rows(
                connection
            )
        if is_to_be_kept and back_up is not None:
            back_up(database)
        with database.begin() as connection:
            if not database.is_sqlite:
                connection.execute(text(f"SELECT pg_advisory_xact_lock({MAKING_LOCK})"))
            found = _found(database, connection)
            if found != REVISIONS[-1]:
                config.attributes["connection"] = connection
                command.upgrade(config, "head")
    finally:
        database.close()
    return found


def _found(database: Database, connection: Connection) -> str | None:
    """The revision of the tables; a later one than ours is refused."""
    found = stored_revision(connection)
    if found is not None and found not in REVISIONS:
        raise NewerSchemaError(
            f"{database.url_for_people} has schema {found}, this heatdrift knows {REVISIONS[-1]}",
            remedy="update heatdrift",
        )
    return found


def _holds_rows(connection: Connection) -> bool:
    """Whether anything was recorded: every row hangs on a machine."""
    return bool(connection.scalar(select(func.count()).select_from(machine)))
