"""Tables gone bad, CSV and Parquet, and what reads them."""

from __future__ import annotations

import gzip
import json
import random
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from heatdrift.store.import_complaints import Complaints
from heatdrift.store.import_files import open_table
from heatdrift.store.import_mapping import ImportMapping
from heatdrift.store.import_moments import AHEAD_MS, EARLIEST_UTC_MS
from heatdrift.store.import_rows import read_rows
from heatdrift.store.importing import _plan
from heatdrift.store.packing import TIME
from heatdrift.store.series import PROBES
from heatdrift.store.units import MILLI, SOURCE_QUANTITIES

from .bad_input_ledger import InventedError
from .bad_input_mutations import HOSTILE_NUMBERS, HOSTILE_TEXTS, bad_bytes

NOW_UTC_MS = 1_795_000_000_000  # 18 November 2026, 11:06:40Z
FIRST = datetime(2026, 11, 17, 10)
COLUMNS = (
    *("time", "gpu0.temperature_c", "gpu0.power_w", "gpu0.clock_mhz", "cpu0.temperature_c", "cpu0.power_w"),
    *("ambient.temperature_c", "fan1.speed_rpm"),
)
OTHER_NAMES = (
    *(
        "",
        "TIME",
        "time ",
        "gpu0",
        "gpu0.",
        ".power_w",
        "gpu0.power_w.x",
        "probes.temperature_c",
        "gpu0.speed_rpm",
    ),
    *(
        "fan1.power_w",
        "gpu0.temprature_c",
        "x" * 39 + ".power_w",
        "x" * 41 + ".power_w",
        "a" * 3_000,
        "gpu0.power_w",
    ),
    *(
        "time",
        "vrm0.temperature_c",
        "disk.temperature_c",
        "\x1b[31m",
        "gpu0\u202e.power_w",
        "=1+1",
        "é.power_w",
    ),
)
MOMENTS = (
    *(
        "",
        "0",
        "-1",
        "nan",
        "1795000000",
        "1795000000000",
        "1e10",
        "1e308",
        "inf",
        "2026-11-17",
        "2026-11-17T10:00",
    ),
    *(
        "2026-11-17T10:00:00",
        "2026-11-17T10:00:00+24:00",
        "2026-11-17T10:00:00-23:59",
        "2016-12-31T23:59:60Z",
    ),
    *(
        "0000-00-00T00:00:00Z",
        "0001-01-01T00:00:00Z",
        "9999-12-31T23:59:59Z",
        "10000-01-01T00:00:00Z",
        "2026-W47-2",
    ),
    *(
        "2262-04-11T23:47:16.854775808Z",
        "1677-09-21T00:12:43Z",
        "1969-12-31T23:59:59Z",
        "2026-321",
        "noon",
        "\x00",
    ),
    *(
        "2026-11-17T10:00:00.123456789123Z",
        "+2026-11-17T10:00:00Z",
        "\uff12\uff10\uff12\uff16-11-17T10:00:00Z",
        "9" * 400,
        "Z",
        "T",
    ),
)


def good_rows(rng: random.Random) -> list[list[str]]:
    """Headings and some rows of an exchange table."""
    names = ["time", *sorted(rng.sample(COLUMNS[1:], rng.randrange(1, len(COLUMNS))))]
    rows = [names]
    for number in range(rng.choice([0, 1, 2, 8])):
        moment = (FIRST + timedelta(seconds=number)).isoformat() + "Z"
        rows.append([moment, *(_reading(rng, name) for name in names[1:])])
    return rows


def _reading(rng: random.Random, name: str) -> str:
    ranges = {"c": (20, 95), "w": (5, 300), "mhz": (300, 2500), "rpm": (0, 3000)}
    lowest, highest = ranges[name.rpartition("_")[2]]
    return f"{rng.uniform(lowest, highest):.1f}"


