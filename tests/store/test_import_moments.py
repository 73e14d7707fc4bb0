"""Moments of other people's tables: read exactly, or refused with the reason."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from heatdrift.store.import_mapping import ImportMapping
from heatdrift.store.import_moments import (
    EARLY,
    EMPTY,
    FINE,
    FUTURE,
    IN_MS,
    NEVER,
    NO_ZONE,
    TWICE,
    UNREADABLE,
    read_moments,
)

NOW_UTC_MS = 1_800_000_000_000
AT_UTC_MS = 1_772_323_200_000  # 2026-03-01T00:00:00Z


def moment_of(cell: str, **mapping: str) -> int | str:
    """The moment of one cell, else its fault in words."""
    read = read_moments([pa.array([cell])], ImportMapping(**mapping), NOW_UTC_MS)  # type: ignore[arg-type]
    names = {EMPTY: "empty", UNREADABLE: "unreadable", NO_ZONE: "no zone", TWICE: "twice", NEVER: "never",
             FUTURE: "future", EARLY: "early", IN_MS: "ms"}  # fmt: skip
    fault = int(read.faults[0])
    return int(read.utc_ms[0]) if fault == FINE else names[fault]


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("2026-03-01T00:00:00Z", AT_UTC_MS),
        ("2026-03-01T00:00:00.125Z", AT_UTC_MS + 125),
        ("2026-03-01T01:00:00+01:00", AT_UTC_MS),
        ("2026-02-28 19:00:00-05:00", AT_UTC_MS),
        ("2026-03-01t00:00:00z", AT_UTC_MS),  # RFC 3339 allows it
        (" 2026-03-01T00:00:00Z ", AT_UTC_MS),
        ("2026-03-01T00:00:00.123456789Z", AT_UTC_MS + 123),
        ("1772323200", AT_UTC_MS),
        ("1772323200.25", AT_UTC_MS + 250),
        ("1772323200000", "ms"),
        ("2026-03-01T00:00:00", "no zone"),
        ("2026-03-01", "no zone"),
        ("2026-02-30T00:00:00Z", "unreadable"),
        ("10000-01-01T00:00:00Z", "unreadable"),
        ("2026-03-01T00:00:00+99:99", "unreadable"),
        ("soon", "unreadable"),
        ("nan", "unreadable"),
        ("1e308", "unreadable"),
        ("", "empty"),
        ("0", "early"),
        ("1970-01-01T00:00:00Z", "early"),
        ("9999-01-01T00:00:00Z", "future"),
        ("1900000000", "future"),
    ],
)
def test_exchange_table(cell: str, expected: int | str) -> None:
    assert moment_of(cell) == expected


def test_one_bad_cell_leaves_its_neighbours_what_they_are() -> None:
    for good in ("1772323200", "2026-03-01T00:00:00Z"):
        read = read_moments([pa.array([good, "x", good, ""])], ImportMapping(), NOW_UTC_MS)
        assert read.faults.tolist() == [FINE, UNREADABLE, FINE, EMPTY]
        assert read.utc_ms[[0, 2]].tolist() == [AT_UTC_MS, AT_UTC_MS]


@pytest.mark.parametrize(
    ("cell", "style", "zone", "expected"),
    [
        ("01.03.2026 01:00:00", "%d.%m.%Y %H:%M:%S", "Europe/Berlin", AT_UTC_MS),
        ("03/01/26 12:00:00.500 AM", "%m/%d/%y %I:%M:%S.%f %p", "UTC", AT_UTC_MS + 500),
        ("01.03.2026 01:00:00 +0100", "%d.%m.%Y %H:%M:%S %z", "", AT_UTC_MS),
        ("01.03.2026 01:00:00", "%d.%m.%Y %H:%M:%S", "", "no zone"),
        ("2026-02-28T19:00:00", "", "America/New_York", AT_UTC_MS),
        ("2026-02-28T19:00:00", "rfc3339", "America/New_York", AT_UTC_MS),
        ("1772323200000", "unix_ms", "", AT_UTC_MS),
        ("1772323200", "unix_ms", "", "early"),  # January 1970
        ("1772323200000", "unix_s", "", "unreadable"),
        ("2026-03-01T00:00:00Z", "unix_s", "", "unreadable"),
        # The last Sunday of March and of October: https://eur-lex.europa.eu/eli/dir/2000/84/oj, articles 2, 3
        ("29.03.2026 01:59:59", "%d.%m.%Y %H:%M:%S", "Europe/Berlin", 1_774_745_999_000),
        ("29.03.2026 02:30:00", "%d.%m.%Y %H:%M:%S", "Europe/Berlin", "never"),
        ("29.03.2026 03:00:00", "%d.%m.%Y %H:%M:%S", "Europe/Berlin", 1_774_746_000_000),
        ("26.10.2025 02:30:00", "%d.%m.%Y %H:%M:%S", "Europe/Berlin", "twice"),
        ("26.10.2025 03:00:00", "%d.%m.%Y %H:%M:%S", "Europe/Berlin", 1_761_444_000_000),
    ],
)
def test_mapped_moments(cell: str, style: str, zone: str, expected: int | str) -> None:
    assert moment_of(cell, time_format=style, zone=zone or None) == expected  # type: ignore[arg-type]


def test_date_and_time_in_two_columns() -> None:
    mapping = ImportMapping(time_format="%Y-%m-%d %H:%M", zone="UTC", time_columns=("d", "t"))
    columns = [pa.array(["2026-03-01", "", "2026-03-01"]), pa.array(["00:00", "", None])]
    read = read_moments(columns, mapping, NOW_UTC_MS)
    assert read.faults.tolist() == [FINE, EMPTY, UNREADABLE]
    assert read.utc_ms[0] == AT_UTC_MS


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "Asia/Tokyo"])
def test_timestamps_of_any_unit(unit: str, zone: str | None) -> None:
    per_ms = {"s": 1e-3, "ms": 1, "us": 1e3, "ns": 1e6}[unit]
    whole = [int(AT_UTC_MS * per_ms), None, 2**62]
    read = read_moments([pa.array(whole, pa.timestamp(unit, zone))], ImportMapping(), NOW_UTC_MS)
    # 2**62 ns is the year 2116; in any other unit it lies beyond the year 9999.
    last = FUTURE if unit == "ns" else UNREADABLE
    assert read.faults.tolist() == (
        [FINE, EMPTY, last] if zone else [NO_ZONE, EMPTY, NO_ZONE if unit == "ns" else last]
    )
    assert read.utc_ms[0] == AT_UTC_MS


@pytest.mark.parametrize("kind", [pa.int64(), pa.float64()])
def test_numbers_are_unix_seconds(kind: pa.DataType) -> None:
    cells = pa.array([AT_UTC_MS // 1000, None, 2**62, AT_UTC_MS], pa.int64()).cast(kind, safe=False)
    read = read_moments([cells], ImportMapping(), NOW_UTC_MS)
    assert read.faults.tolist() == [FINE, EMPTY, UNREADABLE, IN_MS]
    assert read.utc_ms[0] == AT_UTC_MS


def test_a_clock_a_little_ahead_is_believed() -> None:
    hour_s = np.array([3600, 48 * 3600]) + NOW_UTC_MS // 1000
    assert read_moments([pa.array(hour_s)], ImportMapping(), NOW_UTC_MS).faults.tolist() == [FINE, FUTURE]
