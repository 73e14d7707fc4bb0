"""Lets signals end the service in order, and a child of it end when it was killed."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import MutableMapping, Sequence

CHILD_VARIABLE = "HEATDRIFT_CHILD"  # set where standard input is a pipe that the service holds
LARGEST_PIECE = 65536


def stop_on_signals(stop: threading.Event, signals: Sequence[int] = (signal.SIGTERM, signal.SIGINT)) -> None:
    """Let signals end the service in order.

    The event is set from a thread: a handler runs inside whatever the main thread was doing, and that may be
    the event's own, unrepeatable lock.
    """

    def handle(_signal: int, _frame: object) -> None:
        threading.Thread(target=stop.set, daemon=True).start()

    for number in signals:
        signal.signal(number, handle)


def end_with_parent(environment: MutableMapping[str, str]) -> None:
    """End where the service ends that started us: its successor must find nobody who has its pen.

    Without a service manager nobody else sees to that when the service is killed.

    Parameters
    ----------
    environment
        Of this process; the mark of a child is taken out of it, since it is not for ours.
    """
    if environment.pop(CHILD_VARIABLE, ""):
        threading.Thread(target=_end_with_input, daemon=True).start()


def _end_with_input() -> None:
    try:
        while os.read(0, LARGEST_PIECE):
            pass
    except OSError:
        return  # not the pipe that was promised
    os.kill(os.getpid(), signal.SIGTERM)
