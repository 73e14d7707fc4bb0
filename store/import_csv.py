"""CSV files as people have them, a block at a time: RFC 4180, or as a mapping says."""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, cast

import pyarrow as pa
import pyarrow.csv as pa_csv

from .errors import SettingsError
from .import_mapping import ImportMapping
from .import_tables import Numbers, Torn, ends_early

BLOCK_BYTES = 1024 * 1024  # pyarrow reads up to 32 of them ahead; larger is hardly faster
HEAD_BYTES = 1024 * 1024  # the headings and what stands above them
COUNTED_TORN = 100_000  # nobody is told of the line of a row behind so many torn ones
GZIP_MAGIC = b"\x1f\x8b"
MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


@contextmanager
def opened(path: Path) -> Iterator[tuple[IO[bytes], IO[bytes]]]:
    """What is in a file, as it was before gzip if it was, and the file itself."""
    with path.open("rb") as file:
        is_packed = file.read(len(GZIP_MAGIC)) == GZIP_MAGIC
        file.seek(0)
        if is_packed:
            with gzip.GzipFile(fileobj=file, mode="rb") as unpacked:
                yield cast(IO[bytes], unpacked), file
        else:
            yield file, file


class CsvTable:
    """A CSV file: RFC 4180, or with the delimiter and encoding that a mapping names."""

    def __init__(self, path: Path, head: bytes, mapping: ImportMapping) -> None:
        self._path = path
        self._mapping = mapping
        self._encoding = next((name for mark, name in MARKS if head.startswith(mark)), mapping.encoding)
        text = self._decoded(head)
        # A quotation mark that is never closed swallows all that follows; where none is used, none is meant.
        self._quote = '"' if '"' in text else False
        self.headings, self._n_above, self._has_rows = self._read_headings(text)
        self._size = path.stat().st_size
        self._file: IO[bytes] | None = None
        self._torn: list[Torn] = []
        # The rows that come after a torn line stand a line further down.
        self._torn_lines: list[int] = []
        self._n_swallowed = 0

    def batches(self, wanted: Sequence[str]) -> Iterator[pa.RecordBatch]:
        places = {name: f"c{self.headings.index(name)}" for name in wanted}
        try:
            with opened(self._path) as (content, self._file):
                readable = _Utf8File(content, self._encoding)
                if self._has_rows:
                    for batch in self._reader(readable, list(places.values())):
                        yield batch.rename_columns(list(wanted))
                if readable.fault is not None:
                    raise readable.fault
        except (pa.ArrowException, OSError, EOFError, zlib.error) as error:
            reason = (str(error) or type(error).__name__).splitlines()[0]
            if "straddling" in reason:
                reason = f"a row is longer than {BLOCK_BYTES // 1024**2} MB"
            raise ends_early(self._path, reason) from error

    def _reader(self, content: _Utf8File, wanted: list[str]) -> pa_csv.CSVStreamingReader:
        return pa_csv.open_csv(
            content,
            read_options=pa_csv.ReadOptions(
                use_threads=False,  # else a torn line has no number
                block_size=BLOCK_BYTES,
                column_names=[f"c{number}" for number in range(len(self.headings))],
                skip_rows=self._n_above,
            ),
            parse_options=pa_csv.ParseOptions(
                delimiter=self._mapping.delimiter,
                quote_char=self._quote,
                ignore_empty_lines=False,
                invalid_row_handler=self._tear,
            ),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(wanted, pa.string()),
                include_columns=wanted,
                strings_can_be_null=False,
                check_utf8=False,  # one bad byte is one bad cell
            ),
        )

    def lines(self, rows: Numbers) -> Numbers:
        found = rows + self._n_above + 1
        for torn in self._torn_lines:
            found += found >= torn
        return found

    def torn(self) -> list[Torn]:
        found, self._torn = self._torn, []
        return found

    def share(self) -> float:
        if self._file is None or self._file.closed:
            return 1.0
        return min(1.0, self._file.tell() / self._size)

    def close(self) -> None:
        """Nothing is open before the batches are asked for."""

    def _tear(self, row: pa_csv.InvalidRow) -> str:
        if not row.text.strip():
            return "skip"
        n_more = row.text.count("\n")
        reason = f"has {row.actual_columns} cells, the headings are {row.expected_columns}"
        if n_more:
            reason = f"has a quotation mark that is not closed; it swallows {n_more} lines below"
        # With threads there would be no number.
        line = (row.number or 0) + self._n_swallowed
        self._n_swallowed += n_more
        if len(self._torn_lines) < COUNTED_TORN:
            self._torn_lines += range(line, line + n_more + 1)
        self._torn.append(Torn(line, n_more + 1, reason))
        return "skip"

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

    def _read_headings(self, text: str) -> tuple[tuple[str, ...], int, bool]:
        stream = io.StringIO(text, newline="")
        for _ in range(self._mapping.skip_lines):
            stream.readline()
        reader = csv.reader(stream, delimiter=self._mapping.delimiter)
        try:
            headings = next(reader, [])
        except csv.Error as error:
            raise SettingsError(f"{self._path} has no headings ({error})", remedy="name a table") from error
        if stream.tell() == len(text) >= HEAD_BYTES // 4:  # no encoding has more bytes to a character
            raise SettingsError(f"{self._path} has headings without end", remedy="name a table")
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
        n_above = self._mapping.skip_lines + reader.line_num
        return tuple(name.strip() for name in headings), n_above, bool(stream.read(1))


class _Utf8File(io.RawIOBase):
    """A file of any encoding as UTF-8; what cannot be read is marked, and so is one bad cell.

    pyarrow neither marks it nor tells of a torn line in which it stands. An archive that breaks off ends with
    its last whole line, and ``fault`` says why.
    """

    def __init__(self, file: IO[bytes], encoding: str) -> None:
        super().__init__()
        self._file = file
        self._decoder = codecs.getincrementaldecoder(encoding)("replace")
        self._is_utf8 = codecs.lookup(encoding).name == "utf-8"
        self._held = b""
        self._at_end = False
        self.fault: Exception | None = None

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        size = size if size >= 0 else BLOCK_BYTES
        while len(self._held) < size and not self._at_end:
            try:
                self._held += self._next(size)
            except (OSError, EOFError, zlib.error) as error:
                self.fault, self._at_end = error, True
                self._held = self._held[: self._held.rfind(b"\n") + 1]
        cut = self._held.rfind(b"\n", 0, size) + 1  # whole lines, so that a fault never halves a number
        if not cut or (len(self._held) <= size and self._at_end):
            cut = size
        found, self._held = self._held[:cut], self._held[cut:]
        return found

    def _next(self, size: int) -> bytes:
        piece = self._file.read(size)
        self._at_end = not piece
        # Most of a table is ASCII, which is UTF-8 as it stands unless a character was left half read.
        if piece and self._is_utf8 and piece.isascii() and not self._decoder.getstate()[0]:
            return piece
        return self._decoder.decode(piece, self._at_end).encode("utf-8", "replace")
