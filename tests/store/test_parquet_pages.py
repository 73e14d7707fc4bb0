"""Pages of files that others wrote, walked along by their headers, and headers that are none."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from heatdrift.store.import_parquet import ParquetTable
from heatdrift.store.parquet_pages import chunks_of, pages_of

N_ROWS = 30_000


@pytest.mark.parametrize("compression", ["none", "zstd", "snappy"])
@pytest.mark.parametrize("use_dictionary", [True, False])
@pytest.mark.parametrize("data_page_version", ["1.0", "2.0"])
def test_all_pages_of_a_column_are_walked_along(
    tmp_path: Path, compression: str, use_dictionary: bool, data_page_version: str
) -> None:
    path = tmp_path / "table.parquet"
    texts = [f"{number % 5000:06d}" for number in range(N_ROWS)]
    table = pa.table({"number": [float(number) for number in range(N_ROWS)], "text": texts})
    options: dict[str, Any] = {"compression": compression, "use_dictionary": use_dictionary}
    pq.write_table(table, path, data_page_size=4096, data_page_version=data_page_version, **options)
    with path.open("rb") as file:
        for place, told in enumerate(list(chunks_of(file))):
            chunk = pq.read_metadata(path).row_group(0).column(place)
            start = min(
                offset
                for offset in (chunk.data_page_offset, chunk.dictionary_page_offset)
                if offset is not None
            )
            sizes = chunk.total_compressed_size, chunk.total_uncompressed_size
            assert tuple(told) == (("number", "text")[place], place == 1, start, *sizes)
            pages = list(pages_of(file, told.start, told.packed))
            assert len(pages) > 5
            # What the end of the file says counts the headers as well, some 20 to 100 bytes each.
            headers = chunk.total_uncompressed_size - sum(page.unpacked for page in pages)
            assert 10 * len(pages) < headers < 200 * len(pages)
            packed = chunk.total_compressed_size - sum(page.packed for page in pages)
            assert packed == headers


def test_a_file_of_many_pages_is_read_as_before(tmp_path: Path) -> None:
    path = tmp_path / "table.parquet"
    moments = pa.array([1_794_900_000_000 + number for number in range(N_ROWS)], pa.timestamp("ms", "UTC"))
    texts = pa.array([None if number % 7 == 0 else f"{number / 1000}" for number in range(N_ROWS)])
    pq.write_table(pa.table([moments, texts], ["time", "gpu0.power_w"]), path, row_group_size=1000)
    table = ParquetTable(path)
    read = pa.Table.from_batches(list(table.batches(["gpu0.power_w", "time"])))
    assert read["gpu0.power_w"].combine_chunks().equals(texts)
    assert read["time"].combine_chunks().equals(moments)
    assert table.share() == 1.0


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "ends within"),
        (b"\x15", "ends within"),
        (b"\x00", "no size"),
        (b"\x15\x00\x15\x02\x15\x03\x00", "no size"),  # a packed size of -2
        (b"\x15" + b"\xff" * 11, "number without end"),
        (b"\x1d\x00", "no header"),
        (b"\x1c" * 30, "nests too deep"),
        (b"\x19\xf8\xff\xff\xff\xff\x0f", "list without end"),
    ],
)
def test_a_header_that_is_none(raw: bytes, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        list(pages_of(io.BytesIO(raw), 0, 100))


def test_an_end_that_says_nothing_of_its_columns(tmp_path: Path) -> None:
    """The library was seen to end the whole process over such a file."""
    path = tmp_path / "table.parquet"
    pq.write_table(pa.table({"number": [1.0]}), path)
    raw = path.read_bytes()
    n_ends = 0
    for place in range(len(raw) - 8 - int.from_bytes(raw[-8:-4], "little"), len(raw) - 8):
        for wrong in (0, 0xFF, raw[place] ^ 0x10):
            broken = raw[:place] + bytes([wrong]) + raw[place + 1 :]
            try:
                list(chunks_of(io.BytesIO(broken)))
            except ValueError:
                n_ends += 1
    assert n_ends > 50
