"""Finds rows in the pages of a SQLite file whose structure is broken, page by page and without its trees.

What is found may be a row that was deleted, or no row at all: whoever asks must hold each one against a
checksum of its own.

References
----------
.. [1] https://www.sqlite.org/fileformat2.html#b_tree_pages
"""

from __future__ import annotations

import mmap
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

PAGE_BYTES = 4096  # of every file of ours: it was never set, and is SQLite's own default
INDEX_INTERIOR, INDEX_LEAF, TABLE_LEAF = 0x02, 0x0A, 0x0D
FIRST_PAGE_HEADER = 100
MOST_BYTES = 1 << 30  # SQLite's own limit of a value

Cells = list[Any]


def scan(path: Path, *, is_table: bool) -> Iterator[Cells | None]:
    """Every record that can be read; None for a place where one should be and is none.

    Parameters
    ----------
    path
        A file that nobody writes.
    is_table
        Records of tables with row numbers, else those of tables without (and of indexes).
    """
    kinds = (TABLE_LEAF,) if is_table else (INDEX_LEAF, INDEX_INTERIOR)
    if path.stat().st_size < PAGE_BYTES:
        return
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        n_pages = len(content) // PAGE_BYTES
        for number in range(n_pages):
            page = content[number * PAGE_BYTES : (number + 1) * PAGE_BYTES]
            header = FIRST_PAGE_HEADER if number == 0 else 0
            if page[header] not in kinds:
                continue
            n_cells = int.from_bytes(page[header + 3 : header + 5], "big")
            first = header + (12 if page[header] == INDEX_INTERIOR else 8)
            if first + 2 * n_cells > PAGE_BYTES:
                yield None
                continue
            for place in struct.unpack_from(f">{n_cells}H", page, first):
                try:
                    yield _record(content, page, place, page[header], n_pages)
                except (ValueError, IndexError, struct.error):
                    yield None


def _record(content: mmap.mmap, page: bytes, place: int, kind: int, n_pages: int) -> Cells:
    at = place + 4 if kind == INDEX_INTERIOR else place
    n_bytes, at = _varint(page, at)
    if kind == TABLE_LEAF:
        _, at = _varint(page, at)
    if n_bytes > MOST_BYTES:
        raise ValueError("no value is that long")
    usable = PAGE_BYTES
    most = usable - 35 if kind == TABLE_LEAF else (usable - 12) * 64 // 255 - 23
    if n_bytes <= most:
        if at + n_bytes > PAGE_BYTES:
            raise ValueError("runs out of its page")
        return _cells(page[at : at + n_bytes])
    least = (usable - 12) * 32 // 255 - 23
    here = least + (n_bytes - least) % (usable - 4)
    here = here if here <= most else least
    parts = [page[at : at + here]]
    left = n_bytes - here
    following = int.from_bytes(page[at + here : at + here + 4], "big")
    while left > 0:
        if not 0 < following <= n_pages:
            raise ValueError("its chain of pages is broken")
        start = (following - 1) * PAGE_BYTES
        parts.append(content[start + 4 : start + 4 + min(left, usable - 4)])
        following = int.from_bytes(content[start : start + 4], "big")
        left -= usable - 4
    return _cells(b"".join(parts))


def _varint(text: bytes, at: int) -> tuple[int, int]:
    value = 0
    for number in range(8):
        byte = text[at + number]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + number + 1
    return value << 8 | text[at + 8], at + 9


INTEGER_BYTES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}


def _cells(record: bytes) -> Cells:
    end, at = _varint(record, 0)
    if end > len(record):
        raise ValueError("its header is longer than the record")
    place = end
    cells: Cells = []
    while at < end:
        kind, at = _varint(record, at)
        if kind == 0:
            cells.append(None)
        elif kind in INTEGER_BYTES:
            n = INTEGER_BYTES[kind]
            cells.append(int.from_bytes(record[place : place + n], "big", signed=True))
            place += n
        elif kind in (8, 9):
            cells.append(kind - 8)
        elif kind == 7:
            cells.append(struct.unpack_from(">d", record, place)[0])
            place += 8
        elif kind >= 12:
            n = (kind - 12) // 2
            piece = record[place : place + n]
            cells.append(piece.decode() if kind % 2 else bytes(piece))
            place += n
        else:
            raise ValueError("no such kind of value")
    if place != len(record):
        raise ValueError("its length is not that of its values")
    return cells
