"""How a finished stretch of rows becomes one small Parquet table, and back.

Every column is a whole number, so that differences stay small: DELTA_BINARY_PACKED, then zstd. A column
without any value is left out. The table can be read by any Parquet reader; its key-value metadata says what
it is.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from .errors import REPAIR_REMEDY, DamagedDataError
from .sample_tables import VALUE_COLUMNS

CODEC = "parquet-1"
ZSTD_LEVEL = 9  # 3 packs a day in half the time and 1 to 2 % larger; a day is packed once and kept for ever
DAY_MS = 86_400_000
TIME = "time_utc_ms"
PACKED_TIME = "time_ms"  # from midnight of the first day: fits 32 bits for 24 days

SOURCE_SCHEMA = pa.schema(
    [
        (TIME, pa.int64()),
        *((name, pa.int32()) for name in VALUE_COLUMNS),
        ("limit_reasons", pa.int64()),
        ("cadence", pa.int32()),
        ("n_looks", pa.int32()),
        ("missing_reasons", pa.int64()),
    ]
)
PROBE_SCHEMA = pa.schema(
    [
        (TIME, pa.int64()),
        ("channel_id", pa.int32()),
        ("value_milli", pa.int32()),
        ("missing_reason", pa.int32()),
    ]
)


def day_of(time_utc_ms: int) -> date:
    """The UTC day of a moment [ms since 1970]."""
    return datetime.fromtimestamp(time_utc_ms // 1000, UTC).date()


def midnight_utc_ms(day: date) -> int:
    """The first moment of a UTC day [ms since 1970]."""
    return (day - date(1970, 1, 1)) // timedelta(days=1) * DAY_MS


def table_of(rows: Sequence[Any], schema: pa.Schema) -> pa.Table:
    """Rows from the database as a table; an empty list gives an empty table."""
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(schema)
    return pa.table(
        [pa.array(column, kind.type) for column, kind in zip(columns, schema, strict=True)], schema
    )


def pack(table: pa.Table, first_day: date, about: Mapping[str, Any]) -> bytes:
    """Pack a table of `SOURCE_SCHEMA`, or one that `widen` made, into Parquet.

    Parameters
    ----------
    table
        Sorted by ``time_utc_ms``, not earlier than ``first_day``.
    about
        Written into the key-value metadata.
    """
    start = pa.scalar(midnight_utc_ms(first_day), pa.int64())
    names = [name for name in table.column_names if table[name].null_count < table.num_rows]
    slim = table.select(names)
    offsets = pc.cast(pc.subtract(slim[TIME], start), pa.int32())
    slim = slim.set_column(names.index(TIME), PACKED_TIME, offsets)
    sink = pa.BufferOutputStream()
    with pq.ParquetWriter(
        sink,
        slim.schema,
        compression="zstd",
        compression_level=ZSTD_LEVEL,
        use_dictionary=False,
        column_encoding=dict.fromkeys(slim.column_names, "DELTA_BINARY_PACKED"),
        write_statistics=False,
        store_schema=False,
    ) as writer:
        writer.write_table(slim)
        about = {"first_day": first_day.isoformat(), **about}
        writer.add_key_value_metadata({"heatdrift": json.dumps(about)})
    return bytes(sink.getvalue())


def checksum(packed: bytes) -> str:
    """SHA-256, hex."""
    return hashlib.sha256(packed).hexdigest()


def unpack(packed: bytes, expected_checksum: str, what: str) -> pa.Table:
    """Undo `pack`; columns that were left out stay out.

    Raises
    ------
    DamagedDataError
        The bytes are not those that were sealed; ``what`` names them.
    """
    if checksum(packed) != expected_checksum:
        raise DamagedDataError(
            f"sealed rows of {what} do not match their checksum",
            remedy=REPAIR_REMEDY,
        )
    file = pq.ParquetFile(pa.BufferReader(packed))
    about = json.loads(file.metadata.metadata[b"heatdrift"])
    table = file.read(use_threads=False)
    start = pa.scalar(midnight_utc_ms(date.fromisoformat(about["first_day"])), pa.int64())
    moments = pc.add(pc.cast(table[PACKED_TIME], pa.int64()), start)
    position = table.column_names.index(PACKED_TIME)
    return table.set_column(position, TIME, moments).replace_schema_metadata(None)


def completed(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """The same table with the columns of ``schema``, in its order; NULL where a column was left out."""
    has = set(table.column_names)
    columns = [table[f.name] if f.name in has else pa.nulls(table.num_rows, f.type) for f in schema]
    return pa.table(columns, schema=schema)


def widen(probes: pa.Table) -> pa.Table:
    """One row for each moment and two columns for each channel: ``v<id>`` and, where needed, ``r<id>``.

    Without ``r<id>``, NULL means that there was no row; with it, that is where ``r<id>`` is NULL.
    """
    moments = np.unique(probes[TIME].to_numpy())
    columns = {TIME: pa.array(moments, pa.int64())}
    for channel_id in sorted(pc.unique(probes["channel_id"]).to_pylist()):
        one = probes.filter(pc.equal(probes["channel_id"], channel_id))
        places = np.searchsorted(moments, one[TIME].to_numpy())
        columns[f"v{channel_id}"] = _spread(one["value_milli"], places, len(moments))
        if one["value_milli"].null_count or pc.any(pc.not_equal(one["missing_reason"], 0)).as_py():
            columns[f"r{channel_id}"] = _spread(one["missing_reason"], places, len(moments))
    return pa.table(columns)


def narrow(wide: pa.Table) -> pa.Table:
    """Undo `widen`: a table of `PROBE_SCHEMA`, sorted by moment and channel."""
    parts = []
    has = set(wide.column_names)
    for channel_id in sorted({int(name[1:]) for name in has - {TIME}}):
        value, reason = f"v{channel_id}", f"r{channel_id}"
        marker = wide[reason] if reason in has else wide[value]
        one = wide.filter(pc.is_valid(marker))
        nothing = pa.nulls(one.num_rows, pa.int32())
        zero = pa.array(np.zeros(one.num_rows, np.int32))
        columns = [
            one[TIME],
            pa.array(np.full(one.num_rows, channel_id, np.int32)),
            one[value] if value in has else nothing,
            one[reason] if reason in has else zero,
        ]
        parts.append(pa.table(columns, schema=PROBE_SCHEMA))
    if not parts:
        return PROBE_SCHEMA.empty_table()
    return pa.concat_tables(parts).sort_by([(TIME, "ascending"), ("channel_id", "ascending")])


def _spread(column: pa.ChunkedArray, places: np.ndarray, n_rows: int) -> pa.Array:
    is_empty = np.ones(n_rows, bool)
    is_empty[places] = column.is_null().to_numpy()
    values = np.zeros(n_rows, np.int32)
    values[places] = column.fill_null(0).to_numpy()
    return pa.array(values, mask=is_empty)
