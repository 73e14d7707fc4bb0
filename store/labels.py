"""What a packed table says of itself, against what the row that holds it says of it.

The checksum covers the table. Its series and its days stand beside it, and would hide or misname all of it.
"""

from __future__ import annotations

import json
from typing import Any, NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from .packing import TIME, checksum, day_of, narrow, unpack
from .series import PROBES

SHIFTED_MS = 60_000  # rows of one moment are kept a millisecond apart, which may carry the last over midnight


class Label(NamedTuple):
    """Which rows lie in a packed table; days are ISO dates."""

    series: str
    first_day: str
    last_day: str
    n_rows: int


def label_of(packed: bytes, said: Label, rows: pa.Table | None = None) -> Label:
    """The label of a packed table, from its content.

    Parameters
    ----------
    packed
        The table, after it was held against its checksum.
    said
        What stands beside it; its last day is kept where the content allows it.
    rows
        Its rows, where they were unpacked already.
    """
    about: dict[str, Any] = json.loads(
        pq.ParquetFile(pa.BufferReader(packed)).metadata.metadata[b"heatdrift"]
    )
    series = str(about.get("source", PROBES))
    if rows is None:
        table = unpack(packed, checksum(packed), said.series)
        rows = narrow(table) if series == PROBES else table
    last_ms = rows[TIME][-1].as_py()
    days = (day_of(last_ms).isoformat(), day_of(last_ms - SHIFTED_MS).isoformat())
    last_day = said.last_day if said.last_day in days else days[0]
    return Label(series, about["first_day"], last_day, rows.num_rows)
