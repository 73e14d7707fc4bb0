"""Files as people have them: encodings, torn lines, quotation marks, lines counted right, malice."""

from __future__ import annotations

import csv
import gzip
import io
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from heatdrift.store.database import open_writer
from heatdrift.store.errors import SettingsError
from heatdrift.store.import_cells import numbers
from heatdrift.store.import_files import open_table
from heatdrift.store.import_mapping import ImportMapping, parse_mapping
from heatdrift.store.importing import ImportResult, import_table
from heatdrift.store.reader import Reader
from heatdrift.store.records import Missing, unpack_missing
from heatdrift.store.units import QUANTITY_INDEX
from heatdrift.store.writer import Writer

NOW_UTC_MS = 1_800_000_000_000
HEAD = "time,gpu0.temperature_c,gpu0.power_w\n"
Bring = Callable[..., tuple[ImportResult, Reader]]


def row(second: int, rest: str = "50,100") -> str:
    return f"2026-03-01T00:00:{second:02d}Z,{rest}\n"


@pytest.fixture
def bring(tmp_path: Path, sqlite_url: str) -> Bring:
    """Imports bytes or a text; the file is the same whichever database stands behind."""
    database = open_writer(sqlite_url)
    machine_id = Writer(database, "u", "desk").machine_id

    def call(content: str | bytes, mapping: ImportMapping | None = None) -> tuple[ImportResult, Reader]:
        path = tmp_path / "t"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return import_table(database, machine_id, path, NOW_UTC_MS, mapping), Reader(database)

    return call


def said(result: ImportResult) -> list[tuple[int, str, str]]:
    return [(one.line, one.column, one.reason) for one in result.complaints]


@pytest.mark.parametrize(
    "content",
    [
        (HEAD + row(1)).encode(),
        (HEAD + row(1)).encode("utf-8-sig"),
        (HEAD + row(1)).encode("utf-16"),
        gzip.compress((HEAD + row(1)).encode(), mtime=0),
        (HEAD + row(1)).replace("\n", "\r\n").encode(),
        (HEAD + row(1)).replace("\n", "\r").encode(),
        (HEAD + row(1)).strip().encode(),
        (HEAD + row(1) + "\n\n").encode(),
        b'"time","gpu0.temperature_c","gpu0.power_w"\n"2026-03-01T00:00:01Z","50","100"\n',
        b" time , gpu0.temperature_c,gpu0.power_w\n2026-03-01T00:00:01Z, 50 ,100\n",
    ],
)
def test_the_same_table_however_it_is_written(bring: Bring, content: bytes) -> None:
    result, reader = bring(content)
    assert said(result) == []
    frame = reader.source_frame("gpu0")
    assert frame[["temperature_c", "power_w"]].to_numpy().tolist() == [[50, 100]]


def test_lines_are_counted_right_behind_torn_and_empty_ones(bring: Bring) -> None:
    result, reader = bring(
        HEAD + "1,2\n" + row(1) + "\n" + row(2, "x,1") + "1,2,3,4\n" + "soon,1,1\n" + row(3)
    )
    assert said(result) == [
        (2, "", "has 2 cells, the headings are 3"),
        (5, "gpu0.temperature_c", "'x' is no number"),
        (6, "", "has 4 cells, the headings are 3"),
        (7, "", "'soon' is no time"),
    ]
    assert (result.n_rows_left_out, result.n_cells_left_out) == (3, 1)
    assert len(reader.source_frame("gpu0")) == 3


def test_lines_are_counted_right_in_a_large_file(bring: Bring) -> None:
    """Over several blocks, torn lines in the first of them."""
    n_rows = 400_000
    lines = [f"{1_772_000_000 + i},50,1" for i in range(n_rows)]
    for torn in (5, 70_000):
        lines[torn] = "torn"
    lines[350_000] = "1772350000,cold,1"
    result, _ = bring(HEAD + "\n".join(lines) + "\n")
    assert [(line, reason[:6]) for line, _, reason in said(result)] == [
        (7, "has 1 "), (70_002, "has 1 "), (350_002, "'cold'")
    ]  # fmt: skip


