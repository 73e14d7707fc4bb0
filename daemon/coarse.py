"""The coarse clockwork: hourly and five-minute wishes, posted to the loop that owns everything."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from datetime import UTC
from enum import Enum
from queue import Empty, SimpleQueue

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED, JobEvent
from apscheduler.executors.debug import DebugExecutor
from apscheduler.schedulers.background import BackgroundScheduler

log = logging.getLogger(__name__)


class Wish(Enum):
    """What the loop is asked to do at its next tick."""

    RESCAN = "rescan"
    CHECK_DUE = "check_due"
    HEARTBEAT = "heartbeat"


class Clockwork:
    """Posts wishes at fixed periods.

    The jobs do nothing but post, so that a single thread touches sensors and database. Missed runs are run
    once, however many they were.

    Parameters
    ----------
    periods_s
        Period of each wish [s].

    Attributes
    ----------
    n_troubles
        Runs that were missed, skipped or failed.
    """

    def __init__(self, periods_s: Mapping[Wish, float]) -> None:
        self.n_troubles = 0
        self._periods_s = dict(periods_s)
        self._wishes: SimpleQueue[Wish] = SimpleQueue()
        # Two lines for every run would drown a year of log.
        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={
                "default": DebugExecutor()
            },  # runs in the scheduler's own thread: posting takes no time
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1},
        )
        self._scheduler.add_listener(
            self._note_trouble, EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES | EVENT_JOB_ERROR
        )

    def start(self) -> None:
        """Begin posting."""
        self._plan()
        self._scheduler.start()

    def plan_anew(self) -> None:
        """Count the periods from now: after the wall clock jumped, the old plan would rest or race."""
        self._plan()

    def stop(self) -> None:
        """End the thread."""
        self._scheduler.shutdown(wait=False)

    def post(self, wish: Wish) -> None:
        """Ask for something out of turn."""
        self._wishes.put(wish)

    def take(self) -> set[Wish]:
        """Everything asked for since the last time, each once."""
        wishes: set[Wish] = set()
        try:
            while True:
                wishes.add(self._wishes.get_nowait())
        except Empty:
            return wishes

    def _plan(self) -> None:
        for wish, period_s in self._periods_s.items():
            self._scheduler.add_job(
                self._wishes.put,
                "interval",
                seconds=period_s,
                args=[wish],
                id=wish.value,
                replace_existing=True,
            )

    def _note_trouble(self, event: JobEvent) -> None:
        self.n_troubles += 1
        log.warning("scheduled work %s did not run as planned (event %s)", event.job_id, event.code)
