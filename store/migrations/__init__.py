"""Brings an older database up to date, with Alembic, from code: no settings file, forward only.

The service never imports this room; the nightly child and `heatdrift upkeep` do.
"""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import text

from ..database import MAKING_LOCK, open_unchecked, stored_revision
from ..errors import NewerSchemaError
from ..schema import REVISIONS

FOLDER = Path(__file__).parent


def upgrade(url: str) -> str | None:
    """Bring the tables to what this heatdrift needs, in one transaction; makes them where there are none.

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
            if not database.is_sqlite:
                connection.execute(text(f"SELECT pg_advisory_xact_lock({MAKING_LOCK})"))
            found = stored_revision(connection)
            if found is not None and found not in REVISIONS:
                raise NewerSchemaError(
                    f"{database.url_for_people} has schema {found}, this heatdrift knows {REVISIONS[-1]}",
                    remedy="update heatdrift",
                )
            if found != REVISIONS[-1]:
                config.attributes["connection"] = connection
                command.upgrade(config, "head")
    finally:
        database.close()
    return found
