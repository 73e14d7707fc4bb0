"""The outbox: messages to the owner, and how far each has come on each channel."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the outbox."""
    op.create_table(
        "message",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("made_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("not_before_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("due_utc_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_message_machine_id"),
        sa.PrimaryKeyConstraint("id", name="pk_message"),
        sa.UniqueConstraint("machine_id", "key", "round", name="uq_message"),
    )
    op.create_index("ix_message", "message", ["machine_id", "due_utc_ms"], unique=False)
    op.create_table(
        "message_delivery",
        sa.Column("message_id", sa.Integer(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("n_tries", sa.Integer(), nullable=False),
        sa.Column("at_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("due_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["message_id"], ["message.id"], name="fk_message_delivery_message_id"),
        sa.PrimaryKeyConstraint("message_id", "channel", name="pk_message_delivery"),
    )