def test_a_mark_that_is_never_closed_is_counted_with_what_it_swallows(bring: Bring) -> None:
    text = HEAD + row(1, '"50",1') + row(2, '"50,1') + row(3) + row(4)
    result, reader = bring(text)
    assert said(result) == [(3, "", "has a quotation mark that is not closed; it swallows 2 lines below")]
    assert result.n_rows_left_out == 3
    assert result.n_rows == 4
    assert len(reader.source_frame("gpu0")) == 1


def test_a_stray_mark_in_a_file_without_any_is_one_bad_cell(bring: Bring) -> None:
    filler = "".join(row(i % 60) for i in range(50_000))  # beyond what is looked at first
    result, reader = bring(HEAD + filler + '2026-03-02T00:00:00Z,"5 0,7\n2026-03-02T00:00:01Z,51,8\n')
    assert [(line, column) for line, column, _ in said(result)] == [(50_002, "gpu0.temperature_c")]
    assert reader.source_frame("gpu0")["power_w"].to_list()[-2:] == [7, 8]


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("1e308", Missing.IMPLAUSIBLE),
        ("-1e308", Missing.IMPLAUSIBLE),
        ("99999999999999999999", Missing.IMPLAUSIBLE),
        ("131", Missing.IMPLAUSIBLE),
        ("0", Missing.IMPLAUSIBLE),  # what an absent sensor says
        ("inf", Missing.NOT_NUMERIC),
        ("0x32", Missing.NOT_NUMERIC),
        ("5_0", Missing.NOT_NUMERIC),
        ("50\x00", Missing.NOT_NUMERIC),
        ("\x00", Missing.NOT_NUMERIC),
        ("５０", Missing.NOT_NUMERIC),  # noqa: RUF001 - digits of another script
        ("1 000", Missing.NOT_NUMERIC),
        ("NaN", Missing.NOT_READ),
        ("null", Missing.NOT_READ),
        ("", Missing.NOT_READ),
    ],
)
def test_a_cell_that_is_no_reading_costs_only_itself(bring: Bring, cell: str, reason: Missing) -> None:
    result, reader = bring(HEAD + row(1, f"{cell},77"))
    frame = reader.source_frame("gpu0")
    assert math.isnan(frame["temperature_c"].iloc[0])
    assert frame["power_w"].iloc[0] == 77
    stored = unpack_missing(int(frame["missing_reasons"].iloc[0]))
    assert stored[QUANTITY_INDEX["temperature_c"]] is reason
    assert result.n_cells_left_out == (0 if reason is Missing.NOT_READ else 1)


def test_an_overflow_by_a_scale_is_refused(bring: Bring) -> None:
    mapping = parse_mapping('[columns]\nx = {to = "gpu0.power_w", scale = 1e300}\n', "m")
    result, _ = bring("time,x\n1772000000,1e300\n1772000001,-1e300\n1772000002,1e-299\n", mapping)
    assert (result.n_cells_left_out, result.shelved.n_added) == (2, 1)


def test_bytes_of_another_encoding_are_bad_cells(bring: Bring) -> None:
    result, reader = bring(
        HEAD.encode() + b"\xff,1,2\n" + row(1, "?,5").encode().replace(b"?", b"\xe9") + row(2).encode()
    )
    assert [line for line, _, _ in said(result)] == [2, 3]
    assert len(reader.source_frame("gpu0")) == 2


