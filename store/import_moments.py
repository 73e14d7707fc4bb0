"""From the time columns of a table to UTC, and what may be wrong with a moment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from .import_cells import Flags, Floats, as_flags, as_floats, is_text, numbers, without_empty
from .import_mapping import RFC3339, UNIX_MS, UNIX_S, ImportMapping
from .series import LATEST_UTC_MS
from .units import MILLI

Moments = npt.NDArray[np.int64]
EARLIEST_UTC_MS = 946_684_800_000  # 2000-01-01: earlier is a clock that was never set
AHEAD_MS = 86_400_000  # another computer's clock may be ahead, but not by days
NONE = np.iinfo(np.int64).min

FINE, EMPTY, UNREADABLE, NO_ZONE, TWICE, NEVER, FUTURE, EARLY, IN_MS = range(9)
REASONS = {
    EMPTY: "there is no time",
    UNREADABLE: "is no time",
    NO_ZONE: "has no offset such as Z or +02:00; name the zone in a mapping file",
    TWICE: "came twice that night, when the clock was set back",
    NEVER: "never was, because the clock was set forward",
    FUTURE: "lies in the future",
    EARLY: "lies before 2000",
    IN_MS: "looks like milliseconds; say unix_ms in a mapping file",
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
        values = as_floats(pc.cast(cells, pa.float64(), safe=False))
        faults = np.where(as_flags(cells.is_null()), EMPTY, FINE).astype(np.int8)
        found, faults = _from_numbers(values, np.isnan(values), faults, mapping)
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
        # One cell that is no number does not turn the others into dates.
        if style or is_bad.sum() * 2 < len(text):
            return _from_numbers(values, is_bad, faults, mapping)
    return _one_by_one(text, mapping, faults)


def _one_by_one(
    text: pa.Array, mapping: ImportMapping, faults: npt.NDArray[np.int8]
) -> tuple[Moments, npt.NDArray[np.int8]]:
    style = mapping.time_format
    trimmed = pc.ascii_upper(pc.ascii_trim(text, ' \t"')) if style in {"", RFC3339} else text
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


def _from_numbers(
    values: Floats, is_bad: Flags, faults: npt.NDArray[np.int8], mapping: ImportMapping
) -> tuple[Moments, npt.NDArray[np.int8]]:
    found = _rounded(values, 1 if mapping.time_format == UNIX_MS else MILLI)
    faults = faults.copy()
    faults[(faults == FINE) & (is_bad | (found == NONE))] = UNREADABLE
    if mapping.time_format == "":
        in_ms = (values >= EARLIEST_UTC_MS) & (values <= LATEST_UTC_MS)
        faults[(faults == UNREADABLE) & in_ms] = IN_MS
    return found, faults


def _from_stamps(stamps: pa.Array, zone: str | None) -> tuple[Moments, npt.NDArray[np.int8]]:
    """From timestamps, with a zone of their own or by the clock of ``zone``."""
    faults = np.where(as_flags(stamps.is_null()), EMPTY, FINE).astype(np.int8)
    found = _ms(stamps)
    faults[(faults == FINE) & (found == NONE)] = UNREADABLE
    if stamps.type.tz is not None:
        return found, faults
    if zone is None:
        faults[faults == FINE] = NO_ZONE
        return found, faults
    wall = pd.DatetimeIndex(np.where(found == NONE, 0, found).astype("datetime64[ms]"))
    there = ZoneInfo(zone)
    utc = _utc_ms(wall.tz_localize(there, ambiguous="NaT", nonexistent="NaT"))
    is_odd = (utc == NONE) & (faults == FINE)
    if is_odd.any():
        shifted = _utc_ms(wall.tz_localize(there, ambiguous="NaT", nonexistent="shift_forward"))
        faults[is_odd] = np.where(shifted[is_odd] == NONE, TWICE, NEVER)
    return utc, faults


def _utc_ms(moments: pd.DatetimeIndex) -> Moments:
    naive = moments.tz_convert(None).to_numpy("datetime64[ms]")
    return naive.astype(np.int64)  # NaT is the smallest of all, which is NONE


def _ms(stamps: pa.Array) -> Moments:
    """Timestamps of any unit [ms since 1970], rounded down; `NONE` for NULL and beyond the year 9999."""
    per_s = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}[stamps.type.unit]
    whole = np.asarray(pc.fill_null(pc.cast(stamps, pa.int64()), int(NONE)).to_numpy(zero_copy_only=False))
    if per_s > MILLI:
        whole = np.where(whole == NONE, NONE, whole // (per_s // MILLI))
    limit = LATEST_UTC_MS // (MILLI // min(per_s, MILLI))
    is_sane = (whole <= limit) & (whole >= -limit)
    return np.where(is_sane, np.where(is_sane, whole, 0) * (MILLI // min(per_s, MILLI)), NONE)


def _rounded(values: Floats, factor: int) -> Moments:
    is_fine = np.abs(values) <= LATEST_UTC_MS / factor  # and not NaN
    return np.where(is_fine, np.rint(np.where(is_fine, values, 0.0) * factor), NONE).astype(np.int64)
