"""The tables of plain rows: one for the sources, one for everything else; `schema` joins them to the rest."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    SmallInteger,
    Table,
)

from .units import SOURCE_QUANTITIES

VALUE_COLUMNS = tuple(quantity.stored_name for quantity in SOURCE_QUANTITIES)


def sample_tables(metadata: MetaData) -> tuple[Table, Table]:
    """Rows that are not sealed yet.

    ``checksum`` is that of the other cells, see `row_checksum`.
    """
    source_sample = Table(
        "source_sample",
        metadata,
        Column("source_id", ForeignKey("source.id"), nullable=False),
        Column("time_utc_ms", BigInteger, nullable=False),
        *(Column(name, Integer) for name in VALUE_COLUMNS),
        Column("limit_reasons", BigInteger),
        Column("cadence", SmallInteger, nullable=False),
        Column("n_looks", Integer, nullable=False),
        Column("missing_reasons", BigInteger, nullable=False),
        Column("checksum", Integer),
        PrimaryKeyConstraint("source_id", "time_utc_ms"),
        sqlite_with_rowid=False,
    )
    # Time first: a batch of many probes then lands on one or two neighbouring pages. With the channel first
    # each probe touches a page of its own at every commit, 4 KiB for a few bytes.
    probe_sample = Table(
        "probe_sample",
        metadata,
        Column("time_utc_ms", BigInteger, nullable=False),
        Column("channel_id", ForeignKey("channel.id"), nullable=False),
        Column("value_milli", Integer),
        Column("missing_reason", SmallInteger, nullable=False),
        Column("checksum", Integer),
        PrimaryKeyConstraint("time_utc_ms", "channel_id"),
        sqlite_with_rowid=False,
    )
    return source_sample, probe_sample
