"""The share of the joint in a day's rise, where an early form of step 0002 made the table without it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add the column where it is missing; most databases have it."""
    columns = {column["name"] for column in sa.inspect(op.get_bind()).get_columns("day_fit")}
    if "interface_share" not in columns:
        op.add_column("day_fit", sa.Column("interface_share", sa.Double(), nullable=True))
