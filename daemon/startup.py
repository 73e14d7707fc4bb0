"""What must be true before recording can begin: a store that opens and a clock that can be right."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from ..store.errors import DatabaseBusyError, DiskFullError, SchemaOutdatedError
from .children import Work
from .clock import Clock
from .notify import Notifier
from .pen import Pen

log = logging.getLogger(__name__)

# 2025-01-01, before this program existed: a clock that says less has lost its battery.
PLAUSIBLE_FROM_UTC_MS = 1_735_689_600_000
WAIT_S = 10.0


def open_pen(
    pen_factory: Callable[[], Pen],
    start_upkeep: Callable[[], Work],
    clock: Clock,
    notifier: Notifier,
    stop: threading.Event,
) -> Pen | None:
    """Open the store, and wait where waiting can help (locked, disk full).

    Parameters
    ----------
    pen_factory
        Opens it.
    start_upkeep
        Starts the child that brings an earlier schema up to date.
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
    is_told = is_migrated = False
    while not stop.is_set():
        try:
            return pen_factory()
        except SchemaOutdatedError:
            if is_migrated:
                raise
            is_migrated = True
            log.info("the database is of an earlier version and is brought up to date")
            _wait_for_work(start_upkeep(), clock, notifier, stop)
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
