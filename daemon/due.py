"""Which long work is due, worked out from what the database says was done."""

from __future__ import annotations

import time
from dataclasses import dataclass

from .pen import Pen

DAY_MS = 86_400_000
HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Task:
    """Long work that a child process does.

    Attributes
    ----------
    name
        Under which its runs are noted.
    arguments
        Of the ``heatdrift`` command.
    every_days
        Calendar days (UTC) from one run to the next.
    is_monthly
        Once in each calendar month (UTC) instead.
    """

    name: str
    arguments: tuple[str, ...]
    every_days: int = 1
    is_monthly: bool = False


def is_due(task: Task, pen: Pen, now_utc_ms: int, never_since_utc_ms: int) -> bool:
    """Whether a task should run.

    It is due on the first check of the day on which its period is over; a computer that was off at midnight,
    or on the first of the month, is as good as any. After a failure it rests for an hour.

    Parameters
    ----------
    task
        What may be due.
    pen
        Knows the past runs.
    now_utc_ms
        Now [ms since 1970].
    never_since_utc_ms
        Stands for the last run where there was none: when recording began [ms since 1970].
    """
    last_ms = pen.last_task_utc_ms(task.name, True)
    tried_ms = pen.last_task_utc_ms(task.name, False)
    if tried_ms is not None and 0 <= now_utc_ms - tried_ms < HOUR_MS:
        return False
    if last_ms is None:
        last_ms = never_since_utc_ms
    if last_ms > now_utc_ms + DAY_MS:  # noted while the clock was wrong
        return True
    if task.is_monthly:
        return _month(now_utc_ms) != _month(last_ms)
    return now_utc_ms // DAY_MS - last_ms // DAY_MS >= task.every_days


def _month(at_utc_ms: int) -> tuple[int, int]:
    moment = time.gmtime(at_utc_ms // 1000)
    return moment.tm_year, moment.tm_mon
