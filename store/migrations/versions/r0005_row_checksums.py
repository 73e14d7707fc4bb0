"""A checksum in every plain row; the rows of before have none and are sealed within two weeks."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the columns."""
    for table in ("source_sample", "probe_sample"):
        op.add_column(table, sa.Column("checksum", sa.Integer(), nullable=True))