def test_lines_above_the_headings(bring: Bring) -> None:
    mapping = parse_mapping("[file]\nskip_lines = 2\n", "m")
    result, _ = bring('Logger 1.0\n"a, b"\n' + HEAD + row(1, "x,1"), mapping)
    assert said(result) == [(4, "gpu0.temperature_c", "'x' is no number")]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (HEAD + row(1) + "2026-03-01T00:00:02Z," + "5" * 9_000_000 + ",1\n", "a row is longer than 1 MB"),
        ("time," + "a" * 3_000_000, "no headings"),
        ("time," + ",".join(f"gpu{i}.power_w" for i in range(100_000)), "headings without end"),
    ],
)
def test_rows_and_headings_without_end(bring: Bring, content: str, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        bring(content)


def test_what_stands_before_the_end_of_a_broken_file_is_kept(bring: Bring, sqlite_url: str) -> None:
    good = "".join(f"{1_772_000_000 + i},50,1\n" for i in range(400_000))
    with pytest.raises(SettingsError, match="what stands before that is kept"):
        bring(HEAD + good + "1," + "5" * 9_000_000 + ",1\n")
    # The last block of 1 MB goes with the row that does not fit into one.
    assert len(Reader(open_writer(sqlite_url)).source_frame("gpu0")) > 200_000


def test_an_archive_cut_short_gives_what_it_has(bring: Bring, sqlite_url: str) -> None:
    rng = np.random.default_rng(1)
    good = "".join(f"{1_772_000_000 + i},50,{rng.random():.3f}\n" for i in range(200_000))
    packed = gzip.compress((HEAD + good).encode())
    with pytest.raises(SettingsError, match="what stands before that is kept"):
        bring(packed[: len(packed) // 2])
    with pytest.raises(SettingsError, match="cannot be read"):
        bring(packed[:12])
    assert len(Reader(open_writer(sqlite_url)).source_frame("gpu0")) > 50_000


def test_a_million_torn_lines_are_only_counted(bring: Bring) -> None:
    result, _ = bring(HEAD + "a,b\n" * 200_000 + row(1))
    assert (result.n_rows_left_out, result.shelved.n_added) == (200_000, 1)
    assert [line for line, _, _ in said(result)] == list(range(2, 22))
    assert result.reasons == (("has 2 cells, the headings are 3", 200_000),)


def test_parquet_of_any_kind(tmp_path: Path, bring: Bring) -> None:
    table = pa.table(
        {
            "time": pa.array([1_772_000_000, 1_772_000_001, None], pa.int64()),
            "gpu0.temperature_c": pa.array([50, None, 3], pa.int8()),
            "gpu0.power_w": pa.array(["100.5", "x", "1"]).dictionary_encode(),
            "cpu0.power_w": pa.array([1.5, math.nan, 1], pa.float32()),
            "vrm0.power_w": pa.nulls(3),
        }
    )
    sink = io.BytesIO()
    pq.write_table(table, sink)
    result, reader = bring(sink.getvalue())
    assert said(result) == [(2, "gpu0.power_w", "'x' is no number"), (3, "", "there is no time")]
    assert reader.source_frame("gpu0")[["temperature_c", "power_w"]].to_numpy().tolist() == [[50, 100.5]]
    assert [source.name for source in reader.sources()] == ["gpu0", "cpu0"]  # vrm0 never had anything


@pytest.mark.parametrize("kind", [pa.list_(pa.float64()), pa.bool_(), pa.binary()])
def test_parquet_of_no_use(bring: Bring, kind: pa.DataType) -> None:
    sink = io.BytesIO()
    pq.write_table(pa.table({"time": [1_772_000_000], "gpu0.power_w": pa.nulls(1, kind)}), sink)
    with pytest.raises(SettingsError, match=r"gpu0\.power_w' holds"):
        bring(sink.getvalue())


def test_a_parquet_file_cut_short_is_refused(bring: Bring) -> None:
    sink = io.BytesIO()
    pq.write_table(pa.table({"time": list(range(100)), "gpu0.power_w": list(range(100))}), sink)
    with pytest.raises(SettingsError, match="broken Parquet"):
        bring(sink.getvalue()[:-20])


def test_an_open_table_says_how_far_it_is(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(HEAD + row(1))
    table = open_table(path, ImportMapping())
    assert table.headings == ("time", "gpu0.temperature_c", "gpu0.power_w")
    batches = list(table.batches(["gpu0.power_w", "time"]))
    assert [batch.column("gpu0.power_w").to_pylist() for batch in batches] == [["100"]]
    assert table.share() == 1.0


CELLS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False, width=64).map(repr),
    st.integers(-(10**20), 10**20).map(str),
    st.text(max_size=8),
)


@pytest.mark.parametrize("word", ["-1", "-1,0", "N/A"])
def test_words_for_not_had_may_be_numbers(word: str) -> None:
    values, is_bad = numbers(pa.array(["1,5", word, "-1,01"]), ",", [word])
    np.testing.assert_array_equal(values, [1.5, np.nan, -1.01])
    assert not is_bad.any()


@given(st.lists(CELLS, min_size=1, max_size=20))
def test_numbers_are_those_that_python_reads(cells: list[str]) -> None:
    """Every cell that is plain decimal notation has the value Python gives it; nothing else has one."""
    values, is_bad = numbers(pa.array(cells))
    for cell, value, bad in zip(cells, values.tolist(), is_bad.tolist(), strict=True):
        plain = cell.strip(' \t"')
        if plain.lower() in {"", "nan", "null"}:
            assert math.isnan(value)
            assert not bad
        elif plain.isascii() and "_" not in plain and not any(c.isspace() for c in plain):
            try:
                expected = float(plain)
            except ValueError:
                expected = math.nan
            if math.isinf(expected) or math.isnan(expected):
                assert bad or math.isinf(value)  # refused here, or by the bounds of its quantity
            else:
                assert value == expected  # both round correctly
        else:
            assert bad
            assert math.isnan(value)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=400), st.booleans())
