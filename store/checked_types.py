"""Holds what is read against what a column means: SQLite keeps any type, and a file can be changed.

A text where a moment is due would surface as a fault far from here, or as a wrong answer.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import date
from enum import Enum
from typing import Any

from sqlalchemy import BigInteger, Double, Integer, LargeBinary, MetaData, String
from sqlalchemy.types import TypeDecorator, TypeEngine

from .errors import DamagedDataError

MOST_WHOLE = 2**63 - 1
FIRST_DAY = date(1970, 1, 1)
END_UTC_MS = ((date.max - FIRST_DAY).days + 1) * 86_400_000  # of the last day that can be written
BRING_BACK = "keep the file, and bring back the latest backup from the folder 'backups' beside it"
DAY_LENGTH = len("2026-03-01")
SHOWN = 60  # characters of what is wrong


class _Checked(TypeDecorator[Any]):
    """A column type that refuses to hand out what its column cannot mean.

    Parameters
    ----------
    inner
        The type as the database knows it.
    meaning
        A key of `MEANINGS`.
    where
        Table and column, for people.
    words
        The only values that there may be; empty for any.
    """

    impl: Any = String
    cache_ok = True

    def __init__(
        self, inner: TypeEngine[Any], meaning: str, where: str, words: frozenset[Any] = frozenset()
    ) -> None:
        super().__init__()
        self.impl = inner  # also what a comparison with a migrated database sees
        self.inner = inner
        self.meaning = meaning
        self.where = where
        self.words = words

    def process_result_value(self, value: Any, dialect: Any) -> Any:
        if value is None or (MEANINGS[self.meaning](value) and (not self.words or value in self.words)):
            return value
        shown = repr(value)
        raise DamagedDataError(
            f"{self.where} in the database is no {self.meaning}: "
            f"{shown if len(shown) <= SHOWN else shown[:SHOWN] + '...'}",
            remedy=BRING_BACK,
        )


class _CheckedWhole(_Checked):
    impl: Any = BigInteger
    cache_ok = True


class _CheckedNumber(_Checked):
    impl: Any = Double
    cache_ok = True


class _CheckedBytes(_Checked):
    impl: Any = LargeBinary
    cache_ok = True


def _is_day(value: object) -> bool:
    try:
        return isinstance(value, str) and len(value) == DAY_LENGTH and date.fromisoformat(value) >= FIRST_DAY
    except ValueError:
        return False


MEANINGS: dict[str, Callable[[Any], bool]] = {
    "moment": lambda value: type(value) is int and 0 <= value < END_UTC_MS,
    "whole number": lambda value: type(value) is int and -MOST_WHOLE <= value <= MOST_WHOLE,
    "number": lambda value: type(value) in (int, float),
    "text": lambda value: type(value) is str,
    "known word": lambda value: type(value) is str,
    "day": _is_day,
    "packed table": lambda value: isinstance(value, bytes | memoryview),
}


def check_what_is_read(
    metadata: MetaData, words: Mapping[str, type[Enum]], but: Collection[str] = ()
) -> None:
    """Put a check on every column that carries a value, of all tables but those named.

    Numbers of rows and the columns that refer to them are left as they are, and truth values are checked by
    the library itself.

    Parameters
    ----------
    words
        Columns (``table.column``) that hold one of a few values.
    but
        Names of tables.
    """
    for table in metadata.tables.values():
        if table.name in but:
            continue
        for column in table.columns:
            if column.name != "id" and not column.foreign_keys:
                where = f"{table.name}.{column.name}"
                column.type = _checked(column.type, column.name, where, words.get(where))


def _checked(kind: TypeEngine[Any], name: str, where: str, words: type[Enum] | None) -> TypeEngine[Any]:
    known = frozenset(word.value for word in words or ())
    if isinstance(kind, Integer):
        return _CheckedWhole(kind, "moment" if name.endswith("_utc_ms") else "whole number", where, known)
    if isinstance(kind, Double):
        return _CheckedNumber(kind, "number", where)
    if isinstance(kind, LargeBinary):
        return _CheckedBytes(kind, "packed table", where)
    if isinstance(kind, String):
        return _Checked(
            kind, "day" if name.endswith("day") else "known word" if known else "text", where, known
        )
    return kind
