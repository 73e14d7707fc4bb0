"""What must be true before recording can begin: a store that opens and a clock that can be right."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from ..store.errors import (
    DamagedDataError,
    DatabaseBusyError,
    DiskFullError,
    SchemaOutdatedError,
    StoreError,
)
from .children import Work
from .clock import Clock
from .due import Task
from .notify import Notifier
from .pen import Pen
from .service_settings import REPAIR, UPKEEP

log = logging.getLogger(__name__)

# 2025-01-01, before this program existed: a clock that says less has lost its battery.
PLAUSIBLE_FROM_UTC_MS = 1_735_689_600_000
WAIT_S = 10.0


def open_pen(
    pen_factory: Callable[[], Pen],
    start: Callable[[Task], Work],
    clock: Clock,
    notifier: Notifier,
    stop: threading.Event,
) -> Pen | None:
    """Open the store, and wait where waiting can help (locked, disk full).

    Parameters
    ----------
    pen_factory
        Opens it.
    start
        Starts a child: upkeep for what is of an earlier schema, repair for what is damaged.
    clock, notifier
        Time, and who is told why nothing happens yet.
    stop
        Ends the waiting.

    Returns
    -------
    Pen or None
        None when stopped before it could be opened.

    Raises
    ------
    StoreError
        Waiting cannot help.
    """
    is_told = False
    cures: dict[type[StoreError], tuple[Task, str]] = {
        SchemaOutdatedError: (UPKEEP, "the database is of an earlier version and is brought up to date"),
        DamagedDataError: (REPAIR, "the database is damaged and is being repaired"),
    }
    while not stop.is_set():
        try:
            return pen_factory()
        except (SchemaOutdatedError, DamagedDataError) as error:
            task, words = cures.pop(type(error), (None, ""))
            if task is None:  # it was tried, and did not help
                raise
            log.warning("%s: %s", words, error.message)
            notifier.ready()
            notifier.status(words)
            _wait_for_work(start(task), clock, notifier, stop)
            continue
        except (DatabaseBusyError, DiskFullError) as error:
            if not is_told:
                log.warning("the database cannot be opened yet, trying on: %s", error)
                notifier.ready()
                notifier.status("waiting for the database")
            is_told = True
        notifier.alive(clock.monotonic_s())
        clock.wait(WAIT_S, stop)
    return None


def wait_for_time(clock: Clock, notifier: Notifier, stop: threading.Event) -> bool:
    """Wait for a wall clock that can be right: rows of the year 1970 would be of no use to anybody.

    Returns
    -------
    bool
        False when stopped before the clock was set.
    """
    if clock.wall_utc_ms() >= PLAUSIBLE_FROM_UTC_MS:
        return True
    log.warning("the wall clock is wrong by years; nothing is recorded until it is set")
    notifier.ready()
    notifier.status("waiting for the wall clock to be set")
    while clock.wall_utc_ms() < PLAUSIBLE_FROM_UTC_MS:
        notifier.alive(clock.monotonic_s())
        if clock.wait(WAIT_S, stop):
            return False
    log.info("the wall clock is set; recording begins")
    return True


def _wait_for_work(work: Work, clock: Clock, notifier: Notifier, stop: threading.Event) -> None:
    while work.poll(clock.monotonic_s()) is None:
        notifier.alive(clock.monotonic_s())
        if clock.wait(1.0, stop):
            work.stop()
            return
