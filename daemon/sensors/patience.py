"""Waits for a sensor only so long: a driver that sleeps in the kernel must not hold up all the others.

A read of ``/sys`` takes microseconds, until an embedded controller or a bus hangs: then it may take ten
seconds, or for ever, and nothing can end it. So what is asked for the first time, and what has ever been
late, is asked in a thread that can be left alone; what has always answered at once is asked directly, which
costs nothing. An answer that came late is none: nobody can say of which moment it tells.
"""

from __future__ import annotations

import errno
import logging
import os
import threading
import time
from collections.abc import Callable
from typing import Generic, TypeVar

from .kept_file import SYSTEM_FILES, FileDoor

log = logging.getLogger(__name__)

Answer = TypeVar("Answer")
# Several times what the slowest controllers take when they are well; less than half a look under load.
PATIENCE_S = 0.4
REST_S = 60.0  # as for slow sensors: whoever hangs is disturbed by being asked; doubles up to the longest
LONGEST_REST_S = 3600.0


class Patience:
    """Asks, and stops waiting.

    Parameters
    ----------
    patience_s
        How long an answer may take [s].
    stopwatch
        Seconds that pass.
    """

    def __init__(
        self, patience_s: float = PATIENCE_S, stopwatch: Callable[[], float] = time.perf_counter
    ) -> None:
        self._patience_s, self._stopwatch = patience_s, stopwatch
        self._quick: set[str] = set()
        self._rests_s: dict[str, float] = {}  # what was late, and how long it rests the next time
        self._ask_at_s: dict[str, float] = {}
        self._waiting: dict[str, _Question[object]] = {}

    def ask(
        self, key: str, work: Callable[[], Answer], undo: Callable[[Answer | None], object] = lambda _: None
    ) -> Answer:
        """Do some work, in time.

        Parameters
        ----------
        key
            Who is asked.
        work
            Asks; raises what it wants.
        undo
            Called with an answer that nobody waited for, None where there was none.

        Raises
        ------
        TimeoutError
            No answer in time, now or lately.
        """
        if key in self._quick:
            began_s = self._stopwatch()
            answer = work()
            if self._stopwatch() - began_s <= self._patience_s:
                return answer
            undo(answer)
            raise self._late(key)
        if self.is_waiting(key) or self._stopwatch() < self._ask_at_s.get(key, float("-inf")):
            raise _timeout(key)
        question = _Question(work, undo)
        if not question.is_answered_within(self._patience_s):
            self._waiting[key] = question  # type: ignore[assignment]
            raise self._late(key)
        if key in self._rests_s:
            self._rests_s[key] = REST_S
        else:
            self._quick.add(key)
        return question.answer()

    def is_waiting(self, key: str) -> bool:
        """Whether a thread still waits for an answer to an earlier question."""
        question = self._waiting.get(key)
        if question is not None and question.is_over:
            del self._waiting[key]
            question = None
        return question is not None

    def _late(self, key: str) -> TimeoutError:
        self._quick.clear()  # what shares a bus or a driver with it may hang as well: ask all of them aside
        if key not in self._rests_s:
            log.warning("%s: no answer within %g s; it is not waited for any more", key, self._patience_s)
        rest_s = self._rests_s.get(key, REST_S)
        self._rests_s[key] = min(2 * rest_s, LONGEST_REST_S)
        self._ask_at_s[key] = self._stopwatch() + rest_s
        return _timeout(key)


class _Question(Generic[Answer]):
    """One question in a thread of its own."""

    def __init__(self, work: Callable[[], Answer], undo: Callable[[Answer | None], object]) -> None:
        self._work, self._undo = work, undo
        self._lock = threading.Lock()
        self._answers: list[Answer] = []
        self._error: Exception | None = None
        self._is_given_up = False
        self.is_over = False
        self._thread = threading.Thread(target=self._run, name="sensor", daemon=True)
        self._thread.start()

    def is_answered_within(self, seconds: float) -> bool:
        self._thread.join(seconds)
        with self._lock:
            self._is_given_up = not self.is_over
        return self.is_over and not self._is_given_up

    def answer(self) -> Answer:
        if self._error is not None:
            raise self._error
        return self._answers[0]

    def _run(self) -> None:
        answer = None
        try:
            answer = self._work()
            self._answers.append(answer)
        except Exception as error:
            self._error = error
        with self._lock:
            self.is_over = True
            is_unwanted = self._is_given_up
        if is_unwanted:
            self._undo(answer)


class PatientFiles:
    """Files behind a door that is never waited at for long.

    Attributes
    ----------
    door
        What to read through.
    """

    def __init__(self, files: FileDoor = SYSTEM_FILES, patience: Patience | None = None) -> None:
        self._files = files
        self._patience = patience or Patience()
        self._paths: dict[int, str] = {}
        self._in_use: set[int] = set()
        self._left: set[int] = set()  # to be closed by whoever still reads from them
        self.door = FileDoor(self._open, self._pread, self._close)

    def _open(self, path: str) -> int:
        fd = self._patience.ask(f"opening {path}", lambda: self._files.open(path), self._close_unwanted)
        self._paths[fd] = path
        return fd

    def _pread(self, fd: int, n_bytes: int, offset: int) -> bytes:
        def read() -> bytes:
            self._in_use.add(fd)
            try:
                return self._files.pread(fd, n_bytes, offset)
            finally:
                self._in_use.discard(fd)

        return self._patience.ask(self._paths[fd], read, lambda _: self._leave(fd))

    def _close(self, fd: int) -> None:
        del self._paths[fd]
        self._left.add(fd)  # its number must not go to another file while somebody reads from it
        if fd not in self._in_use:
            self._leave(fd)

    def _leave(self, fd: int) -> None:
        try:
            self._left.remove(fd)
        except KeyError:  # nobody has closed it, or the other thread has just done so
            return
        self._files.close(fd)

    def _close_unwanted(self, fd: int | None) -> None:
        if fd is not None:
            self._files.close(fd)


def _timeout(key: str) -> TimeoutError:
    return TimeoutError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT), key)
