"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make every table; written out, because a step must not change with the code."""
    _make_identities()
    _make_samples()
    _make_packed()
    _make_events()
    _make_journal()
    _make_service()


def _make_identities() -> None:
    op.create_table(
        "machine",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uuid", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("first_seen_utc_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_machine"),
        sa.UniqueConstraint("uuid", name="uq_machine"),
    )
    op.create_table(
        "source",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("first_seen_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_seen_utc_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_source_machine_id"),
        sa.PrimaryKeyConstraint("id", name="pk_source"),
        sa.UniqueConstraint("machine_id", "name", name="uq_source"),
    )
    op.create_table(
        "channel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("owner", sa.Text(), nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("door", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("driver", sa.Text(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("first_seen_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_seen_utc_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_channel_machine_id"),
        sa.PrimaryKeyConstraint("id", name="pk_channel"),
        sa.UniqueConstraint("machine_id", "key", "owner", "quantity", name="uq_channel"),
    )


def _make_samples() -> None:
    op.create_table(
        "source_sample",
        sa.Column("source_id", sa.Integer(), nullable=False),
        sa.Column("time_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("temperature_milli_c", sa.Integer(), nullable=True),
        sa.Column("hotspot_temperature_milli_c", sa.Integer(), nullable=True),
        sa.Column("memory_temperature_milli_c", sa.Integer(), nullable=True),
        sa.Column("power_milli_w", sa.Integer(), nullable=True),
        sa.Column("clock_milli_mhz", sa.Integer(), nullable=True),
        sa.Column("memory_clock_milli_mhz", sa.Integer(), nullable=True),
        sa.Column("utilization_milli_pct", sa.Integer(), nullable=True),
        sa.Column("memory_utilization_milli_pct", sa.Integer(), nullable=True),
        sa.Column("thermal_limited_milli_pct", sa.Integer(), nullable=True),
        sa.Column("power_limited_milli_pct", sa.Integer(), nullable=True),
        sa.Column("enforced_limit_milli_w", sa.Integer(), nullable=True),
        sa.Column("limit_reasons", sa.BigInteger(), nullable=True),
        sa.Column("cadence", sa.SmallInteger(), nullable=False),
        sa.Column("n_looks", sa.Integer(), nullable=False),
        sa.Column("missing_reasons", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["source_id"], ["source.id"], name="fk_source_sample_source_id"),
        sa.PrimaryKeyConstraint("source_id", "time_utc_ms", name="pk_source_sample"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "probe_sample",
        sa.Column("time_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("value_milli", sa.Integer(), nullable=True),
        sa.Column("missing_reason", sa.SmallInteger(), nullable=False),
        sa.ForeignKeyConstraint(["channel_id"], ["channel.id"], name="fk_probe_sample_channel_id"),
        sa.PrimaryKeyConstraint("time_utc_ms", "channel_id", name="pk_probe_sample"),
        sqlite_with_rowid=False,
    )


def _make_packed() -> None:
    op.create_table(
        "sealed_day",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("series", sa.Text(), nullable=False),
        sa.Column("first_day", sa.String(length=10), nullable=False),
        sa.Column("last_day", sa.String(length=10), nullable=False),
        sa.Column("n_rows", sa.Integer(), nullable=False),
        sa.Column("checksum", sa.String(length=64), nullable=False),
        sa.Column("codec", sa.Text(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_sealed_day_machine_id"),
        sa.PrimaryKeyConstraint("id", name="pk_sealed_day"),
    )
    op.create_index("ix_sealed_day", "sealed_day", ["machine_id", "series", "first_day"], unique=False)


def _make_events() -> None:
    op.create_table(
        "boot",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("boot_id", sa.Text(), nullable=False),
        sa.Column("first_seen_utc_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_boot_machine_id"),
        sa.PrimaryKeyConstraint("machine_id", "boot_id", name="pk_boot"),
    )
    op.create_table(
        "gap",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("from_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("to_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_gap_machine_id"),
        sa.PrimaryKeyConstraint("machine_id", "from_utc_ms", "to_utc_ms", "reason", "source", name="pk_gap"),
    )
    op.create_table(
        "identity_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("at_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_identity_change_machine_id"),
        sa.PrimaryKeyConstraint("id", name="pk_identity_change"),
        sa.UniqueConstraint("machine_id", "subject", "at_utc_ms", "after", name="uq_identity_change"),
    )


def _make_journal() -> None:
    op.create_table(
        "journal_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("at_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("details", sa.Text(), nullable=False),
        sa.Column("cost_milli", sa.BigInteger(), nullable=True),
        sa.Column("currency", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("photo_path", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_journal_entry_machine_id"),
        sa.PrimaryKeyConstraint("id", name="pk_journal_entry"),
    )
    op.create_index("ix_journal_entry", "journal_entry", ["machine_id", "at_utc_ms"], unique=False)


def _make_service() -> None:
    op.create_table(
        "service_state",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("at_utc_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_service_state_machine_id"),
        sa.PrimaryKeyConstraint("machine_id", "key", name="pk_service_state"),
    )
    op.create_table(
        "task_log",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("task", sa.Text(), nullable=False),
        sa.Column("at_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("ok", sa.Boolean(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_task_log_machine_id"),
        sa.PrimaryKeyConstraint("id", name="pk_task_log"),
    )
    op.create_index("ix_task_log", "task_log", ["machine_id", "task", "at_utc_ms"], unique=False)
