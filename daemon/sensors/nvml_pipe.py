"""A child process that is asked one line and owes one line before a deadline, or is killed.

Whoever asks need not wait for the whole deadline: the rest of the machine wants to be looked at.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ...store.errors import NvmlError
from .nvml_sentry import BELL_VARIABLE

LONGEST_ANSWER = 1 << 20  # a child that talks without end is out of its mind
LARGEST_RING = 64
LARGEST_RESIDENT_BYTES = 150 * 2**20  # libraries and all, a healthy one stays below a third of it
WEIGH_S = 60.0
REAP_S = 1.0  # a process that the driver holds cannot be killed at once; it is looked at again later
PROC_ROOT = Path("/proc")


class NvmlLateError(NvmlError):
    """The child may still answer."""


class ChildPipe:
    """One running child.

    Parameters
    ----------
    command
        What to run.
    deadline_s
        How long an answer may take [s].

    Attributes
    ----------
    bell
        Descriptor that can be read when the child has rung or is dead.
    """

    def __init__(self, command: Sequence[str], deadline_s: float) -> None:
        self._deadline_s = deadline_s
        self._owed: dict[str, Any] | None = None
        self._line = b""
        self._until_s = self._weigh_at_s = 0.0
        self.bell, rope = os.pipe()
        try:
            # Its own session: Ctrl-C in a terminal is for the service, which then ends its child in order.
            self._process = subprocess.Popen(
                list(command),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                bufsize=0,
                start_new_session=True,
                pass_fds=(rope,),
                env={**os.environ, BELL_VARIABLE: str(rope)},
            )
        except OSError as error:
            os.close(self.bell)
            raise NvmlError(f"the NVML child cannot be started: {error}") from error
        finally:
            os.close(rope)

    @property
    def pid(self) -> int:
        """Process id, for accounting."""
        return self._process.pid

    @property
    def owes(self) -> bool:
        """Whether an answer is still to come."""
        return self._owed is not None

    def ask(self, question: dict[str, Any], patience_s: float | None = None) -> dict[str, Any]:
        """Ask one question, or go on waiting for the answer to the one before.

        Parameters
        ----------
        question
            What to ask. An answer to an earlier question is passed on only where that one was the same and
            asked to open; a reading that came late tells of a moment that is over.
        patience_s
            How long to wait now [s], not at all where an earlier answer is owed; None for the whole deadline.

        Raises
        ------
        NvmlLateError
            No answer yet, but its deadline is not over: ask again later.
        NvmlError
            The child died, answered nonsense or too late; it is of no use any more and has to be ended.
        """
        now_s = time.monotonic()
        end_s = now_s + (self._deadline_s if patience_s is None else patience_s)
        if self._owed is not None:
            owed = self._owed
            answer = self._answer(end_s if patience_s is None else now_s)
            if owed == question and question.get("ask") == "open":
                return answer
        self._send(question)
        return self._answer(end_s)

    def _send(self, question: dict[str, Any]) -> None:
        stdin = self._process.stdin
        if stdin is None:
            raise NvmlError("the NVML child has no pipes")
        try:
            stdin.write(json.dumps(question).encode() + b"\n")
        except OSError as error:
            raise NvmlError(f"the NVML child has died: {error}") from error
        self._owed, self._line = question, b""
        self._until_s = time.monotonic() + self._deadline_s

    def _answer(self, end_s: float) -> dict[str, Any]:
        line = self._whole_line(end_s)
        self._owed = None
        try:
            answer = json.loads(line)
        except ValueError:
            raise NvmlError(f"the NVML child answered nonsense: {line[:60]!r}") from None
        if not isinstance(answer, dict):
            raise NvmlError(f"the NVML child answered nonsense: {line[:60]!r}")
        return answer

    def _whole_line(self, end_s: float) -> bytes:
        stdout = self._process.stdout
        if stdout is None:
            raise NvmlError("the NVML child has no pipes")
        while not self._line.endswith(b"\n"):
            wait_s = max(0.0, min(end_s, self._until_s) - time.monotonic())
            ready, _, _ = select.select([stdout.fileno()], [], [], wait_s)
            if not ready and time.monotonic() >= self._until_s:
                raise NvmlError(f"the NVML child did not answer within {self._deadline_s:g} s")
            if not ready:
                raise NvmlLateError("the NVML child has not answered yet")
            piece = os.read(stdout.fileno(), 65536)
            if not piece:
                raise NvmlError("the NVML child has died")
            self._line += piece
            if len(self._line) > LONGEST_ANSWER:
                raise NvmlError("the NVML child talks without end")
        return self._line

    def heard(self) -> bytes:
        """What was rung last; empty where the child is dead. Only once there is something to be read."""
        return os.read(self.bell, LARGEST_RING)[-1:]

    def is_bloated(self, at_boot_s: float) -> bool:
        """Whether it takes far too much memory, as far as the system tells; weighed once a minute."""
        if at_boot_s < self._weigh_at_s:
            return False
        self._weigh_at_s = at_boot_s + WEIGH_S
        try:
            pages = (PROC_ROOT / str(self.pid) / "statm").read_text().split()[1]
        except (OSError, IndexError):
            return False
        return int(pages) * os.sysconf("SC_PAGE_SIZE") > LARGEST_RESIDENT_BYTES

    def end(self) -> bool:
        """Kill the child and close its pipes; False while the kernel still holds it."""
        self._process.kill()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()
        os.close(self.bell)
        try:
            self._process.wait(REAP_S)
        except subprocess.TimeoutExpired:
            return False
        return True

    def is_gone(self) -> bool:
        """Whether a killed child was let go by the kernel meanwhile."""
        return self._process.poll() is not None
