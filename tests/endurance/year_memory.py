"""What the daemon process held, day after day: memory, handles, threads and children."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

# The first of everything (a long idle, a step of the clock, a weekly check, a message) takes memory that is
# kept and used again: seen in every life of a year, 1.5 MB within ten days and 0.2 MB in the ten that follow.
SETTLED_AFTER_DAYS = 10.0
DAYS_A_MONTH = 30.44
# The pipes to the NVML child, and the file itself while nobody has borrowed the pen: open now and then.
COMES_AND_GOES = 4


@dataclass(frozen=True, slots=True)
class Growth:
    """Slope of the memory that only the daemon has, its standard error [MB a month], and what it rests on."""

    mb_per_month: float
    standard_error: float
    n_samples: int
    n_lives: int


def growth(notes: Sequence[Mapping[str, Any]], quantity: str = "private_kb") -> Growth:
    """One slope for all lives, each with its own level: least squares without the first days of each."""
    days: list[float] = []
    values: list[float] = []
    n_lives = 0
    for life in by_life(notes):
        born = life[0]["day"]
        kept = [s for s in life if s["event"] == "sample" and s["day"] - born >= SETTLED_AFTER_DAYS]
        if len(kept) < 3:
            continue
        n_lives += 1
        at = np.array([one["day"] for one in kept])
        held_mb = np.array([one[quantity] / 1024 for one in kept])
        days += list(at - at.mean())
        values += list(held_mb - held_mb.mean())
    x, y = np.array(days), np.array(values)
    slope = float(x @ y / (x @ x))
    scatter = float(np.sqrt(((y - slope * x) ** 2).sum() / max(1, len(x) - n_lives - 1)))
    error = scatter / float(np.sqrt(x @ x))
    return Growth(slope * DAYS_A_MONTH, error * DAYS_A_MONTH, len(x), n_lives)


def by_life(notes: Sequence[Mapping[str, Any]]) -> Iterator[list[Mapping[str, Any]]]:
    """The notes of each life."""
    life: list[Mapping[str, Any]] = []
    for note in notes:
        if note["event"] == "boot" and life:
            yield life
            life = []
        life.append(note)
    if life:
        yield life


def left_over(notes: Sequence[Mapping[str, Any]]) -> list[str]:
    """Handles, threads and children that pile up within a life, or outlive the service."""
    found = []
    for number, life in enumerate(by_life(notes)):
        samples = [note for note in life if note["event"] == "sample"][1:]
        for what, slack in (("n_files", COMES_AND_GOES), ("n_threads", 0), ("n_processes", 2)):
            counts = [sample[what] for sample in samples]
            if counts and max(counts) - counts[0] > slack:
                found.append(f"life {number}: {what} from {counts[0]} to {max(counts)}")
        for note in life:
            if note["event"] == "stopped" and note["after"] != note["before"]:
                found.append(f"life {number}: {note['before']} before, {note['after']} after the service")
    return found
