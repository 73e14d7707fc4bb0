"""A checksum in every plain row; the rows of before get theirs as they are now."""

from __future__ import annotations

import zlib

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

KEYS = {"source_sample": ("source_id", "time_utc_ms"), "probe_sample": ("time_utc_ms", "channel_id")}
CHUNK_ROWS = 5000


def upgrade() -> None:
    """Add the columns and fill them."""
    connection = op.get_bind()
    for name, key in KEYS.items():
        names = [column["name"] for column in sa.inspect(connection).get_columns(name)]
        op.add_column(name, sa.Column("checksum", sa.Integer(), nullable=True))
        table = sa.table(name, *(sa.column(column) for column in (*names, "checksum")))
        _fill(connection, table, names, key)


def _fill(connection: sa.Connection, table: sa.TableClause, names: list[str], key: tuple[str, str]) -> None:
    columns = [table.c[column] for column in key]
    change = sa.update(table).where(*(column == sa.bindparam(f"of_{column.name}") for column in columns))
    change = change.values(checksum=sa.bindparam("found"))
    query = sa.select(*(table.c[column] for column in names)).order_by(*columns).limit(CHUNK_ROWS)
    rows = connection.execute(query).all()
    while rows:
        places = [names.index(column) for column in key]
        values = [
            {f"of_{names[place]}": row[place] for place in places}
            | {"found": zlib.crc32(repr(tuple(row)).encode()) & 0xFFFFFF}
            for row in rows
        ]
        connection.execute(change, values)
        last = sa.tuple_(*(sa.literal(rows[-1][place]) for place in places))
        rows = connection.execute(query.where(sa.tuple_(*columns) > last)).all()
