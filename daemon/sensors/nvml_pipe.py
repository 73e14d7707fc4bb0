"""A child process that is asked one line and owes one line before a deadline, or is killed."""

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

LONGEST_ANSWER = 1 << 20  # a child that talks without end is out of its mind
REAP_S = 1.0  # a process that the driver holds cannot be killed at once; it is looked at again later
PROC_ROOT = Path("/proc")


class ChildPipe:
    """One running child.

    Parameters
    ----------
    command
        What to run.
    deadline_s
        How long an answer may take [s].
    """

    def __init__(self, command: Sequence[str], deadline_s: float) -> None:
        self._deadline_s = deadline_s
        try:
            # Its own session: Ctrl-C in a terminal is for the service, which then ends its child in order.
            self._process = subprocess.Popen(
                list(command),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                bufsize=0,
                start_new_session=True,
            )
        except OSError as error:
            raise NvmlError(f"the NVML child cannot be started: {error}") from error

    @property
    def pid(self) -> int:
        """Process id, for accounting."""
        return self._process.pid

    def ask(self, question: dict[str, Any]) -> dict[str, Any]:
        """Ask one question.

        Raises
        ------
        NvmlError
            The child died, answered nonsense or too late; it is of no use any more and has to be ended.
        """
        stdin, stdout = self._process.stdin, self._process.stdout
        if stdin is None or stdout is None:
            raise NvmlError("the NVML child has no pipes")
        try:
            stdin.write(json.dumps(question).encode() + b"\n")
        except OSError as error:
            raise NvmlError(f"the NVML child has died: {error}") from error
        line = self._line(stdout.fileno())
        try:
            answer = json.loads(line)
        except ValueError:
            raise NvmlError(f"the NVML child answered nonsense: {line[:60]!r}") from None
        if not isinstance(answer, dict):
            raise NvmlError(f"the NVML child answered nonsense: {line[:60]!r}")
        return answer

    def _line(self, fd: int) -> bytes:
        line = b""
        end_s = time.monotonic() + self._deadline_s
        while not line.endswith(b"\n"):
            ready, _, _ = select.select([fd], [], [], max(0.0, end_s - time.monotonic()))
            if not ready:
                raise NvmlError(f"the NVML child did not answer within {self._deadline_s:g} s")
            piece = os.read(fd, 65536)
            if not piece:
                raise NvmlError("the NVML child has died")
            line += piece
            if len(line) > LONGEST_ANSWER:
                raise NvmlError("the NVML child talks without end")
        return line

    def resident_bytes(self) -> int:
        """Resident memory of the child [bytes]; 0 where the system does not tell."""
        try:
            pages = (PROC_ROOT / str(self.pid) / "statm").read_text().split()[1]
        except (OSError, IndexError):
            return 0
        return int(pages) * os.sysconf("SC_PAGE_SIZE")

    def end(self) -> bool:
        """Kill the child and close its pipes; False while the kernel still holds it."""
        self._process.kill()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()
        try:
            self._process.wait(REAP_S)
        except subprocess.TimeoutExpired:
            return False
        return True

    def is_gone(self) -> bool:
        """Whether a killed child was let go by the kernel meanwhile."""
        return self._process.poll() is not None
