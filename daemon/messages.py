"""The service's half of the messages: puts alarms into the outbox, and starts a sender when one is due.

The sender is a child process (``heatdrift messages send``), because what speaks to mail and chat servers is
larger than the whole service. Both write short transactions through connections of their own that never
checkpoint, so that an alarm goes out also while the nightly child has the pen.
"""

from __future__ import annotations

import logging
import sys
from collections import deque
from collections.abc import Mapping
from typing import Protocol

from ..store.errors import StoreError
from ..store.message import Message
from .children import Child, Work
from .clock import Clock
from .errands import StartWork

log = logging.getLogger(__name__)

SEND = ("messages", "send")
SENDER_DEADLINE_S = 300.0
RETRY_S = 10.0  # after the outbox could not be written
REST_S = 60.0  # between two senders, unless there is something new
LONGEST_REST_S = 3600.0
MOST_HELD = 100


class Door(Protocol):
    """What the service needs of the outbox; each call opens and closes what it needs."""

    def queue(self, wanted: Message, /) -> bool: ...
    def next_due_utc_ms(self, now_utc_ms: int, /) -> int | None: ...


class MessageDesk:
    """Takes messages and sees to it that they leave.

    Parameters
    ----------
    door
        The way to the outbox.
    clock
        Time.
    has_channels
        Whether anybody could be told; without it messages stay in the outbox.
    environment
        Of the sender: what must not be seen in the list of processes.
    start
        Starts a child.
    """

    def __init__(
        self,
        door: Door,
        clock: Clock,
        *,
        has_channels: bool,
        environment: Mapping[str, str],
        start: StartWork = Child,
    ) -> None:
        self._door = door
        self._clock = clock
        self._has_channels = has_channels
        self._environment = dict(environment)
        self._start = start
        self._held: deque[Message] = deque()
        self._retry_at_s = 0.0
        self._is_to_check = True
        self._due_utc_ms: int | None = None
        self._may_start_at_s = 0.0
        self._n_failures = 0
        self._work: Work | None = None

    def post(self, message: Message) -> None:
        """Take a message; it is in the outbox at the next tick, or as soon as that can be written."""
        if len(self._held) >= MOST_HELD:
            lost = self._held.popleft()
            log.warning("a message is lost, because the outbox cannot be written: %s", lost.subject)
        self._held.append(message)

    def check(self) -> None:
        """Look into the outbox at the next tick: somebody else may have put something in."""
        self._is_to_check = True

    def advance(self) -> None:
        """One turn: store what is held, see to the sender, start one when something is due."""
        now_s = self._clock.monotonic_s()
        if self._held and now_s >= self._retry_at_s:
            self._store(now_s)
        if self._work is not None:
            status = self._work.poll(now_s)
            if status is None:
                return
            self._work = None
            self._settle(status, now_s)
        if not self._has_channels:
            return
        if self._is_to_check and now_s >= self._retry_at_s:
            self._look(now_s)
        due_ms = self._due_utc_ms
        if due_ms is not None and now_s >= self._may_start_at_s and self._clock.wall_utc_ms() >= due_ms:
            self._begin(now_s)

    def stop(self) -> None:
        """Store what is held and end the sender; what it had at hand is closed by the next one."""
        if self._held:
            self._store(self._clock.monotonic_s())
        for message in self._held:
            log.warning("a message is lost, because the outbox cannot be written: %s", message.subject)
        if self._work is not None:
            self._work.stop()
            self._work = None

    def _store(self, now_s: float) -> None:
        while self._held:
            try:
                is_new = self._door.queue(self._held[0])
            except StoreError as error:
                log.warning("a message waits in memory, the outbox cannot be written: %s", error)
                self._retry_at_s = now_s + RETRY_S
                return
            message = self._held.popleft()
            if is_new:
                log.warning("%s: %s", message.severity.value, message.subject)
                self._is_to_check = True
                self._may_start_at_s = now_s

    def _look(self, now_s: float) -> None:
        try:
            self._due_utc_ms = self._door.next_due_utc_ms(self._clock.wall_utc_ms())
        except StoreError as error:
            log.debug("what is due cannot be told now: %s", error)
            self._retry_at_s = now_s + RETRY_S
            return
        self._is_to_check = False

    def _begin(self, now_s: float) -> None:
        self._may_start_at_s = now_s + REST_S
        command = [sys.executable, "-m", "heatdrift", *SEND]
        try:
            self._work = self._start(command, self._environment, SENDER_DEADLINE_S, now_s)
        except OSError as error:
            log.warning("messages wait: the sender cannot be started: %s", error)
            self._may_start_at_s = now_s + LONGEST_REST_S

    def _settle(self, status: int, now_s: float) -> None:
        self._is_to_check = True
        if status == 0:
            self._n_failures = 0
            return
        self._n_failures += 1
        rest_s = min(LONGEST_REST_S, REST_S * 2**self._n_failures)
        self._may_start_at_s = max(self._may_start_at_s, now_s + rest_s)
        log.warning("messages wait: the sender failed with status %d; again in %.0f s", status, rest_s)
