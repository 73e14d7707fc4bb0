"""What a fault campaign counts, and the table it prints."""

from __future__ import annotations

import os
from dataclasses import dataclass

CAMPAIGN = int(os.environ.get("HEATDRIFT_CAMPAIGN", "0"))  # injections of each fault; 0 for the short form
HEAD = ("fault", "injected", "survived", "rows lost", "invented values", "said out loud")


@dataclass
class Count:
    """Outcomes of one fault."""

    injected: int = 0
    survived: int = 0
    rows_lost: int = 0
    invented: int = 0
    said: int = 0
    met: int | None = None  # of the injected ones, those that anything ever ran into; None for all


class Ledger:
    """Outcomes by fault.

    Parameters
    ----------
    title
        Of the table.
    seed
        Printed, so that a campaign can be repeated.
    """

    def __init__(self, title: str, seed: int) -> None:
        self._title, self._seed = title, seed
        self.counts: dict[str, Count] = {}

    def of(self, fault: str) -> Count:
        """The outcomes of a fault, to be added to."""
        return self.counts.setdefault(fault, Count())

    def show(self) -> None:
        """Print the table."""
        rows = [
            (name, *map(str, (c.injected, c.survived, c.rows_lost, c.invented)), _said(c))
            for name, c in self.counts.items()
        ]
        widths = [max(map(len, column)) for column in zip(HEAD, *rows, strict=True)]
        print(f"\n{self._title}, seed {self._seed}")
        for row in (HEAD, *rows):
            print(" | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)))


def n_injections(short: int) -> int:
    """How often each fault is injected."""
    return CAMPAIGN or short


def _said(count: Count) -> str:
    return f"{count.said} of {count.injected if count.met is None else count.met} that were met"
