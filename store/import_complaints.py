"""What was wrong in an imported file: line, reason, and how often."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

KEPT = 20  # complaints a file; the rest is counted, or a wrong column of a year would be a page a day
SHOWN_LENGTH = 40  # of a cell

Lines = Callable[[npt.NDArray[np.int64]], npt.NDArray[np.int64]]
"""Turns numbers of rows into numbers of lines."""


@dataclass(frozen=True, slots=True, order=True)
class Complaint:
    """One thing that was left out: the line (the row, of a Parquet file), the column and why."""

    file: str
    line: int
    column: str
    reason: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}"
        return f"{place}: {self.column}: {self.reason}" if self.column else f"{place}: {self.reason}"


@dataclass(slots=True)
class Complaints:
    """Keeps the first complaints of a file and counts them all.

    Attributes
    ----------
    first_row
        Number of the row in the file, from 0, at which the batch begins whose rows are complained of.
    n_rows
        Rows that were left out whole.
    n_torn
        Those among them that could not even be cut into cells.
    n_cells
        Cells that were left out of rows that were kept.
    """

    file: str
    lines: Lines
    first_row: int = 0
    kept: list[Complaint] = field(default_factory=list)
    by_reason: Counter[str] = field(default_factory=Counter)
    n_rows: int = 0
    n_torn: int = 0
    n_cells: int = 0
    _is_open: bool = True

    def torn(self, line: int, n_lines: int, reason: str) -> None:
        """Lines that could not even be cut into cells."""
        self.n_rows += n_lines
        self.n_torn += n_lines
        self.by_reason[reason] += 1
        if not self.is_full():
            self.kept.append(Complaint(self.file, line, "", reason))

    def rows(self, numbers: npt.NDArray[np.int64], reason: str, cells: Sequence[str] | None = None) -> None:
        """Rows that are left out; ``cells`` are the cells to blame, for the first of them at least."""
        self.n_rows += len(numbers)
        self._add(numbers, "", reason, cells)

    def cells(
        self, column: str, numbers: npt.NDArray[np.int64], reason: str, cells: Sequence[str] | None = None
    ) -> None:
        """Cells that are left out; the rest of their rows is kept."""
        self.n_cells += len(numbers)
        self._add(numbers, column, reason, cells)

    def is_full(self) -> bool:
        """Whether only the number of further complaints matters."""
        return len(self.kept) >= KEPT and not self._is_open

    def next_batch(self, first_row: int) -> None:
        """The rows of another batch are complained of from now on; the earliest of the last stay."""
        self.kept = sorted(self.kept)[:KEPT]
        self._is_open = len(self.kept) < KEPT
        self.first_row = first_row

    def _add(
        self, numbers: npt.NDArray[np.int64], column: str, reason: str, cells: Sequence[str] | None
    ) -> None:
        if not len(numbers):
            return
        if not self.is_full():
            for index, line in enumerate(self.lines(numbers[:KEPT] + self.first_row).tolist()):
                said = f"{shown(cells[index])} {reason}" if cells is not None else reason
                self.kept.append(Complaint(self.file, line, column, said))
        self.by_reason[f"{column}: {reason}" if column else reason] += len(numbers)


def shown(cell: str) -> str:
    """A cell as it may be printed: short, and without control characters."""
    return repr(cell if len(cell) <= SHOWN_LENGTH else cell[:SHOWN_LENGTH] + "...")
