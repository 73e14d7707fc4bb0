"""What every kind of imported table offers, and what may be wrong with one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from .errors import SettingsError

Numbers = npt.NDArray[np.int64]


class Torn(NamedTuple):
    """Lines that could not be cut into cells: the first of them, how many, and why."""

    line: int
    n_lines: int
    reason: str


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

    def torn(self) -> list[Torn]:
        """What could not be cut into cells since this was last asked."""

    def share(self) -> float:
        """How much of the file is read, 0 to 1."""

    def close(self) -> None:
        """Close it unread; batches do so at their end."""


def ends_early(path: Path, reason: str) -> SettingsError:
    """The error for a file that turns out broken after some of it was kept."""
    return SettingsError(
        f"{path} cannot be read to its end ({reason})",
        remedy="what stands before that is kept; mend the file and import it again",
    )
