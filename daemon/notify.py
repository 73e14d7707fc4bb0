"""Tells the service manager how we are, by the datagram protocol of sd_notify(3)."""

from __future__ import annotations

import logging
import socket
from collections.abc import Mapping
from typing import Protocol

log = logging.getLogger(__name__)

# The unit's watchdog is minutes long; a ping with every tick would wake the manager for nothing.
PING_PERIOD_S = 20.0


class Notifier(Protocol):
    """What the service tells whoever started it."""

    def ready(self) -> None:
        """Looking has begun."""

    def status(self, text: str) -> None:
        """One line for people."""

    def alive(self, now_s: float) -> None:
        """A tick is complete; ``now_s`` is monotonic [s]."""

    def stopping(self) -> None:
        """The last rows are being written."""


class SilentNotifier:
    """Nobody listens: run from a terminal, or on a system without such a manager."""

    def ready(self) -> None:
        pass

    def status(self, text: str) -> None:
        pass

    def alive(self, now_s: float) -> None:
        pass

    def stopping(self) -> None:
        pass


class SystemdNotifier:
    """Sends to the socket that the manager named.

    Parameters
    ----------
    address
        Path of a unix datagram socket; a leading ``@`` means the abstract namespace.
    """

    def __init__(self, address: str) -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        # A manager that does not read must never hold up a look.
        self._socket.setblocking(False)
        self._pinged_at_s: float | None = None
        self._is_deaf = False

    def ready(self) -> None:
        self._send("READY=1")

    def status(self, text: str) -> None:
        self._send(f"STATUS={text}")

    def alive(self, now_s: float) -> None:
        if self._pinged_at_s is None or not 0 <= now_s - self._pinged_at_s < PING_PERIOD_S:
            self._pinged_at_s = now_s
            self._send("WATCHDOG=1")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()

    def _send(self, line: str) -> None:
        try:
            self._socket.sendto(line.encode(), self._address)
            self._is_deaf = False
        except OSError as error:
            if not self._is_deaf:
                log.warning("the service manager cannot be told %r: %s", line, error)
            self._is_deaf = True


def notifier_of(environment: Mapping[str, str]) -> Notifier:
    """The notifier that the environment asks for (``NOTIFY_SOCKET``)."""
    address = environment.get("NOTIFY_SOCKET", "")
    if address.startswith(("/", "@")) and hasattr(socket, "AF_UNIX"):
        return SystemdNotifier(address)
    return SilentNotifier()
