"""Other people's tables, a piece at a time: CSV and Parquet, in memory that does not grow with the file."""

from __future__ import annotations

import codecs
import csv
import io
from bisect import insort
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, Protocol

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from .errors import SettingsError
from .import_mapping import ImportMapping

BLOCK_BYTES = 4 * 1024 * 1024  # larger is no faster
BATCH_ROWS = 65_536
HEAD_BYTES = 1024 * 1024  # the headings and what stands above them
PARQUET_MAGIC = b"PAR1"
MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
Numbers = npt.NDArray[np.int64]


class TableFile(Protocol):
    """A table that is read from its beginning to its end.

    Attributes
    ----------
    headings
        As they stand in the file, in order.
    """

    headings: tuple[str, ...]

    def batches(self, wanted: Sequence[str]) -> Iterator[pa.RecordBatch]:
        """The columns that are wanted, in that order, a batch of rows at a time."""

    def lines(self, rows: Numbers) -> Numbers:
        """Where rows, counted from 0, stand in the file."""

    def torn(self) -> list[tuple[int, str]]:
        """Lines that could not be cut into cells since this was last asked, each with its reason."""

    def share(self) -> float:
        """How much of the file is read, 0 to 1."""

    def close(self) -> None:
        """Close it unread; batches do so at their end."""


def open_table(path: Path, mapping: ImportMapping) -> TableFile:
    """Open a table of either kind; what it is shows in its first bytes.

    Raises
    ------
    SettingsError
        It cannot be read, is empty, or has no headings that can be told apart.
    """
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError as error:
        raise SettingsError(f"{path} cannot be read ({error.strerror})", remedy="name a file") from error
    if not head.strip():
        raise SettingsError(f"{path} is empty", remedy="name a table with headings")
    table: TableFile = ParquetTable(path) if head.startswith(PARQUET_MAGIC) else CsvTable(path, head, mapping)
    seen: set[str] = set()
    for name in table.headings:
        if name in seen and (name in mapping.columns or name in mapping.time_columns or mapping.is_exchange):
            table.close()
            raise SettingsError(f"{path} has two columns {name!r}", remedy="keep one of them")
        seen.add(name)
    return table


