"""The outbox: what is to be told to the owner, and how far each message has come on each channel.

A message is put in here by whoever found something and taken out by a short-lived sender; between the two lie
restarts, power cuts and weeks without a network. What the sender does on a channel is noted *before* it is
done (`Outbox.claim`), so that after a crash nobody sends a second time what may already have arrived.
"""

from __future__ import annotations

import importlib
from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import Connection, or_, select, update

from .database import Database
from .message import Delivery, DeliveryState, Lane, Message, Severity, StoredMessage, reached_nobody
from .schema import message, message_delivery

DAY_MS = 86_400_000
# An earlier round dated further ahead than this was written under a wrong clock and holds nothing back.
MOST_AHEAD_MS = DAY_MS
STALE_SENDING_MS = 15 * 60_000  # a sender lives five minutes at most
# No pause is longer: what is due later than this was noted under a wrong clock, and is due now.
FARTHEST_DUE_MS = 2 * DAY_MS
LONGEST_REASON = 200


def queue(where: Database | Connection, machine_id: int, wanted: Message) -> bool:
    """Put a message into the outbox.

    Parameters
    ----------
    where
        A database that is open for writing, or a transaction of the caller's own.
    machine_id
        Whose message it is.
    wanted
        The message.

    Returns
    -------
    bool
        False where its key is already there, at this severity or a higher one, within its repeat lock. A
        message that reached nobody locks nothing.
    """
    if isinstance(where, Database):
        with where.begin() as connection:
            return _queue(connection, machine_id, wanted)
    return _queue(where, machine_id, wanted)


class Outbox:
    """The messages of one machine.

    Parameters
    ----------
    database
        From `open_reader` for reading; from `open_writer` for the rest.
    machine_id
        Its number in this database.
    """

    def __init__(self, database: Database, machine_id: int) -> None:
        self._database = database
        self._machine_id = machine_id

    def queue(self, wanted: Message) -> bool:
        """Put a message in; see `queue`."""
        return queue(self._database, self._machine_id, wanted)

    def next_due_utc_ms(self, now_utc_ms: int) -> int | None:
        """When a sender has something to do next, UTC [ms since 1970]; None where all is done."""
        query = select(message.c.due_utc_ms, message.c.not_before_utc_ms).where(
            message.c.machine_id == self._machine_id, message.c.due_utc_ms.is_not(None)
        )
        with self._database.begin() as connection:
            rows = connection.execute(query).all()
        farthest_ms = now_utc_ms + FARTHEST_DUE_MS
        return min(
            (max(not_before, due if due <= farthest_ms else now_utc_ms) for due, not_before in rows),
            default=None,
        )

    def due(self, now_utc_ms: int) -> list[StoredMessage]:
        """Messages that a sender should look at now, the most severe first, then the oldest."""
        found = self._select(
            message.c.not_before_utc_ms <= now_utc_ms, _is_due(message.c.due_utc_ms, now_utc_ms)
        )
        return sorted(found, key=lambda one: (-one.message.severity.rank, one.message_id))

    def messages(self) -> list[StoredMessage]:
        """Every message, the oldest first."""
        return self._select()

    def deliveries(self, message_id: int) -> tuple[Delivery, ...]:
        """How far a message has come, by channel."""
        return self._select(message.c.id == message_id)[0].deliveries

    def postpone(self, message_id: int, until_utc_ms: int) -> None:
        """Look at a message later."""
        with self._database.begin() as connection:
            connection.execute(
                update(message).where(message.c.id == message_id).values(due_utc_ms=until_utc_ms)
            )

    def address(self, message_id: int, channels: Collection[str], now_utc_ms: int) -> None:
        """Note the channels that a message goes to; those it already had stay as they are.

        A channel that is not among them any more, and still waits, is given up.
        """
        new = {"state": DeliveryState.WAITING.value, "n_tries": 0, "reason": ""}
        new |= {"message_id": message_id, "at_utc_ms": now_utc_ms, "due_utc_ms": now_utc_ms}
        rows = [new | {"channel": channel} for channel in channels]
        of_message = message_delivery.c.message_id == message_id
        with self._database.begin() as connection:
            if rows:
                connection.execute(_insert_new(connection, message_delivery), rows)
            connection.execute(
                update(message_delivery)
                .where(of_message, message_delivery.c.state == DeliveryState.WAITING.value)
                .where(message_delivery.c.channel.not_in(list(channels)))
                .values(
                    state=DeliveryState.GIVEN_UP.value,
                    at_utc_ms=now_utc_ms,
                    reason="the channel is not in the settings any more",
                )
            )

    def claim(self, message_id: int, channel: str, now_utc_ms: int) -> bool:
        """Note that a message is being sent on a channel, before it is; False where that is not to be done.

        Of several senders one is told True.
        """
        with self._database.begin() as connection:
            done = connection.execute(
                update(message_delivery)
                .where(*_is(message_id, channel, DeliveryState.WAITING))
                .where(_is_due(message_delivery.c.due_utc_ms, now_utc_ms))
                .values(
                    state=DeliveryState.SENDING.value,
                    n_tries=message_delivery.c.n_tries + 1,
                    at_utc_ms=now_utc_ms,
                )
            )
            is_ours = done.rowcount == 1
            if is_ours:  # should this process die now, somebody has to see to it
                connection.execute(
                    update(message)
                    .where(message.c.id == message_id)
                    .values(due_utc_ms=now_utc_ms + STALE_SENDING_MS)
                )
        return is_ours

    def record(
        self,
        message_id: int,
        channel: str,
        state: DeliveryState,
        now_utc_ms: int,
        *,
        before: DeliveryState = DeliveryState.SENDING,
        due_utc_ms: int = 0,
        reason: str = "",
    ) -> bool:
        """Note what became of it; ``due_utc_ms`` is the next try where it waits again.

        Returns
        -------
        bool
            False where it was not in the state ``before`` any more; then nothing is changed.
        """
        with self._database.begin() as connection:
            done = connection.execute(
                update(message_delivery)
                .where(*_is(message_id, channel, before))
                .values(
                    state=state.value,
                    at_utc_ms=now_utc_ms,
                    due_utc_ms=due_utc_ms,
                    reason=reason[:LONGEST_REASON],
                )
            )
        return done.rowcount == 1

    def settle(self, message_id: int, now_utc_ms: int) -> int | None:
        """Work out when a sender should look at a message next, and note it.

        Returns
        -------
        int or None
            UTC [ms since 1970], None where there is nothing left to do.
        """
        with self._database.begin() as connection:
            moments = []
            for row in _deliveries(connection, [message_id]):
                if row.state == DeliveryState.WAITING.value:
                    moments.append(row.due_utc_ms)
                elif row.state == DeliveryState.SENDING.value:
                    moments.append(max(now_utc_ms + 1, row.at_utc_ms + STALE_SENDING_MS))
            due = min(moments, default=None)
            connection.execute(update(message).where(message.c.id == message_id).values(due_utc_ms=due))
        return due

    def _select(self, *conditions: Any) -> list[StoredMessage]:
        query = select(message).where(message.c.machine_id == self._machine_id, *conditions)
        query = query.order_by(message.c.id)
        with self._database.begin() as connection:
            rows = connection.execute(query).all()
            deliveries: dict[int, list[Delivery]] = {row.id: [] for row in rows}
            for row in _deliveries(connection, list(deliveries)):
                name, state, *others = row[1:]
                deliveries[row.message_id].append(Delivery(name, DeliveryState(state), *others))
        return [
            StoredMessage(row.id, row.round, row.due_utc_ms, _message(row), tuple(deliveries[row.id]))
            for row in rows
        ]


