"""From the cells of a column to numbers: fast where all is well, cell by cell where it is not."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
# No "inf", no digits grouped by apostrophes or spaces: what is not plainly a number is not guessed at.
NUMBER = r"^[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?$"
NOT_HAD = ("nan", "null")  # how tables write that there is no value


def numbers(cells: pa.Array, decimal: str = ".", missing: Sequence[str] = ()) -> tuple[Floats, Flags]:
    """Read cells as numbers.

    Parameters
    ----------
    cells
        Text or numbers.
    decimal
        Their decimal sign.
    missing
        Words that mean "not had", beside the empty cell, ``nan`` and ``null``.

    Returns
    -------
    tuple
        Values, NaN where there is none, and where a cell is no number; both of shape (n_cells,).
    """
    nothing = np.zeros(len(cells), bool)
    if not is_text(cells.type):
        try:
            return as_floats(pc.cast(cells, pa.float64(), safe=False)), nothing
        except pa.ArrowException:  # moments, say, or what no float can hold
            return np.full(len(cells), np.nan), ~as_flags(cells.is_null())
    text = without_empty(cells)
    if not any(_is_number(word, decimal) for word in missing):  # -1, say, would be read as one
        try:
            plain = pc.replace_substring(text, ",", ".") if decimal == "," else text
            found = as_floats(pc.cast(plain, pa.float64()))
        except (pa.ArrowInvalid, UnicodeDecodeError):
            pass
        else:
            return found, np.isinf(found)
    return _one_by_one(text, decimal, missing)


def _one_by_one(text: pa.Array, decimal: str, missing: Sequence[str]) -> tuple[Floats, Flags]:
    trimmed = without_empty(pc.ascii_trim(text, ' \t"'))
    lowered = pc.ascii_lower(trimmed)
    words = pa.array([*NOT_HAD, *(word.strip().lower() for word in missing)], pa.string())
    trimmed = pc.if_else(pc.is_in(lowered, words), pa.scalar(None, pa.string()), trimmed)
    if decimal == ",":
        trimmed = pc.replace_substring(trimmed, ",", ".")
    is_number = pc.fill_null(pc.match_substring_regex(trimmed, NUMBER), True)
    values = pc.cast(pc.if_else(is_number, trimmed, pa.scalar(None, pa.string())), pa.float64())
    found = as_floats(values)
    return found, ~as_flags(is_number) | np.isinf(found)


def _is_number(word: str, decimal: str) -> bool:
    return re.match(NUMBER, word.strip().replace(decimal, ".")) is not None


def is_text(kind: pa.DataType) -> bool:
    """Whether a column holds text."""
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def without_empty(text: pa.Array) -> pa.Array:
    """The same with NULL for the empty text."""
    return pc.if_else(pc.equal(pc.binary_length(text), 0), pa.scalar(None, text.type), text)


def is_blank(cells: pa.Array) -> Flags:
    """Which cells have nothing in them."""
    if not is_text(cells.type):
        return as_flags(cells.is_null())
    return as_flags(pc.fill_null(pc.equal(pc.binary_length(pc.ascii_trim(cells, " \t")), 0), True))


def texts(cells: pa.Array, places: npt.NDArray[np.int64]) -> list[str]:
    """Some cells as they stand in the file; what is not UTF-8 is marked."""
    taken = cells.take(pa.array(places))
    if not is_text(taken.type):
        try:
            return [str(cell) for cell in taken.to_pylist()]
        except (pa.ArrowException, ValueError, OverflowError):  # a moment beyond every calendar
            return [f"one {taken.type}"] * len(taken)
    return [(value or b"").decode("utf-8", "replace") for value in pc.cast(taken, pa.binary()).to_pylist()]


def as_floats(column: pa.Array) -> Floats:
    """Numbers with NaN for NULL, shape (n_cells,)."""
    return np.asarray(column.to_numpy(zero_copy_only=False), np.float64)


def as_flags(column: pa.Array) -> Flags:
    """Truth values without NULL, shape (n_cells,)."""
    return np.asarray(column.to_numpy(zero_copy_only=False), bool)
