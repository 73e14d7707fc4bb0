"""What a Parquet file says of its size: at its end, and in its pages, which may say otherwise.

Read by ourselves: the library ends the whole process where what it is asked for is not there, and takes the
word of a page without holding it against anything.

References
----------
.. [1] Apache Parquet, ``parquet.thrift``: FileMetaData, PageHeader; and the Thrift compact protocol.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import IO, Any, NamedTuple

BYTE, DOUBLE, BINARY, LIST, SET, STRUCT = 3, 7, 8, 9, 10, 12
FLAGS, WHOLE = (1, 2), (4, 5, 6)
# Fields, by their numbers: of a page header, of the file, of a group of rows, of one column in it.
UNPACKED_SIZE, PACKED_SIZE = 2, 3
GROUPS = 4
COLUMNS = 1
ABOUT_COLUMN = 3
TYPE, PATH, SIZE, SIZE_PACKED, DATA_AT, DICTIONARY_AT = 1, 3, 6, 7, 9, 11
BYTE_ARRAY = 6  # the type of text
TAIL_BYTES = 8  # length of the end, and the mark of the format
DEEPEST, LONGEST_LIST, LONGEST_VARINT, LONGEST_TEXT = 10, 1_000_000, 10, 1_000_000


class Chunk(NamedTuple):
    """One column in one group of rows: where it stands, and its size as stored and as said [bytes]."""

    name: str
    is_text: bool
    start: int
    packed: int
    unpacked: int


class Page(NamedTuple):
    """Sizes of one page as stored and as it is in memory [bytes]."""

    packed: int
    unpacked: int


def chunks_of(file: IO[bytes]) -> Iterator[Chunk]:
    """Every column of every group of rows, by the end of the file.

    Raises
    ------
    ValueError
        It says nothing of one of them.
    """
    file.seek(-TAIL_BYTES, 2)
    end = file.tell()
    length = int.from_bytes(file.read(4), "little")
    file.seek(end - length)
    about = _struct(file, 0)
    try:
        for group in about.get(GROUPS, []):
            for column in group[COLUMNS]:
                told = column[ABOUT_COLUMN]
                starts = [told[DATA_AT], *([told[DICTIONARY_AT]] if told.get(DICTIONARY_AT) else [])]
                name = b".".join(told[PATH]).decode()
                yield Chunk(name, told[TYPE] == BYTE_ARRAY, min(starts), told[SIZE_PACKED], told[SIZE])
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError("its end says nothing of a column") from error


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
        sizes = _struct(file, 0)
        packed, unpacked = sizes.get(PACKED_SIZE), sizes.get(UNPACKED_SIZE)
        if not isinstance(packed, int) or not isinstance(unpacked, int) or min(packed, unpacked) < 0:
            raise ValueError("a page of it has no size")
        page = Page(packed, unpacked)
        yield page
        at = file.tell() + page.packed


def _struct(file: IO[bytes], depth: int) -> dict[int, Any]:
    """A struct by the numbers of its fields."""
    if depth > DEEPEST:
        raise ValueError("it nests too deep")
    found: dict[int, Any] = {}
    number = 0
    while (mark := _byte(file)) != 0:
        number = number + (mark >> 4) if mark >> 4 else _signed(file)
        kind = mark & 0x0F
        found[number] = kind == 1 if kind in FLAGS else _value(file, kind, depth)
    return found


def _value(file: IO[bytes], kind: int, depth: int) -> Any:
    if kind in WHOLE:
        return _signed(file)
    if kind in (BYTE, DOUBLE):
        return file.read(1 if kind == BYTE else 8)
    if kind == BINARY:
        length = _varint(file)
        if length > LONGEST_TEXT:  # the least and the largest of a column of bombs
            file.seek(length, 1)
            return b""
        return file.read(length)
    if kind in (LIST, SET):
        mark = _byte(file)
        size = mark >> 4 if mark >> 4 != 0x0F else _varint(file)
        if size > LONGEST_LIST:
            raise ValueError("it has a list without end")
        of = mark & 0x0F
        return [_value(file, BYTE if of in FLAGS else of, depth) for _ in range(size)]
    if kind == STRUCT:
        return _struct(file, depth + 1)
    raise ValueError("it has no header where one is due")


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
    raise ValueError("it has a number without end")


def _byte(file: IO[bytes]) -> int:
    found = file.read(1)
    if not found:
        raise ValueError("it ends within a page")
    return found[0]
