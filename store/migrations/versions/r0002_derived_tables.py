"""What is made from the record: load steps, settled windows, fits of eras and days, verdicts."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the derived tables; the next nightly work fills them."""
    _make_steps()
    _make_windows()
    _make_fits()


def _make_steps() -> None:
    op.create_table(
        "load_step",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("at_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("power_before_w", sa.Double(), nullable=True),
        sa.Column("power_after_w", sa.Double(), nullable=True),
        sa.Column("temperature_before_c", sa.Double(), nullable=True),
        sa.Column("interface_resistance_k_per_w", sa.Double(), nullable=True),
        sa.Column("standard_error_k_per_w", sa.Double(), nullable=True),
        sa.Column("plate_resistance_k_per_w", sa.Double(), nullable=True),
        sa.Column("plate_standard_error_k_per_w", sa.Double(), nullable=True),
        sa.Column("residual_sd_k", sa.Double(), nullable=True),
        sa.Column("span_s", sa.Double(), nullable=True),
        sa.Column("memory_utilization_before_pct", sa.Double(), nullable=True),
        sa.Column("memory_utilization_after_pct", sa.Double(), nullable=True),
        sa.Column("clock_after_mhz", sa.Double(), nullable=True),
        sa.Column("fan_speed", sa.Double(), nullable=True),
        sa.Column("n_looks", sa.Integer(), nullable=False),
        sa.Column("not_identifiable", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_load_step_machine_id"),
        sa.PrimaryKeyConstraint("machine_id", "source", "at_utc_ms", name="pk_load_step"),
        sqlite_with_rowid=False,
    )


def _make_windows() -> None:
    op.create_table(
        "settled_window",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("recipe", sa.Text(), nullable=False),
        sa.Column("n_rows", sa.Integer(), nullable=False),
        sa.Column("n_windows", sa.Integer(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_settled_window_machine_id"),
        sa.PrimaryKeyConstraint("machine_id", "source", "day", name="pk_settled_window"),
    )


def _make_fits() -> None:
    op.create_table(
        "era_fit",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("from_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("recipe", sa.Text(), nullable=False),
        sa.Column("is_final", sa.Boolean(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_era_fit_machine_id"),
        sa.PrimaryKeyConstraint("machine_id", "source", "from_utc_ms", name="pk_era_fit"),
    )
    op.create_table(
        "day_fit",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("era_from_utc_ms", sa.BigInteger(), nullable=False),
        sa.Column("part", sa.Text(), nullable=False),
        sa.Column("workload_class", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("standard_error", sa.Double(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("interface_share", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_day_fit_machine_id"),
        sa.PrimaryKeyConstraint(
            "machine_id", "source", "day", "era_from_utc_ms", "part", "workload_class", name="pk_day_fit"
        ),
    )
    op.create_table(
        "verdict",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("recipe", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("shape", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name="fk_verdict_machine_id"),
        sa.PrimaryKeyConstraint("machine_id", "source", "day", name="pk_verdict"),
    )
