"""Parquet files, a batch of rows at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from .errors import SettingsError
from .import_tables import Numbers, Torn, ends_early

BATCH_ROWS = 65_536
# What a broken file makes its reader say: a heading that is no text, a size that no memory has.
BROKEN = (pa.ArrowException, OSError, ValueError, MemoryError)


class ParquetTable:
    """A Parquet file; where a CSV file has lines, it has rows, counted from 1."""

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            self._file = pq.ParquetFile(path)
            self.headings = tuple(self._file.schema_arrow.names)
        except BROKEN as error:
            raise SettingsError(
                f"{path} is a broken Parquet file ({_reason(error)})", remedy="write it again"
            ) from error
        self._n_rows = max(1, self._file.metadata.num_rows)
        self._n_read = 0

    def batches(self, wanted: Sequence[str]) -> Iterator[pa.RecordBatch]:
        for name in wanted:
            kind = self._file.schema_arrow.field(name).type
            if not _is_readable(kind):
                raise SettingsError(
                    f"{self._path}: column {name!r} holds {kind}", remedy="write numbers or text"
                )
        try:
            for batch in self._file.iter_batches(BATCH_ROWS, columns=list(wanted), use_threads=False):
                self._n_read += batch.num_rows
                yield pa.record_batch([_plain(batch.column(name)) for name in wanted], list(wanted))
        except BROKEN as error:
            raise ends_early(self._path, _reason(error)) from error
        finally:
            self.close()

    def lines(self, rows: Numbers) -> Numbers:
        return rows + 1

    def torn(self) -> list[Torn]:
        return []

    def share(self) -> float:
        return float(self._n_read / self._n_rows)

    def close(self) -> None:
        """Close the file; the batches do so at their end."""
        self._file.close()


def _reason(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]


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


def _plain(column: pa.Array) -> pa.Array:
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.dictionary_decode()
    if pa.types.is_large_string(column.type) or pa.types.is_null(column.type):
        column = column.cast(pa.string())
    return column
