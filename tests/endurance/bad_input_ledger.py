"""Counts what became of bad input: answered, refused in one line with a remedy, or a fault."""

from __future__ import annotations

import os
import random
import signal
import threading
import traceback
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from heatdrift.store.errors import HeatdriftError

CAMPAIGN = os.environ.get("HEATDRIFT_CAMPAIGN", "")
SEED = int(os.environ.get("HEATDRIFT_SEED", "20261126"))
BATCH = 100
# Generous: a batch takes seconds on a quiet machine. It is there to tell a hang from work.
HANG_S = 120
HEADINGS = ("fault", "injected", "survived", "answered", "said out loud", "invented values")


class Hang(BaseException):
    """A batch did not come to its end; no ``except Exception`` of the product may swallow it."""


class InventedError(AssertionError):
    """Something was taken out of bad input that did not stand in it."""


@dataclass(slots=True)
class Ledger:
    """One line of the table: what was put in, and what became of it."""

    name: str
    n_answered: int = 0
    n_refused: int = 0
    n_invented: int = 0
    faults: dict[str, tuple[bytes, str]] = field(default_factory=dict)
    n_faulty: int = 0

    @property
    def n_injected(self) -> int:
        return self.n_answered + self.n_refused + self.n_faulty

    def count(self, given: bytes, call: Callable[[], object]) -> None:
        """Put one input in; ``given`` is what stands in the report when it breaks something."""
        try:
            call()
        except HeatdriftError as error:
            trouble = ill_said(error)
            if trouble:
                self._fault(f"{type(error).__name__}: {trouble}", given, str(error)[:400])
            else:
                self.n_refused += 1
        except Hang:
            self._fault("hang", given, traceback.format_exc(limit=-12))
        except Exception as error:  # every one of them is what is looked for
            self.n_invented += isinstance(error, InventedError)
            place = traceback.extract_tb(error.__traceback__)
            ours = [frame for frame in place if "/heatdrift/" in frame.filename or "/main/" in frame.filename]
            last = ours[-1] if ours else place[-1]
            where = f"{type(error).__name__} in {Path(last.filename).name}:{last.lineno} {last.name}"
            self._fault(where, given, traceback.format_exc(limit=-8))
        else:
            self.n_answered += 1

    def row(self) -> tuple[str, ...]:
        n = self.n_injected
        counts = (n, n - self.n_faulty, self.n_answered, self.n_refused, self.n_invented)
        return (self.name, *(f"{count:,}" for count in counts))

    def report(self) -> str:
        """Every kind of fault with the smallest input that showed it."""
        parts = [f"{self.name}: {self.n_faulty} of {self.n_injected} inputs, seed {SEED}"]
        for where, (given, said) in self.faults.items():
            parts.append(f"--- {where}\ninput {given[:600]!r}\n{said}")
        return "\n".join(parts)

    def _fault(self, where: str, given: bytes, said: str) -> None:
        self.n_faulty += 1
        if where not in self.faults or len(given) < len(self.faults[where][0]):
            self.faults[where] = given, said


def ill_said(error: HeatdriftError) -> str:
    """What is wrong with an error of ours as the owner reads it; empty where it is well."""
    if not error.remedy:
        return "has no remedy"
    if not error.message.strip():
        return "says nothing"
    return ""


def is_unsafe(char: str) -> bool:
    """Whether a character does something to a terminal, or to the reading of what follows."""
    return (
        unicodedata.category(char) == "Cc" and char != "\n"
    ) or char in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c"


def share(part: float, short: int) -> int:
    """How many inputs a part gets: its part of the campaign, else the short form."""
    return round(int(CAMPAIGN) * part) if CAMPAIGN else short


def rng_of(name: str) -> random.Random:
    return random.Random(f"{SEED} {name}")


@contextmanager
def no_hang(seconds: float = HANG_S) -> Iterator[None]:
    """Raise `Hang` where the block does not end."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def ring(_number: int, _frame: FrameType | None) -> None:
        raise Hang

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def run_campaign(name: str, n: int, one: Callable[[Ledger, random.Random, int], None]) -> Ledger:
    """Let ``one`` put in an input, ``n`` times, a batch at a time."""
    ledger, rng = Ledger(name), rng_of(name)
    for start in range(0, n, BATCH):
        with no_hang():
            for number in range(start, min(n, start + BATCH)):
                one(ledger, rng, number)
    return ledger


def table(ledgers: Sequence[Ledger]) -> str:
    rows = [HEADINGS, *(ledger.row() for ledger in ledgers)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(HEADINGS))]
    return "\n".join(
        " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows
    )
