"""What the service leaves in the database about itself, for ``heatdrift status``."""

from __future__ import annotations

import os

from ..store.records import Cadence
from .accounting import own_cost
from .clock import Clock
from .pen import Scribe
from .poller import Poller

MODE_WORDS = {Cadence.IDLE: "idle", Cadence.LOAD: "load", Cadence.STEP: "step"}


class Heartbeat:
    """Collects the state of the running service.

    Parameters
    ----------
    clock
        Time.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._started_utc_ms = clock.wall_utc_ms()

    def values(self, state: str, poller: Poller, scribe: Scribe, n_troubles: int) -> dict[str, str]:
        """Everything worth knowing, as text.

        Parameters
        ----------
        state
            ``running`` or ``stopped``.
        poller, scribe
            Who looks and who writes.
        n_troubles
            Scheduled runs that did not go as planned.
        """
        return {
            "state": state,
            "pid": str(os.getpid()),
            "boot_id": self._clock.boot_id(),
            "started_utc_ms": str(self._started_utc_ms),
            "stopped_utc_ms": str(self._clock.wall_utc_ms()) if state == "stopped" else "",
            "mode": MODE_WORDS[poller.keeper.mode],
            "last_look_utc_ms": str(poller.last_look_utc_ms),
            "looks": str(poller.n_looks),
            "steps": str(poller.keeper.n_steps),
            "steps_over_budget": str(poller.keeper.n_steps_refused),
            "rows_waiting": str(scribe.n_rows),
            "schedule_troubles": str(n_troubles),
            **own_cost(),
        }