def test_no_bytes_whatever_end_in_anything_but_our_own_error(
    tmp_path: Path, bring: Bring, content: bytes, with_heading: bool
) -> None:
    try:
        result, reader = bring((HEAD.encode() if with_heading else b"") + content)
    except SettingsError as error:
        assert str(error)
    else:
        for source in reader.sources():
            values = reader.source_frame(source.name)["power_w"].to_numpy()
            assert np.nanmax(values, initial=0.0) <= 2000.0
        assert result.n_rows_left_out <= result.n_rows


@given(st.lists(st.tuples(st.integers(0, 50), st.floats(1, 130), st.floats(0, 2000)), max_size=30))
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_good_table_is_kept_whole(tmp_path: Path, rows: list[tuple[int, float, float]]) -> None:
    """Whatever the order and the repetition: the first of each moment, to the nearest thousandth."""
    database = open_writer(f"sqlite:///{tmp_path / 'fresh.db'}")
    writer = Writer(database, f"u{abs(hash(tuple(rows)))}", "desk")
    path = tmp_path / "t.csv"
    with path.open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time", "gpu0.temperature_c", "gpu0.power_w"])
        table.writerows([1_772_000_000 + second, t, p] for second, t, p in rows)
    result = import_table(database, writer.machine_id, path, NOW_UTC_MS)
    firsts = {second: (t, p) for second, t, p in reversed(rows)}
    assert result.shelved.n_added in (len(firsts), 0)  # 0 where the same example is played again
    if rows:
        reader = Reader(database, f"u{abs(hash(tuple(rows)))}")
        frame = reader.source_frame("gpu0")
        expected = [[round(v * 1000) / 1000 for v in firsts[second]] for second in sorted(firsts)]
        # Half a thousandth either way: a tie may round to either side of it once scaled.
        np.testing.assert_allclose(
            frame[["temperature_c", "power_w"]].to_numpy(), expected, atol=0.00051, rtol=0
        )
    database.close()
