"""Parquet files, a batch of rows at a time.

A Parquet file says itself how large it is unpacked, and few hundred bytes can stand for gigabytes. So what it
says is held against limits before it is read, and text is read as a dictionary: a word that is said a million
times is in memory once, and one that is longer than any reading is refused.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from .errors import SettingsError
from .import_tables import Numbers, Torn, ends_early
from .parquet_pages import Chunk, chunks_of, pages_of

BATCH_ROWS = 65_536
MOST_ROWS = 2_000_000_000  # a look a second for sixty years
MOST_TEXT_BYTES = 256 * 1024**2  # of one column in one group of rows: ten million moments as text
MOST_NUMBER_BYTES = 1024**3  # the same of numbers: a hundred million
LONGEST_CELL = 4096  # bytes; a moment or a reading has thirty
# What a broken file makes its reader say: a heading that is no text, a size that no memory has.
BROKEN = (pa.ArrowException, OSError, ValueError, MemoryError)


class ParquetTable:
    """A Parquet file; where a CSV file has lines, it has rows, counted from 1."""

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            # At first only the end of the file is read, in which stands what it holds.
            about = pq.read_metadata(path)
            schema = about.schema.to_arrow_schema()
            self.headings = tuple(schema.names)
            texts = (
                [name for name in schema.names if _is_text(schema.field(name).type)]
                if _are_unique(schema)
                else []
            )
            self._file = pq.ParquetFile(path, metadata=about, read_dictionary=texts)
        except BROKEN as error:
            raise SettingsError(
                f"{path} is a broken Parquet file ({_reason(error)})", remedy="write it again"
            ) from error
        self._n_rows = max(1, about.num_rows)
        self._n_read = 0

    def batches(self, wanted: Sequence[str]) -> Iterator[pa.RecordBatch]:
        for name in wanted:
            kind = self._file.schema_arrow.field(name).type
            if not _is_readable(kind):
                raise SettingsError(
                    f"{self._path}: column {name!r} holds {kind}", remedy="write numbers or text"
                )
        try:
            self._need_sane_sizes(wanted)
            for batch in self._file.iter_batches(BATCH_ROWS, columns=list(wanted), use_threads=False):
                self._n_read += batch.num_rows
                columns = [self._plain(batch.column(name), name) for name in wanted]
                yield pa.record_batch(columns, list(wanted))
        except BROKEN as error:
            raise ends_early(self._path, _reason(error)) from error
        finally:
            self.close()

    def lines(self, rows: Numbers) -> Numbers:
        return rows + 1

    def torn(self) -> list[Torn]:
        return []

    def share(self) -> float:
        return float(min(1.0, self._n_read / self._n_rows))

    def close(self) -> None:
        """Close the file; the batches do so at their end."""
        self._file.close()

    def _need_sane_sizes(self, wanted: Sequence[str]) -> None:
        """Refuse what would not fit into memory, or be read for ever, by what the file says of itself."""
        about = self._file.metadata
        if about.num_rows > MOST_ROWS:
            raise SettingsError(
                f"{self._path} has {about.num_rows:,} rows, {MOST_ROWS:,} at most are read",
                remedy="divide it",
            )
        with self._path.open("rb") as file:
            for chunk in list(chunks_of(file)):
                if chunk.name not in wanted:
                    continue
                most = MOST_TEXT_BYTES if chunk.is_text else MOST_NUMBER_BYTES
                size = max(chunk.unpacked, _unpacked_size(file, chunk, most))
                if size > most:
                    raise SettingsError(
                        f"{self._path}: {chunk.name!r} unpacks to {size / 1e6:,.0f} MB in one group of rows, "
                        f"{most / 1e6:,.0f} MB at most are read",
                        remedy="write it with smaller groups of rows",
                    )

    def _plain(self, column: pa.Array, name: str) -> pa.Array:
        if pa.types.is_dictionary(column.type):
            words = column.dictionary
            if _is_text(words.type) and len(words):
                longest = pc.max(pc.binary_length(words)).as_py() or 0
                if longest > LONGEST_CELL:
                    raise SettingsError(
                        f"{self._path}: a cell of {name!r} is {longest:,} bytes long",
                        remedy=f"write numbers, or text of {LONGEST_CELL:,} bytes at most",
                    )
            column = column.dictionary_decode()
        if pa.types.is_large_string(column.type) or pa.types.is_null(column.type):
            column = column.cast(pa.string())
        return column


def _unpacked_size(file: IO[bytes], chunk: Chunk, most: int) -> int:
    """What the pages of a column say that they take in memory [bytes]; no further than ``most``."""
    found = 0
    for page in pages_of(file, chunk.start, chunk.packed):
        found += page.unpacked
        if found > most:
            break
    return found


def _reason(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]


def _are_unique(schema: pa.Schema) -> bool:
    return len(set(schema.names)) == len(schema.names)


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _is_readable(kind: pa.DataType) -> bool:
    types = pa.types
    if types.is_dictionary(kind):
        return _is_readable(kind.value_type)
    return any(
        check(kind)
        for check in (
            types.is_integer, types.is_floating, types.is_decimal, types.is_timestamp,
            types.is_string, types.is_large_string, types.is_null,
        )
    )  # fmt: skip