def bad_csv(rng: random.Random) -> bytes:
    """A CSV file with one to four things wrong."""
    rows = good_rows(rng)
    for _ in range(rng.choice([1, 1, 2, 4])):
        row = rng.randrange(len(rows))
        cell = rng.randrange(len(rows[row])) if rows[row] else 0
        kind = rng.randrange(9)
        if kind == 0:
            rows[0][rng.randrange(len(rows[0]))] = rng.choice(OTHER_NAMES)
        elif kind == 1 and rows[row]:
            rows[row].pop(cell)
        elif kind == 2:
            rows[row].insert(cell, rng.choice(["", "1", *OTHER_NAMES]))
        elif kind == 3 and len(rows) > 1:
            rows[rng.randrange(1, len(rows))][:1] = [rng.choice(MOMENTS)]
        elif kind == 4:
            rows.insert(row + 1, list(rows[row]))
        elif rows[row]:
            cell = min(cell, len(rows[row]) - 1)
            rows[row][cell] = rng.choice(
                [str(rng.choice(HOSTILE_NUMBERS)), rng.choice(HOSTILE_TEXTS), "1e400", "0x1f"]
            )
    ends = rng.choice(["\n", "\r\n", "\r"]) if rng.random() < 0.3 else "\n"
    parts = [_quoted(rng, row) for row in rows]
    raw = (ends.join(parts) + ends * rng.choice([0, 1, 1, 3])).encode("utf-8", "surrogatepass")
    if rng.random() < 0.3:
        raw = bad_bytes(rng, raw)
    if rng.random() < 0.05:
        packed = gzip.compress(raw, 1)
        raw = bad_bytes(rng, packed) if rng.random() < 0.7 else packed
    if rng.random() < 0.03:
        raw = raw.decode("utf-8", "replace").encode(
            rng.choice(["utf-16", "utf-16-le", "utf-32", "utf-8-sig"])
        )
    return raw


def _quoted(rng: random.Random, row: list[str]) -> str:
    def cell(text: str) -> str:
        if rng.random() < 0.02:
            return text  # as it stands, whatever is in it
        needs = any(char in text for char in ',"\r\n')
        return '"' + text.replace('"', '""') + '"' if needs else text

    return ",".join(cell(text) for text in row)


def dry_import(path: Path, mapping: ImportMapping | None = None) -> None:
    """Read a table as ``import`` does and hold what was taken out of it against what can be."""
    mapping = mapping or ImportMapping()
    table = open_table(path, mapping)
    try:
        plan, _ = _plan(table, mapping, path, {}, set())
        complaints = Complaints(str(path), table.lines)
        n_rows = 0
        for batch in table.batches(plan.wanted):
            complaints.next_batch(n_rows)
            for torn in table.torn():
                complaints.torn(*torn)
            found = read_rows(batch, plan, NOW_UTC_MS, complaints, lambda _owner, _quantity, _span: 1)
            n_rows += batch.num_rows
            for name, rows in found.items():
                hold(name, rows)
        for said in complaints.kept:
            str(said)
    finally:
        table.close()


def hold(name: str, rows: pa.Table) -> None:
    """Refuse rows that no machine can have made."""
    edges = pc.min_max(rows[TIME])
    if not EARLIEST_UTC_MS <= edges["min"].as_py() <= edges["max"].as_py() <= NOW_UTC_MS + AHEAD_MS:
        raise InventedError(f"rows from {edges}")
    if name == PROBES:
        found = pc.min_max(rows["value_milli"])
        if not -30 * MILLI <= found["min"].as_py() <= found["max"].as_py() <= 30_000 * MILLI:
            raise InventedError(f"probes say {found}")
        return
    for quantity in SOURCE_QUANTITIES:
        column = rows[quantity.stored_name].drop_null()
        if len(column):
            found = pc.min_max(column)
            lowest, highest = quantity.lowest * MILLI, quantity.highest * MILLI
            if not lowest <= found["min"].as_py() <= found["max"].as_py() <= highest:
                raise InventedError(f"{name} {quantity.name} says {found}")


def _numbers(rng: random.Random, n: int) -> list[Any]:
    return [rng.choice([None, 50, 50.5, *HOSTILE_NUMBERS]) for _ in range(n)]


def _whole(rng: random.Random, n: int, low: int, high: int) -> list[int | None]:
    return [rng.choice([None, 50, low, high, min(high, max(low, 1_795_000_000))]) for _ in range(n)]


