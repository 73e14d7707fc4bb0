"""The steps lead to the same tables that a new database gets at once."""

from __future__ import annotations

import re

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import MetaData, create_engine, select, text
from sqlalchemy.schema import ColumnCollectionConstraint

from heatdrift.store.database import open_reader, open_unchecked, open_writer, parse_url
from heatdrift.store.errors import ForeignDatabaseError, NewerSchemaError
from heatdrift.store.migrations import upgrade
from heatdrift.store.schema import REVISIONS, alembic_version, metadata


def described(url: str) -> dict[str, object]:
    """Columns, types, keys and constraints of every table, as the database tells them."""
    database = open_reader(url)
    found = MetaData()
    with database.begin() as connection:
        found.reflect(connection)
        assert not compare_metadata(MigrationContext.configure(connection), metadata)
        words: dict[str, object] = {}
        if database.is_sqlite:
            rows = connection.execute(text("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL"))
            words = {name: sorted(re.findall(r"\w+", sql)) for name, sql in rows}  # WITHOUT ROWID, too
    database.close()
    for table in found.sorted_tables:
        words[f"{table.name}:columns"] = [(c.name, str(c.type), c.nullable) for c in table.columns]
        words[f"{table.name}:keys"] = sorted(
            (type(c).__name__, str(c.name), sorted(column.name for column in c.columns))
            for c in table.constraints
            if isinstance(c, ColumnCollectionConstraint)
        )
        words[f"{table.name}:indexes"] = sorted((i.name, [c.name for c in i.columns]) for i in table.indexes)
    return words


def test_the_steps_from_nothing_make_what_a_new_database_has(
    database_url: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    assert upgrade(database_url) is None
    stepped = described(database_url)
    if parse_url(database_url).get_backend_name() == "sqlite":
        at_once_url = f"sqlite:///{tmp_path_factory.mktemp('once') / 'h.db'}"
    else:
        at_once_url = database_url
        engine = create_engine(database_url)
        with engine.begin() as connection:
            name = connection.scalar(text("SELECT current_schema()"))
            connection.execute(text(f"DROP SCHEMA {name} CASCADE"))
            connection.execute(text(f"CREATE SCHEMA {name}"))
        engine.dispose()
    open_writer(at_once_url).close()
    assert stepped == described(at_once_url)


def test_an_upgrade_of_what_is_up_to_date_changes_nothing(database_url: str) -> None:
    open_writer(database_url).close()
    assert upgrade(database_url) == REVISIONS[-1]


def test_a_newer_database_is_not_touched(database_url: str) -> None:
    database = open_writer(database_url)
    with database.begin() as connection:
        connection.execute(alembic_version.update().values(version_num="9999"))
    database.close()
    with pytest.raises(NewerSchemaError):
        upgrade(database_url)
    database = open_unchecked(database_url)
    with database.begin() as connection:
        assert connection.scalar(select(alembic_version.c.version_num)) == "9999"
    database.close()


def test_a_foreign_database_is_not_touched(postgres_url: str) -> None:
    engine = create_engine(postgres_url)
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE cats (id int)"))
    engine.dispose()
    with pytest.raises(ForeignDatabaseError):
        upgrade(postgres_url)


def test_the_newest_step_is_the_one_that_is_expected() -> None:
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    from heatdrift.store.migrations import FOLDER

    config = Config()
    config.set_main_option("script_location", str(FOLDER))
    steps = [step.revision for step in ScriptDirectory.from_config(config).walk_revisions()]
    assert tuple(reversed(steps)) == REVISIONS
