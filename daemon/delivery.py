"""Takes what is due out of the outbox and sends it: the work of a short-lived child of the service.

Never twice: a message is marked as being sent before it is, on each channel. Where it is then not known
whether it arrived (the process died, the power failed, the channel hung after it had taken the message), it
is not sent there again, whatever its severity: a message that comes twice teaches its reader to look away. An
urgent one that surely reached nobody keeps no repeat lock, so that the next sight of the danger is told anew.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from datetime import tzinfo

from ..store.errors import DatabaseBusyError
from ..store.message import Delivery, DeliveryState, Severity, StoredMessage
from ..store.outbox import DAY_MS, STALE_SENDING_MS, Outbox
from .channels import Channel, Fate, Outcome
from .message_settings import MessageSettings
from .quiet_hours import quiet_until_utc_ms

log = logging.getLogger(__name__)

PAUSES_S = (60, 300, 900, 3600, 4 * 3600)  # after the first, second ... failure; then always the last
LONGEST_RUN_S = 240.0  # no message is begun after it: below the deadline of the child
STATES = {Fate.DELIVERED: DeliveryState.DELIVERED, Fate.UNKNOWN: DeliveryState.UNKNOWN}


class Sender:
    """Sends what is due.

    Parameters
    ----------
    outbox
        Open for writing.
    channels
        Where messages go to.
    settings
        Quiet hours, and when to give up.
    now_utc_ms
        The wall clock [ms since 1970].
    stop
        Ends the work after the message at hand.
    zone
        Of the quiet hours; None for the machine's own.
    """

    def __init__(
        self,
        outbox: Outbox,
        channels: Sequence[Channel],
        settings: MessageSettings,
        now_utc_ms: Callable[[], int],
        *,
        stop: threading.Event | None = None,
        zone: tzinfo | None = None,
    ) -> None:
        self._outbox = outbox
        self._channels = {channel.name: channel for channel in channels}
        self._settings = settings
        self._now_utc_ms = now_utc_ms
        self._stop = stop or threading.Event()
        self._zone = zone
        self._tired: dict[str, int] = {}  # channels that failed in this run, and when to try them again

    def run(self) -> int:
        """Send everything that is due; returns how many deliveries arrived."""
        began_ms = self._now_utc_ms()
        n_arrived = 0
        for stored in self._outbox.due(began_ms):
            if self._stop.is_set() or self._now_utc_ms() - began_ms > LONGEST_RUN_S * 1000:
                break
            n_arrived += self._deliver(stored)
        return n_arrived

    def _deliver(self, stored: StoredMessage) -> int:
        now_ms = self._now_utc_ms()
        if self._is_too_old(stored, now_ms):
            self._give_up(stored, now_ms)
            return 0
        if stored.message.severity is not Severity.URGENT:
            settings = self._settings
            until_ms = quiet_until_utc_ms(now_ms, settings.quiet_from, settings.quiet_to, self._zone)
            if until_ms is not None:
                self._outbox.postpone(stored.message_id, until_ms)
                return 0
        if not self._channels:
            return 0  # it waits for an owner who names one
        self._outbox.address(stored.message_id, list(self._channels), now_ms)
        n_arrived = 0
        for delivery in self._outbox.deliveries(stored.message_id):
            if delivery.state is DeliveryState.SENDING:
                self._clear_up(stored, delivery, now_ms)
            elif delivery.state is DeliveryState.WAITING and delivery.channel in self._channels:
                n_arrived += self._try(stored, delivery)
        self._outbox.settle(stored.message_id, self._now_utc_ms())
        return n_arrived

    def _try(self, stored: StoredMessage, delivery: Delivery) -> bool:
        name, now_ms = delivery.channel, self._now_utc_ms()
        tired_until_ms = self._tired.get(name)
        if tired_until_ms is not None:
            self._outbox.record(
                stored.message_id,
                name,
                DeliveryState.WAITING,
                now_ms,
                before=DeliveryState.WAITING,
                due_utc_ms=tired_until_ms,
                reason=delivery.reason or "the channel failed with the message before",
            )
            return False
        if self._stop.is_set() or not self._outbox.claim(stored.message_id, name, now_ms):
            return False
        message = stored.message
        outcome = self._channels[name].send(message.subject, message.body, message.severity)
        self._note(stored, delivery, outcome)
        return outcome.fate is Fate.DELIVERED

    def _note(self, stored: StoredMessage, delivery: Delivery, outcome: Outcome) -> None:
        name, now_ms = delivery.channel, self._now_utc_ms()
        if outcome.fate is not Fate.DELIVERED:
            pause_ms = 1000 * PAUSES_S[min(delivery.n_tries, len(PAUSES_S) - 1)]
            self._tired[name] = now_ms + pause_ms
        state = STATES.get(outcome.fate, DeliveryState.WAITING)
        due_ms = self._tired[name] if state is DeliveryState.WAITING else 0
        for is_last in (False, False, True):
            try:
                self._outbox.record(
                    stored.message_id, name, state, now_ms, due_utc_ms=due_ms, reason=outcome.reason
                )
                break
            except DatabaseBusyError:  # that it was sent must not be forgotten for a lock
                if is_last:
                    raise
        if state is DeliveryState.WAITING:
            log.info("message %d, %s: %s; tried again later", stored.message_id, name, outcome.reason)
        elif state is DeliveryState.UNKNOWN:
            log.warning("message %d, %s: %s; not sent again", stored.message_id, name, outcome.reason)

    def _clear_up(self, stored: StoredMessage, delivery: Delivery, now_ms: int) -> None:
        """Close what a sender left that died at it; a young one may still be at work."""
        if abs(now_ms - delivery.at_utc_ms) < STALE_SENDING_MS:
            return
        reason = "ended while it was being sent; it may have arrived"
        is_closed = self._outbox.record(
            stored.message_id, delivery.channel, DeliveryState.UNKNOWN, now_ms, reason=reason
        )
        if is_closed:
            log.warning("message %d, %s: %s; not sent again", stored.message_id, delivery.channel, reason)

    def _is_too_old(self, stored: StoredMessage, now_ms: int) -> bool:
        began_ms = max(stored.message.made_utc_ms, stored.message.not_before_utc_ms)
        return now_ms - began_ms >= self._settings.give_up_days * DAY_MS

    def _give_up(self, stored: StoredMessage, now_ms: int) -> None:
        for delivery in self._outbox.deliveries(stored.message_id):
            if delivery.state is DeliveryState.SENDING:
                self._clear_up(stored, delivery, now_ms)
            elif delivery.state is DeliveryState.WAITING:
                self._outbox.record(
                    stored.message_id,
                    delivery.channel,
                    DeliveryState.GIVEN_UP,
                    now_ms,
                    before=DeliveryState.WAITING,
                    reason=delivery.reason,
                )
        if self._outbox.settle(stored.message_id, now_ms) is None:
            log.warning(
                "message %d is given up after %g days without a way to send it: %s",
                stored.message_id,
                self._settings.give_up_days,
                stored.message.subject,
            )