COLUMN_KINDS: tuple[Callable[[random.Random, int], pa.Array], ...] = (
    lambda r, n: pa.array(
        [float(min(max(v, -1e308), 1e308)) if v is not None else None for v in _numbers(r, n)]
    ),
    lambda r, n: pa.array(_whole(r, n, -(2**63), 2**63 - 1), pa.int64()),
    lambda r, n: pa.array(_whole(r, n, 0, 2**64 - 1), pa.uint64()),
    lambda r, n: pa.array(_whole(r, n, -128, 127), pa.int8()),
    lambda r, n: pa.array(np.array([50.5, np.inf, -np.inf, np.nan] * n, np.float16)[:n]),
    lambda r, n: pa.array(np.array([50.5, np.inf, 1e38, np.nan] * n, np.float32)[:n]),
    lambda r, n: pa.array(
        [r.choice([None, "50.5", *MOMENTS, *(t for t in HOSTILE_TEXTS if t != "\ud800")]) for _ in range(n)]
    ),
    lambda r, n: pa.array(["50.5"] * n, pa.large_string()),
    lambda r, n: pa.array(["50.5"] * n, pa.string_view()),
    lambda r, n: pa.array([b"50.5", b"\xff\x00", None] * n, pa.binary())[:n],
    lambda r, n: pa.array([b"abcd"] * n, pa.binary(4)),
    lambda r, n: pa.array([True, None, False] * n)[:n],
    lambda r, n: pa.nulls(n),
    lambda r, n: pa.array([Decimal("50.5"), None, Decimal("9" * 30)] * n, pa.decimal128(38, 4))[:n],
    lambda r, n: pa.array([Decimal("50.5"), None, Decimal("9" * 70)] * n, pa.decimal256(76, 4))[:n],
    lambda r, n: pa.array([Decimal("0.0000000000000000000000000000005")] * n, pa.decimal128(38, 37)),
    lambda r, n: pa.array([date(1, 1, 1), date(9999, 12, 31), None] * n)[:n],
    lambda r, n: pa.array([time(1, 2, 3)] * n),
    lambda r, n: pa.array([timedelta(days=1)] * n),
    lambda r, n: pa.array(_whole(r, n, -(2**63), 2**63 - 1), pa.timestamp(r.choice(["s", "ms", "us", "ns"]))),
    lambda r, n: pa.array(
        _whole(r, n, -(2**62), 2**62),
        pa.timestamp("ms", r.choice(["UTC", "Europe/Berlin", "+02:00", "Nowhere/Land", "x" * 300])),
    ),
    lambda r, n: pa.array([1_795_000_000_000_000 - i for i in range(n)], pa.timestamp("us", "UTC")),
    lambda r, n: pa.array([["a"], None, []] * n, pa.list_(pa.string()))[:n],
    lambda r, n: pa.array([{"temperature_c": 50.0}] * n),
    lambda r, n: pa.array(["50.5", None, "x"] * n)[:n].dictionary_encode(),
    lambda r, n: pa.array([50.5, None] * n)[:n].dictionary_encode(),
    lambda r, n: pa.array([datetime(2026, 11, 17), None] * n)[:n].dictionary_encode(),
)


def bad_parquet(rng: random.Random, path: Path) -> bytes:
    """A Parquet file of columns of any kind under good names, or with its bytes broken; gives what it was."""
    n = rng.choice([0, 1, 3, 10])
    names = ["time", *rng.sample(COLUMNS[1:], rng.randrange(1, 4))]
    good_time = pa.array([1_794_900_000_000 + 1000 * i for i in range(n)], pa.timestamp("ms", "UTC"))
    columns = [good_time if rng.random() < 0.7 else rng.choice(COLUMN_KINDS)(rng, n)]
    columns += [rng.choice(COLUMN_KINDS)(rng, n) for _ in names[1:]]
    if rng.random() < 0.2:
        names[rng.randrange(len(names))] = rng.choice([*OTHER_NAMES, names[0], names[-1], "x\ny"])
    table = pa.table(columns, names)
    options: dict[str, Any] = {
        "compression": rng.choice(["none", "snappy", "zstd", "gzip", "brotli", "lz4"]),
        "use_dictionary": rng.random() < 0.5,
        "row_group_size": rng.choice([1, 2, 1000]),
        "version": rng.choice(["1.0", "2.4", "2.6"]),
        "data_page_version": rng.choice(["1.0", "2.0"]),
        "store_schema": rng.random() < 0.8,
    }
    try:
        pq.write_table(table, path, **options)
    except (pa.ArrowException, ValueError, OverflowError):  # some cannot be written; then an empty one
        pq.write_table(pa.table({"time": good_time}), path)
    raw = path.read_bytes()
    if rng.random() < 0.5:
        raw = _broken(rng, raw)
        path.write_bytes(raw)
    return json.dumps([str(table.schema)[:300], options]).encode() + b" " + raw[:40]


def _broken(rng: random.Random, raw: bytes) -> bytes:
    """Bits flipped, most of them in the footer, where the sizes and places stand."""
    broken = bytearray(raw)
    footer = int.from_bytes(raw[-8:-4], "little")
    for _ in range(rng.choice([1, 1, 2, 8])):
        begin = max(4, len(broken) - 8 - footer) if rng.random() < 0.6 else 0
        place = rng.randrange(begin, len(broken)) if begin < len(broken) else 0
        broken[place] = rng.choice([broken[place] ^ (1 << rng.randrange(8)), 0, 0xFF, 0x7F, 0x80])
    cut = rng.random()
    if cut < 0.1:
        return bytes(broken[: rng.randrange(len(broken))])
    if cut < 0.15:
        return bytes(broken[:-8]) + rng.randrange(2**32).to_bytes(4, "little") + b"PAR1"
    return bytes(broken)
