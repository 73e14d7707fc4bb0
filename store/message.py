"""The words of the outbox: what a message to the owner is, and how far it can have come."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple


class Lane(Enum):
    """Where a message comes from."""

    GUARD = "guard"  # a hard limit, now
    CREEP = "creep"  # the nightly judgement
    REPORT = "report"
    TEST = "test"


class Severity(Enum):
    """How much a message matters; `rank` orders them."""

    NOTE = "note"
    WARNING = "warning"
    URGENT = "urgent"  # ignores quiet hours

    @property
    def rank(self) -> int:
        """0 for the least."""
        return list(Severity).index(self)


class DeliveryState(Enum):
    """How far a message has come on one channel."""

    WAITING = "waiting"
    SENDING = "sending"  # noted before it is sent
    DELIVERED = "delivered"
    UNKNOWN = "unknown"  # it may have arrived, so it is not sent again
    GIVEN_UP = "given_up"


@dataclass(frozen=True, slots=True)
class Message:
    """One thing to tell the owner.

    Attributes
    ----------
    key
        Names the finding, the same words for the same finding: ``creep gpu0 interface 2026-03-02``.
    made_utc_ms
        When it was found [ms since 1970].
    source
        Whose heat path; empty means the whole machine.
    subject, body
        Plain text. They leave the machine: no path, no address and no name that its owner did not choose.
    not_before_utc_ms
        Not to be sent before [ms since 1970]; 0 for at once.
    repeat_after_days
        The same key may be told again after so long [days]; None for never. A higher severity than before
        is always told.
    """

    lane: Lane
    severity: Severity
    key: str
    made_utc_ms: int
    subject: str
    body: str
    source: str = ""
    not_before_utc_ms: int = 0
    repeat_after_days: float | None = None


class Delivery(NamedTuple):
    """How far a message has come on one channel."""

    channel: str
    state: DeliveryState
    n_tries: int
    at_utc_ms: int
    due_utc_ms: int
    reason: str


@dataclass(frozen=True, slots=True)
class StoredMessage:
    """A message of the outbox; ``due_utc_ms`` is None once there is nothing left to do."""

    message_id: int
    round: int
    due_utc_ms: int | None
    message: Message
    deliveries: tuple[Delivery, ...] = field(default=())

    @property
    def reached_nobody(self) -> bool:
        """Whether it was given up without a sign that somebody got it."""
        return reached_nobody(self.message.severity, self.due_utc_ms, [one.state for one in self.deliveries])


def reached_nobody(severity: Severity, due_utc_ms: int | None, states: Collection[DeliveryState]) -> bool:
    """Whether nobody got a message, and nobody tries any more.

    Where it may have arrived, what is not urgent counts as read: a message that comes twice teaches its
    reader to look away. A danger is told again.
    """
    if due_utc_ms is not None or DeliveryState.DELIVERED in states:
        return False
    return severity is Severity.URGENT or DeliveryState.UNKNOWN not in states
