"""A wire between the service and its server that can be cut, slowed down or fall silent."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
import time
from pathlib import Path

CHUNK_BYTES = 65536


class Wire:
    """Listens on a port of this machine and passes everything on to the socket of a server.

    Attributes
    ----------
    delay_s
        What the server says arrives this much later [s]: every statement takes at least so long.
    is_silent
        Connections are taken, and nobody answers.
    n_cut, n_delayed
        Connections that were cut, answers that came late.
    """

    def __init__(self, server: Path) -> None:
        self._server = server
        self._listener: socket.socket | None = None
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._lock = threading.Lock()
        self._is_closed = False
        self.delay_s = 0.0
        self.is_silent = False
        self.n_cut = self.n_delayed = 0
        with socket.create_server(("127.0.0.1", 0)) as found:
            self.port: int = found.getsockname()[1]

    def mend(self) -> None:
        """Let connections through from now on."""
        if self._listener is None:
            self._listener = socket.create_server(("127.0.0.1", self.port), backlog=20)
            threading.Thread(target=self._accept, args=(self._listener,), daemon=True).start()

    def cut(self) -> None:
        """End every connection and refuse new ones."""
        if self._listener is not None:
            with contextlib.suppress(OSError):
                self._listener.shutdown(socket.SHUT_RDWR)  # wakes who waits in accept
            self._listener.close()
            self._listener = None
        self.hang_up()

    def hang_up(self) -> None:
        """End every connection; new ones are let through."""
        with self._lock:
            pairs, self._pairs = self._pairs, []
        for pair in pairs:
            self.n_cut += 1
            for end in pair:
                with contextlib.suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Give the port back."""
        self._is_closed = True
        self.cut()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                near, _ = listener.accept()
            except OSError:
                return
            threading.Thread(target=self._pass_on, args=(near,), daemon=True).start()

    def _pass_on(self, near: socket.socket) -> None:
        far = socket.socket(socket.AF_UNIX)
        try:
            far.connect(str(self._server))
        except OSError:
            near.close()
            far.close()
            return
        with self._lock:
            self._pairs.append((near, far))
        with near, far, selectors.DefaultSelector() as selector:
            selector.register(near, selectors.EVENT_READ, far)
            selector.register(far, selectors.EVENT_READ, near)
            with contextlib.suppress(OSError):
                while self._pass_some(selector, far):
                    pass
        with self._lock:
            self._pairs = [pair for pair in self._pairs if pair[0] is not near]

    def _pass_some(self, selector: selectors.BaseSelector, far: socket.socket) -> bool:
        for key, _ in selector.select():
            source: socket.socket = key.fileobj  # type: ignore[assignment]
            said = source.recv(CHUNK_BYTES)
            if not said:
                return False
            if source is far and self.delay_s:
                self.n_delayed += 1
                time.sleep(self.delay_s)
            while self.is_silent:
                if self._is_closed or source.fileno() < 0:
                    return False
                time.sleep(0.005)
            key.data.sendall(said)
        return True
