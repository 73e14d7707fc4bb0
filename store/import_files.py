"""Opens a table for import; which kind it is shows in its first bytes."""

from __future__ import annotations

import zlib
from pathlib import Path

from .errors import SettingsError
from .import_csv import HEAD_BYTES, CsvTable, opened
from .import_mapping import ImportMapping
from .import_parquet import ParquetTable
from .import_tables import TableFile

PARQUET_MAGIC = b"PAR1"


def open_table(path: Path, mapping: ImportMapping) -> TableFile:
    """Open a table of either kind; what it is shows in its first bytes.

    Raises
    ------
    SettingsError
        It cannot be read, is empty, or has no headings that can be told apart.
    """
    try:
        with opened(path) as (content, _):
            head = content.read(HEAD_BYTES)
    except (OSError, EOFError, zlib.error) as error:
        reason = getattr(error, "strerror", None) or error
        raise SettingsError(f"{path} cannot be read ({reason})", remedy="name a file") from error
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
