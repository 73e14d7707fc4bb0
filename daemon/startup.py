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
MIGRATE_AGAIN_S = 3600.0  # each time writes a copy of the database


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
    is_told = is_repaired = False
    migrate_at_s: float | None = None
    while not stop.is_set():
        try:
            return pen_factory()
        except DamagedDataError as error:
            if is_repaired:  # and it did not help
                raise
            is_repaired = True
            words = "the database is damaged and is being repaired"
            log.warning("%s: %s", words, error.message)
            _tell_and_wait(words, start(REPAIR), clock, notifier, stop)
            continue
        except SchemaOutdatedError as error:
            # Without room for the copy that is made first it fails, and room may come.
            if migrate_at_s is None or clock.monotonic_s() >= migrate_at_s:
                words = "the database is of an earlier version and is brought up to date"
                log.warning("%s%s: %s", words, "" if migrate_at_s is None else ", once more", error.message)
                _tell_and_wait(words, start(UPKEEP), clock, notifier, stop)
                migrate_at_s = clock.monotonic_s() + MIGRATE_AGAIN_S
                continue
            notifier.status("waiting to bring the database up to date")
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


def _tell_and_wait(words: str, work: Work, clock: Clock, notifier: Notifier, stop: threading.Event) -> None:
    notifier.ready()
    notifier.status(words)
    while work.poll(clock.monotonic_s()) is None:
        notifier.alive(clock.monotonic_s())
        if clock.wait(1.0, stop):
            work.stop()
            return