class CsvTable:
    """A CSV file: RFC 4180, or with the delimiter and encoding that a mapping names."""

    def __init__(self, path: Path, head: bytes, mapping: ImportMapping) -> None:
        self._path = path
        self._mapping = mapping
        self._encoding = next((name for mark, name in MARKS if head.startswith(mark)), mapping.encoding)
        text = self._decoded(head)
        # A quotation mark that is never closed swallows all that follows; where none is used, none is meant.
        self._quote = '"' if '"' in text else False
        self.headings, self._n_above = self._read_headings(text)
        self._size = path.stat().st_size
        self._file: IO[bytes] | None = None
        self._torn: list[tuple[int, str]] = []
        self._torn_lines: list[int] = []

    def batches(self, wanted: Sequence[str]) -> Iterator[pa.RecordBatch]:
        places = {name: f"c{self.headings.index(name)}" for name in wanted}
        names = [f"c{number}" for number in range(len(self.headings))]
        self._file = self._path.open("rb")
        try:
            if self._has_rows():
                reader = pa_csv.open_csv(
                    self._file,
                    read_options=pa_csv.ReadOptions(
                        use_threads=False,  # else a torn line has no number
                        block_size=BLOCK_BYTES,
                        column_names=names,
                        skip_rows=self._n_above,
                        encoding=self._encoding,
                    ),
                    parse_options=pa_csv.ParseOptions(
                        delimiter=self._mapping.delimiter,
                        quote_char=self._quote,
                        ignore_empty_lines=False,
                        invalid_row_handler=self._tear,
                    ),
                    convert_options=pa_csv.ConvertOptions(
                        column_types=dict.fromkeys(places.values(), pa.string()),
                        include_columns=list(places.values()),
                        strings_can_be_null=False,
                        check_utf8=False,  # one bad byte is one bad cell
                    ),
                )
                for batch in reader:
                    yield batch.rename_columns(list(wanted))
        except (pa.ArrowInvalid, UnicodeError) as error:
            raise SettingsError(
                f"{self._path} cannot be read to its end ({str(error).splitlines()[0]})",
                remedy="what stands before that is kept; mend the file and import it again",
            ) from error
        finally:
            self._file.close()

    def lines(self, rows: Numbers) -> Numbers:
        found = rows + self._n_above + 1
        for torn in self._torn_lines:
            found += found >= torn
        return found

    def torn(self) -> list[tuple[int, str]]:
        found, self._torn = self._torn, []
        return found

    def share(self) -> float:
        if self._file is None or self._file.closed:
            return 1.0
        return min(1.0, self._file.tell() / self._size)

    def close(self) -> None:
        """Nothing is open before the batches are asked for."""

    def _tear(self, row: pa_csv.InvalidRow) -> str:
        line = row.number if row.number is not None else 0
        if row.text.strip():
            insort(self._torn_lines, line)
            reason = f"has {row.actual_columns} cells, the headings are {row.expected_columns}"
            self._torn.append((line, reason))
        return "skip"

    def _has_rows(self) -> bool:
        file = self._file
        assert file is not None
        with io.TextIOWrapper(self._path.open("rb"), encoding=self._encoding, errors="replace") as text:
            for _ in range(self._n_above):
                text.readline()
            return bool(text.read(1))

    def _decoded(self, head: bytes) -> str:
        try:
            return codecs.getincrementaldecoder(self._encoding)().decode(head).removeprefix("\ufeff")
        except UnicodeError:
            # Further down it may be one bad cell; in the headings it is another encoding.
            first = head.split(b"\n", self._mapping.skip_lines + 1)[: self._mapping.skip_lines + 1]
            try:
                b"\n".join(first).decode(self._encoding)
            except UnicodeError as error:
                raise SettingsError(
                    f"the headings of {self._path} are not {self._encoding}",
                    remedy='name its encoding in a mapping file: [file] encoding = "cp1252", say',
                ) from error
            return head.decode(self._encoding, "replace")

    def _read_headings(self, text: str) -> tuple[tuple[str, ...], int]:
        stream = io.StringIO(text, newline="")
        for _ in range(self._mapping.skip_lines):
            stream.readline()
        reader = csv.reader(stream, delimiter=self._mapping.delimiter)
        try:
            headings = next(reader, [])
        except csv.Error as error:
            raise SettingsError(f"{self._path} has no headings ({error})", remedy="name a table") from error
        if not any(headings):
            raise SettingsError(
                f"{self._path} has no headings in line {self._mapping.skip_lines + 1}",
                remedy="say in a mapping file how many lines stand above them: [file] skip_lines = 3",
            )
        if len(headings) == 1 and (other := next((d for d in ";\t|" if d in headings[0]), None)):
            raise SettingsError(
                f"{self._path} has one column, if {self._mapping.delimiter!r} parts them",
                remedy=f"say so in a mapping file: [file] delimiter = {other!r}",
            )
        return tuple(name.strip() for name in headings), self._mapping.skip_lines + reader.line_num


class ParquetTable:
    """A Parquet file; where a CSV file has lines, it has rows, counted from 1."""

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            self._file = pq.ParquetFile(path)
        except (pa.ArrowException, OSError) as error:
            raise SettingsError(
                f"{path} is a broken Parquet file ({str(error).splitlines()[0]})", remedy="write it again"
            ) from error
        self.headings = tuple(self._file.schema_arrow.names)
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
        except (pa.ArrowException, OSError) as error:
            raise SettingsError(
                f"{self._path} cannot be read to its end ({str(error).splitlines()[0]})",
                remedy="what stands before that is kept; mend the file and import it again",
            ) from error
        finally:
            self.close()

    def lines(self, rows: Numbers) -> Numbers:
        return rows + 1

    def torn(self) -> list[tuple[int, str]]:
        return []

    def share(self) -> float:
        return float(self._n_read / self._n_rows)

    def close(self) -> None:
        """Close the file; the batches do so at their end."""
        self._file.close()


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
