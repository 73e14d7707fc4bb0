"""The tables, the same on SQLite and PostgreSQL.

Every row hangs on a machine, so that one database can hold many. Moments are UTC [ms since 1970]; measured
values are integers of thousandths of their unit, NULL where nothing was had.
"""

from __future__ import annotations

from enum import Enum

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from .checked_types import check_what_is_read
from .message import DeliveryState, Lane, Severity
from .outbox_tables import outbox_tables
from .records import Cadence, GapReason
from .sample_tables import sample_tables

REVISIONS = ("0001", "0002", "0003", "0004", "0005")
"""Schema revisions, oldest first; the last one is what this heatdrift reads and writes."""

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s",
        "ix": "ix_%(table_name)s",
    }
)

machine = Table(
    "machine",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("uuid", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("first_seen_utc_ms", BigInteger, nullable=False),
    UniqueConstraint("uuid"),
)

source = Table(
    "source",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("name", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("first_seen_utc_ms", BigInteger, nullable=False),
    Column("last_seen_utc_ms", BigInteger, nullable=False),
    UniqueConstraint("machine_id", "name"),
)

# One row for each owner that a channel ever had: a sensor that moves from one probe to another leaves the
# past of the first where it was.
channel = Table(
    "channel",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("key", Text, nullable=False),
    Column("owner", Text, nullable=False),  # source or probe
    Column("quantity", Text, nullable=False),
    Column("door", Text, nullable=False),
    Column("label", Text, nullable=False),
    Column("driver", Text, nullable=False),
    Column("method", Text, nullable=False),
    Column("device", Text, nullable=False),
    Column("first_seen_utc_ms", BigInteger, nullable=False),
    Column("last_seen_utc_ms", BigInteger, nullable=False),
    UniqueConstraint("machine_id", "key", "owner", "quantity"),
)

source_sample, probe_sample = sample_tables(metadata)

boot = Table(
    "boot",
    metadata,
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("boot_id", Text, nullable=False),
    Column("first_seen_utc_ms", BigInteger, nullable=False),
    PrimaryKeyConstraint("machine_id", "boot_id"),
)

gap = Table(
    "gap",
    metadata,
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("from_utc_ms", BigInteger, nullable=False),
    Column("to_utc_ms", BigInteger, nullable=False),
    Column("reason", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("detail", Text, nullable=False),
    PrimaryKeyConstraint("machine_id", "from_utc_ms", "to_utc_ms", "reason", "source"),
)

# The number gives the order: after a clock that was set back, the latest moment is not the latest change.
identity_change = Table(
    "identity_change",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("subject", Text, nullable=False),
    Column("at_utc_ms", BigInteger, nullable=False),
    Column("before", Text),
    Column("after", Text, nullable=False),
    UniqueConstraint("machine_id", "subject", "at_utc_ms", "after"),
)

journal_entry = Table(
    "journal_entry",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("at_utc_ms", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("details", Text, nullable=False),  # JSON
    Column("cost_milli", BigInteger),  # thousandths of the currency
    Column("currency", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("photo_path", Text, nullable=False),
    Index(None, "machine_id", "at_utc_ms"),
)

sealed_day = Table(
    "sealed_day",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("series", Text, nullable=False),  # a source, or "probes"
    Column("first_day", String(10), nullable=False),  # ISO dates, UTC
    Column("last_day", String(10), nullable=False),
    Column("n_rows", Integer, nullable=False),
    Column("checksum", String(64), nullable=False),  # SHA-256 of the table, hex
    Column("codec", Text, nullable=False),
    Column("packed", LargeBinary, nullable=False),
    Index(None, "machine_id", "series", "first_day"),
)

service_state = Table(
    "service_state",
    metadata,
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("key", Text, nullable=False),
    Column("value", Text, nullable=False),
    Column("at_utc_ms", BigInteger, nullable=False),
    PrimaryKeyConstraint("machine_id", "key"),
)

task_log = Table(
    "task_log",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("task", Text, nullable=False),
    Column("at_utc_ms", BigInteger, nullable=False),
    Column("ok", Boolean, nullable=False),
    Column("detail", Text, nullable=False),
    Index(None, "machine_id", "task", "at_utc_ms"),
)

# What follows is made from the rows above and can be made again. ``recipe`` names the algorithm, its
# settings and the journal entries that it was made under: a row with another recipe is out of date.

STEP_COLUMNS = (
    "power_before_w",
    "power_after_w",
    "temperature_before_c",
    "interface_resistance_k_per_w",
    "standard_error_k_per_w",
    "plate_resistance_k_per_w",
    "plate_standard_error_k_per_w",
    "residual_sd_k",
    "span_s",
    "memory_utilization_before_pct",
    "memory_utilization_after_pct",
    "clock_after_mhz",
    "fan_speed",
)

load_step = Table(
    "load_step",
    metadata,
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("source", Text, nullable=False),
    Column("at_utc_ms", BigInteger, nullable=False),
    *(Column(name, Double) for name in STEP_COLUMNS),
    Column("n_looks", Integer, nullable=False),
    Column("not_identifiable", Text, nullable=False),
    PrimaryKeyConstraint("machine_id", "source", "at_utc_ms"),
    sqlite_with_rowid=False,
)

# One row for every day that was worked through, also where it had no window: their columns differ with the
# fans and sources of the machine, so they lie in one Arrow table a day.
settled_window = Table(
    "settled_window",
    metadata,
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("source", Text, nullable=False),
    Column("day", String(10), nullable=False),  # ISO date, UTC
    Column("recipe", Text, nullable=False),
    Column("n_rows", Integer, nullable=False),  # of the raw record, to see where it grew since
    Column("n_windows", Integer, nullable=False),
    Column("packed", LargeBinary, nullable=False),
    PrimaryKeyConstraint("machine_id", "source", "day"),
)

# What all days of an era share: time constants, the model of the air; JSON. Final once its first stretch is
# complete, made anew each night until then.
era_fit = Table(
    "era_fit",
    metadata,
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("source", Text, nullable=False),
    Column("from_utc_ms", BigInteger, nullable=False),
    Column("recipe", Text, nullable=False),
    Column("is_final", Boolean, nullable=False),
    Column("body", Text, nullable=False),
    PrimaryKeyConstraint("machine_id", "source", "from_utc_ms"),
)

day_fit = Table(
    "day_fit",
    metadata,
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("source", Text, nullable=False),
    Column("day", String(10), nullable=False),  # ISO date, UTC
    Column("era_from_utc_ms", BigInteger, nullable=False),
    Column("part", Text, nullable=False),
    Column("workload_class", Text, nullable=False),
    Column("value", Double, nullable=False),  # in the unit of the part, K/W for a resistance
    Column("standard_error", Double, nullable=False),
    Column("n", Integer, nullable=False),  # load steps or settled windows in it
    Column("interface_share", Double),  # of the rise, where the interface part is in it
    PrimaryKeyConstraint("machine_id", "source", "day", "era_from_utc_ms", "part", "workload_class"),
)

verdict = Table(
    "verdict",
    metadata,
    Column("machine_id", ForeignKey("machine.id"), nullable=False),
    Column("source", Text, nullable=False),
    Column("day", String(10), nullable=False),  # the last one that it knew of
    Column("recipe", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("cause", Text, nullable=False),
    Column("shape", Text, nullable=False),
    Column("body", Text, nullable=False),  # JSON
    PrimaryKeyConstraint("machine_id", "source", "day"),
)

message, message_delivery = outbox_tables(metadata)

WORDS: dict[str, type[Enum]] = {
    "gap.reason": GapReason,
    "source_sample.cadence": Cadence,
    "message.lane": Lane,
    "message.severity": Severity,
    "message_delivery.state": DeliveryState,
}
"""Columns that hold one of a few values."""

# These two are read by the ten thousand; `derived` looks at their columns as a whole.
check_what_is_read(metadata, WORDS, but=("load_step", "day_fit"))

# Alembic's own table, spelled as Alembic spells it: the service makes a new database without loading Alembic.
revision_metadata = MetaData()
alembic_version = Table(
    "alembic_version",
    revision_metadata,
    Column("version_num", String(32), nullable=False),
    PrimaryKeyConstraint("version_num", name="alembic_version_pkc"),
)