def _queue(connection: Connection, machine_id: int, wanted: Message) -> bool:
    earlier = connection.execute(
        select(message.c.id, message.c.round, message.c.made_utc_ms, message.c.severity, message.c.due_utc_ms)
        .where(message.c.machine_id == machine_id, message.c.key == wanted.key)
        .order_by(message.c.round)
    ).all()
    for row in earlier:
        if Severity(row.severity).rank < wanted.severity.rank or not _holds(wanted, row.made_utc_ms):
            continue
        states = {one.state for one in _deliveries(connection, [row.id])}
        if not reached_nobody(Severity(row.severity), row.due_utc_ms, {DeliveryState(one) for one in states}):
            return False
    new = {
        "machine_id": machine_id,
        "key": wanted.key,
        "round": earlier[-1].round + 1 if earlier else 1,
        "made_utc_ms": wanted.made_utc_ms,
        "lane": wanted.lane.value,
        "severity": wanted.severity.value,
        "source": wanted.source,
        "subject": wanted.subject,
        "body": wanted.body,
        "not_before_utc_ms": wanted.not_before_utc_ms,
        "due_utc_ms": wanted.not_before_utc_ms,
    }
    # Two processes may have counted the same round: the constraint lets one of them in.
    statement = _insert_new(connection, message).returning(message.c.id)
    return connection.execute(statement, new).first() is not None


def _holds(wanted: Message, made_utc_ms: int) -> bool:
    """Whether an earlier round still keeps the next one back."""
    if wanted.repeat_after_days is None:
        return True
    age_ms = wanted.made_utc_ms - made_utc_ms
    return -MOST_AHEAD_MS <= age_ms < wanted.repeat_after_days * DAY_MS


def _deliveries(connection: Connection, message_ids: Sequence[int]) -> Sequence[Any]:
    query = select(message_delivery).where(message_delivery.c.message_id.in_(message_ids))
    return connection.execute(query.order_by(message_delivery.c.message_id, message_delivery.c.channel)).all()


def _is(message_id: int, channel: str, state: DeliveryState) -> tuple[Any, ...]:
    table = message_delivery.c
    return table.message_id == message_id, table.channel == channel, table.state == state.value


def _is_due(due: Any, now_utc_ms: int) -> Any:
    return or_(due <= now_utc_ms, due > now_utc_ms + FARTHEST_DUE_MS)


def _insert_new(connection: Connection, table: Any) -> Any:
    dialect = importlib.import_module(f"sqlalchemy.dialects.{connection.dialect.name}")
    return dialect.insert(table).on_conflict_do_nothing()


def _message(row: Any) -> Message:
    return Message(
        Lane(row.lane),
        Severity(row.severity),
        row.key,
        row.made_utc_ms,
        row.subject,
        row.body,
        row.source,
        row.not_before_utc_ms,
    )
