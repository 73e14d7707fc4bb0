"""Whether a SQLite file is whole: its structure, and what is written in it.

SQLite sees a broken structure and not a changed value; for that rows and packed tables carry checksums. Plain
``sqlite3`` and no table library, so that a recorder can afford it.
"""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path
from urllib.parse import quote

from .row_checksum import first_damaged

ROW_TABLES = ("source_sample", "probe_sample")


def connect_still(path: Path) -> sqlite3.Connection:
    """Open a file that nobody writes, without making any other file beside it."""
    uri = f"file:{quote(str(path.absolute()))}?immutable=1"
    return sqlite3.connect(uri, uri=True, isolation_level=None)


def structure_fault(connection: sqlite3.Connection, table: str = "", *, is_quick: bool = False) -> str | None:
    """What is wrong with the pages of a file or of one table, None where nothing is.

    Parameters
    ----------
    table
        One table and its indexes; the whole file without it.
    is_quick
        Leave out whether each index agrees with its table.
    """
    check = "quick_check" if is_quick else "integrity_check"
    # With the name of a table each line is about that table alone; otherwise the first line is enough.
    wanted = f"'{table}'" if table else "1"
    try:
        first = connection.execute(f"PRAGMA {check}({wanted})").fetchone()
    except sqlite3.DatabaseError as error:
        return str(error)
    return None if first == ("ok",) else str(first[0] if first else "no answer").splitlines()[-1]


def content_fault(connection: sqlite3.Connection) -> str | None:
    """The first plain row or packed table that is not what was written, None where there is none."""
    try:
        for table in ROW_TABLES:
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            if "checksum" not in columns:
                continue  # of a heatdrift that had none
            bad = first_damaged(connection.execute(f"SELECT {', '.join(columns)} FROM {table}"))  # noqa: S608
            if bad is not None:
                return f"a row of {table} is not what was written ({bad[0]}, {bad[1]})"
        pieces = "SELECT series, first_day, last_day, checksum, packed FROM sealed_day"
        for series, first_day, last_day, checksum, packed in connection.execute(pieces):
            if hashlib.sha256(packed).hexdigest() != checksum:
                return f"{series} from {first_day} to {last_day} does not match its checksum"
    except (sqlite3.DatabaseError, TypeError, UnicodeDecodeError) as error:
        return str(error)
    return None


def fault(connection: sqlite3.Connection) -> str | None:
    """The first thing that is wrong with structure or content."""
    return structure_fault(connection) or content_fault(connection)
