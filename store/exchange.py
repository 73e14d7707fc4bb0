"""The exchange table: one row for each moment, one column for each quantity of each source and probe.

Columns are ``time`` (RFC 3339, UTC), ``<source>.<quantity>``, ``<probe>.temperature_c`` and
``fan<N>.speed_rpm``; every quantity ends in its unit. An empty cell was not had. CSV follows RFC 4180.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any, Literal, Protocol

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from .errors import DamagedDataError, DiskFullError, SettingsError
from .import_targets import is_target
from .packing import DAY_MS
from .reader import Reader
from .units import SOURCE_QUANTITIES
from .whole_file import write_whole

CHUNK_MS = 7 * DAY_MS  # a packed week is unpacked once; a week of a machine takes some 20 MB as a frame
MONDAY_UTC_MS = 4 * DAY_MS  # 5 January 1970: chunks begin where packed weeks begin
Format = Literal["csv", "parquet"]


class _Sink(Protocol):
    def add(self, table: pd.DataFrame) -> None: ...

    def close(self) -> None: ...


def export_table(
    reader: Reader,
    path: Path,
    format: Format = "csv",  # noqa: A002 - the word for it
    from_utc_ms: int | None = None,
    to_utc_ms: int | None = None,
    *,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Write the history of a machine as an exchange table, a week at a time.

    Parameters
    ----------
    path
        Replaced only once the whole table is written.
    from_utc_ms, to_utc_ms
        From the first moment up to, not including, the second, UTC [ms since 1970]; None for all there is.
    progress
        Told the share that is written, 0 to 1.

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    SettingsError
        ``path`` cannot be written.
    DiskFullError
        No room for the table; nothing is left behind.
    """
    span = reader.span_utc_ms() or (0, -1)
    start = span[0] if from_utc_ms is None else max(from_utc_ms, span[0])
    end = span[1] + 1 if to_utc_ms is None else min(to_utc_ms, span[1] + 1)
    columns = _columns(reader, start, end)
    n_rows = 0

    def write(whole: Path) -> None:
        nonlocal n_rows
        sink: _Sink = _CsvSink(whole, columns) if format == "csv" else _ParquetSink(whole, columns)
        try:
            for chunk_end, chunk in _chunks(reader, start, end, columns):
                sink.add(chunk)
                n_rows += len(chunk)
                if progress is not None:
                    progress((chunk_end - start) / (end - start))
        finally:
            sink.close()

    try:
        write_whole(path, write)
    except OSError as error:
        kind = DiskFullError if error.errno == 28 else SettingsError  # ENOSPC
        raise kind(f"{path} cannot be written ({error.strerror})", remedy="name another file") from error
    return n_rows


def merged_frame(reader: Reader, from_utc_ms: int, to_utc_ms: int) -> pd.DataFrame:
    """All sources and probes of a stretch side by side, columns as in the exchange table."""
    parts = []
    for source in reader.sources():
        frame = reader.source_frame(source.name, from_utc_ms, to_utc_ms)
        frame = frame[[quantity.name for quantity in SOURCE_QUANTITIES]].add_prefix(f"{source.name}.")
        parts.append(frame)
    for (name, quantity), frame in reader.probe_frames(from_utc_ms, to_utc_ms).items():
        parts.append(frame[["value"]].rename(columns={"value": f"{name}.{quantity}"}))
    filled = [part for part in parts if len(part)]
    if not filled:
        return pd.DataFrame(index=pd.DatetimeIndex([], tz="UTC", name="time_utc"))
    return pd.concat(filled, axis=1, sort=True).sort_index()


def _columns(reader: Reader, start: int, end: int) -> list[str]:
    """Every column that has a value somewhere, in the order of sources, then probes."""
    has_value: dict[str, bool] = {}
    for chunk_start, chunk_end in _stretches(reader, start, end):
        frame = merged_frame(reader, chunk_start, chunk_end)
        for name in frame.columns:
            has_value[name] = has_value.get(name, False) or bool(frame[name].notna().any())
    order = [f"{s.name}.{q.name}" for s in reader.sources() for q in SOURCE_QUANTITIES]
    order += [f"{probe.name}.{probe.quantity}" for probe in reader.probes()]
    names = [name for name in order if has_value.get(name)]
    for name in names:
        if not is_target(name):  # a comma or a line feed in it would shift every column
            raise DamagedDataError(
                f"{name!r} in the database is no name of a column", remedy="bring back the latest backup"
            )
    return names


def _stretches(reader: Reader, start: int, end: int) -> Iterator[tuple[int, int]]:
    """The weeks that have rows, and no other: one row of a clock that was wrong may lie centuries away."""
    days = (number * DAY_MS for number in reader.days())
    for week in sorted({(midnight - MONDAY_UTC_MS) // CHUNK_MS for midnight in days}):
        begin = week * CHUNK_MS + MONDAY_UTC_MS
        if begin < end and begin + CHUNK_MS > start:
            yield max(begin, start), min(begin + CHUNK_MS, end)


def _chunks(reader: Reader, start: int, end: int, columns: list[str]) -> Iterator[tuple[int, pd.DataFrame]]:
    for chunk_start, chunk_end in _stretches(reader, start, end):
        frame = merged_frame(reader, chunk_start, chunk_end)
        if len(frame):
            yield chunk_end, frame.reindex(columns=columns)


def _moments(table: pd.DataFrame) -> np.ndarray[Any, np.dtype[np.datetime64]]:
    return pd.DatetimeIndex(table.index).tz_localize(None).to_numpy("datetime64[ms]")


class _CsvSink:
    def __init__(self, path: Path, columns: list[str]) -> None:
        self._file: IO[str] = path.open("w", encoding="utf-8", newline="")
        self._file.write(",".join(["time", *columns]) + "\r\n")

    def add(self, table: pd.DataFrame) -> None:
        moments = np.datetime_as_string(_moments(table), unit="ms")
        cells = table.set_axis(pd.Index(np.char.add(moments, "Z")), axis=0)
        cells.to_csv(self._file, header=False, lineterminator="\r\n")

    def close(self) -> None:
        try:
            self._file.flush()
            os.fsync(self._file.fileno())
        finally:
            self._file.close()


class _ParquetSink:
    def __init__(self, path: Path, columns: list[str]) -> None:
        fields = [("time", pa.timestamp("ms", tz="UTC")), *((name, pa.float64()) for name in columns)]
        self._schema = pa.schema(fields)
        self._writer = pq.ParquetWriter(path, self._schema, compression="zstd")

    def add(self, table: pd.DataFrame) -> None:
        columns = [pa.array(table[name].to_numpy(), pa.float64(), from_pandas=True) for name in table.columns]
        times = pa.array(_moments(table)).cast(self._schema.field("time").type)
        self._writer.write_table(pa.table([times, *columns], schema=self._schema))

    def close(self) -> None:
        self._writer.close()
