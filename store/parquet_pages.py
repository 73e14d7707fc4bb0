"""What the pages of a Parquet file say of their size; its end may say otherwise, and readers believe them.

References
----------
.. [1] Apache Parquet, ``parquet.thrift``: PageHeader; and the Thrift compact protocol in which it is written.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import IO, NamedTuple

BYTE, DOUBLE, BINARY, LIST, SET, STRUCT = 3, 7, 8, 9, 10, 12
FLAGS, WHOLE = (1, 2), (4, 5, 6)
UNPACKED_SIZE, PACKED_SIZE = 2, 3  # fields of a page header
DEEPEST, LONGEST_LIST, LONGEST_VARINT = 8, 10_000, 10


class Page(NamedTuple):
    """Sizes of one page as stored and as it is in memory [bytes]."""

    packed: int
    unpacked: int


def pages_of(file: IO[bytes], start: int, length: int) -> Iterator[Page]:
    """Walk along the pages of one column in one group of rows, reading their headers alone.

    Parameters
    ----------
    file
        Open for reading.
    start, length
        Where the column stands in it, and on how many bytes.

    Raises
    ------
    ValueError
        There is no page where one is due, or its size is none.
    """
    at = start
    while at < start + length:
        file.seek(at)
        sizes = _header(file)
        page = Page(sizes.get(PACKED_SIZE, -1), sizes.get(UNPACKED_SIZE, -1))
        if page.packed < 0 or page.unpacked < 0:
            raise ValueError("a page of it has no size")
        yield page
        at = file.tell() + page.packed


def _header(file: IO[bytes]) -> dict[int, int]:
    """The whole numbers among the fields of a struct; what else is in it is passed over."""
    found: dict[int, int] = {}
    for number, kind in _fields(file):
        if kind in WHOLE:
            found[number] = _signed(file)
        else:
            _pass_over(file, kind, 0)
    return found


def _fields(file: IO[bytes]) -> Iterator[tuple[int, int]]:
    number = 0
    while (mark := _byte(file)) != 0:
        number = number + (mark >> 4) if mark >> 4 else _signed(file)
        yield number, mark & 0x0F


def _pass_over(file: IO[bytes], kind: int, depth: int) -> None:
    if depth > DEEPEST:
        raise ValueError("a page of it nests too deep")
    if kind in FLAGS:
        return
    if kind in WHOLE:
        _varint(file)
    elif kind in (BYTE, DOUBLE):
        file.seek(1 if kind == BYTE else 8, 1)
    elif kind == BINARY:
        file.seek(_varint(file), 1)
    elif kind in (LIST, SET):
        mark = _byte(file)
        size = mark >> 4 if mark >> 4 != 0x0F else _varint(file)
        if size > LONGEST_LIST:
            raise ValueError("a page of it has a list without end")
        for _ in range(size):
            # In a list a truth value takes a byte.
            _pass_over(file, BYTE if mark & 0x0F in FLAGS else mark & 0x0F, depth + 1)
    elif kind == STRUCT:
        for _, inner in _fields(file):
            _pass_over(file, inner, depth + 1)
    else:
        raise ValueError("a page of it has no header")


def _signed(file: IO[bytes]) -> int:
    value = _varint(file)
    return (value >> 1) ^ -(value & 1)


def _varint(file: IO[bytes]) -> int:
    value = 0
    for place in range(LONGEST_VARINT):
        byte = _byte(file)
        value |= (byte & 0x7F) << (7 * place)
        if byte < 0x80:
            return value
    raise ValueError("a page of it has a number without end")


def _byte(file: IO[bytes]) -> int:
    found = file.read(1)
    if not found:
        raise ValueError("it ends within a page")
    return found[0]
