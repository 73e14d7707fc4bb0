"""Work in a process of its own: with a deadline, at low priority, and never waited for."""

from __future__ import annotations

import contextlib
import logging
import os
import subprocess
from collections.abc import Mapping, Sequence
from typing import Protocol

from .signals import CHILD_VARIABLE

log = logging.getLogger(__name__)

NICENESS = 10
GRACE_S = 2.0  # from asking to killing; the whole stop of the service has five seconds
KILLED = -9


class Work(Protocol):
    """A running child, as the service sees it."""

    def poll(self, now_s: float) -> int | None:
        """Exit status, None while it runs; past its deadline it is ended. ``now_s`` is monotonic [s]."""

    def stop(self) -> int:
        """End it now and return its exit status."""


class Child:
    """A child process.

    Parameters
    ----------
    command
        Program and arguments, never through a shell.
    environment
        Added to our own: what must not be seen in the list of processes, such as a database URL.
    deadline_s
        Seconds it may take [s].
    now_s
        Monotonic now [s].

    Raises
    ------
    OSError
        It cannot be started.
    """

    def __init__(
        self, command: Sequence[str], environment: Mapping[str, str], deadline_s: float, now_s: float
    ) -> None:
        self._until_s = now_s + deadline_s
        self._deadline_s = deadline_s
        self._process = subprocess.Popen(
            list(command),
            stdin=subprocess.PIPE,  # says nothing; that it closes tells the child that we were killed
            stdout=subprocess.DEVNULL,
            bufsize=0,
            env={**os.environ, **environment, CHILD_VARIABLE: "1"},
        )
        if hasattr(os, "setpriority"):
            with contextlib.suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, self._process.pid, NICENESS)

    def poll(self, now_s: float) -> int | None:
        status = self._process.poll()
        if status is None and now_s > self._until_s:
            log.warning("child process took longer than %.0f s and is ended", self._deadline_s)
            return self.stop()
        if status is not None:
            self._let_go()
        return status

    def stop(self) -> int:
        self._process.terminate()
        try:
            return self._wait()
        finally:
            self._let_go()

    def _let_go(self) -> None:
        if self._process.stdin is not None:
            self._process.stdin.close()

    def _wait(self) -> int:
        try:
            return self._process.wait(GRACE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
        try:
            return self._process.wait(GRACE_S)
        except subprocess.TimeoutExpired:  # stuck in the kernel; nobody can end it
            return KILLED
