"""From the time columns of a table to UTC, and what may be wrong with a moment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from .import_cells import as_flags, is_text, numbers, without_empty
from .import_mapping import RFC3339, UNIX_MS, UNIX_S, ImportMapping
from .units import MILLI

Moments = npt.NDArray[np.int64]
EARLIEST_UTC_MS = 946_684_800_000  # 2000-01-01: earlier is a clock that was never set
AHEAD_MS = 86_400_000  # another computer's clock may be ahead, but not by days
NONE = np.iinfo(np.int64).min

FINE, EMPTY, UNREADABLE, NO_ZONE, TWICE, NEVER, FUTURE, EARLY = range(8)
REASONS = {
    EMPTY: "there is no time",
    UNREADABLE: "is no time",
    NO_ZONE: "has no offset such as Z or +02:00; name the zone in a mapping file",
    TWICE: "came twice that night, when the clock was set back",
    NEVER: "never was, because the clock was set forward",
    FUTURE: "lies in the future",
    EARLY: "lies before 2000",
}
HAS_OFFSET = r"([zZ]|[+-][0-9]{2}:?[0-9]{2})$"


@dataclass(frozen=True, slots=True)
class ReadMoments:
    """Moments, UTC [ms since 1970], and for each what is wrong with it; shapes (n_rows,)."""

    utc_ms: Moments
    faults: npt.NDArray[np.int8]


def read_moments(columns: Sequence[pa.Array], mapping: ImportMapping, now_utc_ms: int) -> ReadMoments:
    """Read moments.

    Parameters
    ----------
    columns
        The time columns, in order.
    mapping
        How they are written.
    now_utc_ms
        Now [ms since 1970]: nothing can have been measured later.
    """
    cells = columns[0]
    if len(columns) > 1:
        parts = [pc.cast(column, pa.string()) for column in columns]
        cells = pc.binary_join_element_wise(*parts, " ", null_handling="replace")
        cells = pc.if_else(pc.equal(pc.binary_length(cells), len(columns) - 1), "", cells)
    if pa.types.is_timestamp(cells.type):
        found, faults = _from_stamps(cells, mapping.zone)
    elif is_text(cells.type):
        found, faults = _from_text(without_empty(cells), mapping)
    else:
        found, faults = _from_numbers(pc.cast(cells, pa.float64()), mapping)
    faults[(faults == FINE) & (found > now_utc_ms + AHEAD_MS)] = FUTURE
    faults[(faults == FINE) & (found < EARLIEST_UTC_MS)] = EARLY
    return ReadMoments(found, faults)


def _from_text(text: pa.Array, mapping: ImportMapping) -> tuple[Moments, npt.NDArray[np.int8]]:
    faults = np.where(as_flags(text.is_null()), EMPTY, FINE).astype(np.int8)
    style = mapping.time_format
    if style in {"", RFC3339}:
        try:
            return _ms(pc.cast(text, pa.timestamp("ns", "UTC"))), faults
        except (pa.ArrowInvalid, UnicodeDecodeError):
            pass
    if style in {"", UNIX_S, UNIX_MS}:
        values, is_bad = numbers(text, mapping.decimal)
        if style or not is_bad.any():
            found = _rounded(values, MILLI if style != UNIX_MS else 1)
            faults[(faults == FINE) & (is_bad | (found == NONE))] = UNREADABLE
            return found, faults
    return _one_by_one(text, mapping, faults)


def _one_by_one(
    text: pa.Array, mapping: ImportMapping, faults: npt.NDArray[np.int8]
) -> tuple[Moments, npt.NDArray[np.int8]]:
    style = mapping.time_format
    trimmed = pc.ascii_trim(text, ' \t"')
    has_offset = "%z" in style or "%Z" in style
    if style in {"", RFC3339}:
        is_zoned = as_flags(pc.fill_null(pc.match_substring_regex(trimmed, HAS_OFFSET), False))
        style = "ISO8601"
    else:
        is_zoned = np.full(len(text), has_offset)
    readable = pd.Series(pc.cast(trimmed, pa.binary()).to_pylist(), dtype=object).map(
        lambda cell: None if cell is None else cell.decode("utf-8", "replace")
    )
    found = np.full(len(text), NONE)
    for zoned in (True, False):
        places = np.flatnonzero((is_zoned == zoned) & (faults == FINE))
        if not len(places):
            continue
        stamps = pd.to_datetime(readable.iloc[places], format=style, errors="coerce", utc=zoned)
        if zoned:
            found[places] = _ms(pa.array(stamps.dt.tz_localize(None).to_numpy("datetime64[us]")))
            faults[places[found[places] == NONE]] = UNREADABLE
        else:
            naive = pa.array(stamps.to_numpy("datetime64[us]"))
            found[places], faults[places] = _from_stamps(naive, mapping.zone)
            faults[places[faults[places] == EMPTY]] = UNREADABLE
    return found, faults


def _from_numbers(values: pa.Array, mapping: ImportMapping) -> tuple[Moments, npt.NDArray[np.int8]]:
    floats = np.asarray(values.to_numpy(zero_copy_only=False), np.float64)
    found = _rounded(floats, 1 if mapping.time_format == UNIX_MS else MILLI)
    faults = np.where(as_flags(values.is_null()), EMPTY, FINE).astype(np.int8)
    faults[(faults == FINE) & (found == NONE)] = UNREADABLE
    return found, faults


def _from_stamps(stamps: pa.Array, zone: str | None) -> tuple[Moments, npt.NDArray[np.int8]]:
    """From timestamps, with a zone of their own or by the clock of ``zone``."""
    faults = np.where(as_flags(stamps.is_null()), EMPTY, FINE).astype(np.int8)
    if stamps.type.tz is not None:
        return _ms(stamps), faults
    if zone is None:
        faults[faults == FINE] = NO_ZONE
        return _ms(stamps), faults
    early, late = (
        _ms(pc.assume_timezone(stamps, zone, ambiguous=which, nonexistent=which))
        for which in ("earliest", "latest")
    )
    # A time in a skipped hour comes out as the two ends of nothing, 1 ns apart.
    exists = as_flags(pc.fill_null(pc.equal(_wall(stamps, zone), pc.cast(stamps, pa.timestamp("us"))), True))
    faults[(faults == FINE) & ~exists] = NEVER
    faults[(faults == FINE) & (early != late)] = TWICE
    return early, faults


def _wall(stamps: pa.Array, zone: str) -> pa.Array:
    """What the clock of a zone really shows at those times: another time where it skipped an hour."""
    zoned = pc.assume_timezone(stamps, zone, ambiguous="earliest", nonexistent="latest")
    return pc.cast(pc.local_timestamp(zoned), pa.timestamp("us"))


def _ms(stamps: pa.Array) -> Moments:
    whole = pc.cast(pc.cast(stamps, pa.timestamp("ms", stamps.type.tz), safe=False), pa.int64())
    return np.asarray(pc.fill_null(whole, int(NONE)).to_numpy(zero_copy_only=False), np.int64)


def _rounded(values: npt.NDArray[np.float64], factor: int) -> Moments:
    scaled = values * factor
    is_fine = np.abs(scaled) < 2.0**53  # beyond, and for NaN, there is no whole millisecond
    return np.where(is_fine, np.rint(np.where(is_fine, scaled, 0.0)), NONE).astype(np.int64)
