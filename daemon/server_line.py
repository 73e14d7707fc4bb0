"""The line to a server, which another thread can end while one waits on it."""

from __future__ import annotations

import logging
import os
import socket
from typing import Any

log = logging.getLogger(__name__)

MOST_TIMES = 16
NEXT_TIMES = 4


class ServerLine:
    """Knows the driver's newest connection, and how long it has been waited on.

    Parameters
    ----------
    deadline_s
        How long that may be [s]; twice as long after each time that it was too long, and less again as the
        server gets quicker: it may be slower than anybody thought.
    """

    def __init__(self, deadline_s: float) -> None:
        self._deadline_s = self._patience_s = deadline_s
        self._connection: Any = None
        self._since_s: float | None = None

    def note(self, connection: Any) -> None:
        """Take a new connection."""
        self._connection = connection

    def begin(self, now_s: float) -> None:
        """Somebody waits on it from now on (monotonic [s])."""
        self._since_s = now_s

    def done(self) -> None:
        """Nobody waits any more."""
        self._since_s = None

    def praise(self, now_s: float) -> None:
        """Something was delivered; what is begun next may take a few times as long."""
        took_s = now_s - (now_s if self._since_s is None else self._since_s)
        self._patience_s = max(self._deadline_s, min(self._patience_s, NEXT_TIMES * took_s))

    def is_overdue(self, now_s: float) -> bool:
        """Whether an answer is missing for longer than the deadline."""
        since_s = self._since_s
        return since_s is not None and now_s - since_s > self._patience_s

    def end(self) -> None:
        """End the talk: who waits on it gets an error at once."""
        self._patience_s = min(2 * self._patience_s, MOST_TIMES * self._deadline_s)
        connection, self._since_s = self._connection, None
        if connection is None:
            return
        try:
            with socket.socket(fileno=os.dup(connection.fileno())) as near_end:
                near_end.shutdown(socket.SHUT_RDWR)
        except Exception as error:  # the driver's own kinds among them: it is closed already
            log.debug("there is no connection to end: %s", error)
