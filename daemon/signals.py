"""Lets signals end the service in order."""

from __future__ import annotations

import signal
import threading
from collections.abc import Sequence


def stop_on_signals(stop: threading.Event, signals: Sequence[int] = (signal.SIGTERM, signal.SIGINT)) -> None:
    """Let signals end the service in order.

    The event is set from a thread: a handler runs inside whatever the main thread was doing, and that may be
    the event's own, unrepeatable lock.
    """

    def handle(_signal: int, _frame: object) -> None:
        threading.Thread(target=stop.set, daemon=True).start()

    for number in signals:
        signal.signal(number, handle)
