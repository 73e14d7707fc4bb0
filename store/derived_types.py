"""Holds derived rows against what they can be; whatever is wrong with them, they can be made again."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from .errors import DamagedDataError
from .packing import TIME
from .schema import STEP_COLUMNS
from .series import LATEST_UTC_MS

STEP_FIELDS = ("at_utc_ms", *STEP_COLUMNS, "n_looks", "not_identifiable")
STEP_TYPES: dict[str, type] = {
    "at_utc_ms": int,
    **dict.fromkeys(STEP_COLUMNS, float),
    "n_looks": int,
    "not_identifiable": str,
}
CELL_TYPES: dict[str, type] = {
    "day": str,
    "era_from_utc_ms": int,
    "part": str,
    "workload_class": str,
    "value": float,
    "standard_error": float,
    "n": int,
    "interface_share": float,
}
CELL_FIELDS = tuple(CELL_TYPES)
MOST = 1e9  # of watts, kelvin, megahertz, seconds and rows alike: far beyond every computer
REMEDY = "run `heatdrift rebuild`"
SEAL = "\nsha256 "


def typed(rows: Sequence[Any], fields: Sequence[str], types: Mapping[str, type]) -> pd.DataFrame:
    """Rows of the database as a frame, once every cell is what its column means.

    Raises
    ------
    DamagedDataError
        One is not.
    """
    frame = pd.DataFrame([tuple(row) for row in rows], columns=list(fields))
    for name, kind in types.items():
        column = frame[name]
        if kind is str:
            # pandas has a type of its own for texts alone; to ask each of them costs years a quarter second.
            is_text = isinstance(column.dtype, pd.StringDtype)
            is_sound = not column.hasnans if is_text else all(type(cell) is str for cell in column)
        else:
            numbers = pd.to_numeric(column, errors="coerce") if column.dtype == object else column
            is_sound = pd.api.types.is_numeric_dtype(numbers) and bool(
                (numbers.isna() == column.isna()).all()
            )
            limit = LATEST_UTC_MS if name.endswith("_utc_ms") else MOST
            is_sound = is_sound and not bool((numbers.abs() > limit).any())
            if kind is int:
                is_sound = is_sound and (not len(numbers) or pd.api.types.is_integer_dtype(numbers))
        if not is_sound:
            raise DamagedDataError(f"derived rows in the database hold no {name}", remedy=REMEDY)
    floats = {name: float for name, kind in types.items() if kind is float}
    return frame.astype(floats | {name: np.int64 for name in types if name == "at_utc_ms"})


def unpacked_windows(packed: Sequence[bytes]) -> pa.Table:
    """The settled windows of several days as one table.

    Raises
    ------
    DamagedDataError
        What is stored is no such table.
    """
    try:
        tables = [pa.ipc.open_file(one).read_all() for one in packed]
        table = pa.concat_tables(tables, promote_options="default")
        names = [name for name in table.column_names if name != TIME]
        is_sound = table.schema.field(TIME).type == pa.int64() and table[TIME].null_count == 0
        is_sound = is_sound and all(pa.types.is_floating(table.schema.field(name).type) for name in names)
        moments = table[TIME].to_numpy()
        is_sound = is_sound and bool(np.all((moments >= 0) & (moments <= LATEST_UTC_MS)))
    except (pa.ArrowException, KeyError, ValueError, TypeError, OSError) as error:
        raise DamagedDataError("settled windows in the database cannot be read", remedy=REMEDY) from error
    if not is_sound:
        raise DamagedDataError("settled windows in the database are none", remedy=REMEDY)
    return table


def sealed_text(body: str) -> str:
    """A text with its checksum on a last line."""
    return f"{body}{SEAL}{_checksum(body)}"


def unsealed_text(stored: str) -> str | None:
    """What `sealed_text` was given; None where it has no seal or is not what was sealed."""
    body, _, checksum = stored.rpartition(SEAL)
    return body if checksum == _checksum(body) else None


def _checksum(body: str) -> str:
    return hashlib.sha256(body.encode("utf-8", "surrogatepass")).hexdigest()
