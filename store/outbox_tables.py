"""The tables of the outbox; `schema` joins them to all others."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
)


def outbox_tables(metadata: MetaData) -> tuple[Table, Table]:
    """Messages, and how far each has come on each channel.

    A key names one finding; a finding that may be told again later gets the next round. ``due_utc_ms`` of a
    message is when a sender should look at it next, NULL once there is nothing left to do.
    """
    message = Table(
        "message",
        metadata,
        Column("id", Integer, primary_key=True),
        Column("machine_id", ForeignKey("machine.id"), nullable=False),
        Column("key", Text, nullable=False),
        Column("round", Integer, nullable=False),
        Column("made_utc_ms", BigInteger, nullable=False),
        Column("lane", Text, nullable=False),
        Column("severity", Text, nullable=False),
        Column("source", Text, nullable=False),
        Column("subject", Text, nullable=False),
        Column("body", Text, nullable=False),
        Column("not_before_utc_ms", BigInteger, nullable=False),
        Column("due_utc_ms", BigInteger),
        UniqueConstraint("machine_id", "key", "round"),
        Index(None, "machine_id", "due_utc_ms"),
    )
    # One row for each channel that a message goes to, so that a retry reaches only those who lack it.
    message_delivery = Table(
        "message_delivery",
        metadata,
        Column("message_id", ForeignKey("message.id"), nullable=False),
        Column("channel", Text, nullable=False),  # a name that gives no address away
        Column("state", Text, nullable=False),
        Column("n_tries", Integer, nullable=False),
        Column("at_utc_ms", BigInteger, nullable=False),  # of the last change
        Column("due_utc_ms", BigInteger, nullable=False),  # of the next try, while it waits
        Column("reason", Text, nullable=False),
        PrimaryKeyConstraint("message_id", "channel"),
    )
    return message, message_delivery
