"""The outbox on both kinds of database: one finding is told once, and one sender gets to tell it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from heatdrift.store.database import Database, open_writer
from heatdrift.store.errors import StoreError
from heatdrift.store.message import DeliveryState, Lane, Message, Severity
from heatdrift.store.outbox import DAY_MS, FARTHEST_DUE_MS, STALE_SENDING_MS, Outbox, queue
from heatdrift.store.writer import Writer

NOW_MS = 1_772_323_200_000  # 2026-03-01T00:00Z
CREEP = Message(
    Lane.CREEP,
    Severity.NOTE,
    "creep gpu0 interface 2026-02-20",
    NOW_MS,
    "gpu0: the interface part is 6 % up",
    "Since 20 February.\nNothing needs to be done today.",
    source="gpu0",
)
HOT = replace(
    CREEP, lane=Lane.GUARD, severity=Severity.URGENT, key="over-temperature gpu0", repeat_after_days=7
)


@pytest.fixture
def machine_id(database: Database) -> int:
    return Writer(database, "uuid-a", "dove").machine_id


@pytest.fixture
def outbox(database: Database, machine_id: int) -> Outbox:
    return Outbox(database, machine_id)


def sent(outbox: Outbox, state: DeliveryState, now_ms: int = NOW_MS) -> None:
    """Let the one message that is due meet a fate on one channel."""
    (one,) = outbox.due(now_ms)
    outbox.address(one.message_id, ["mail"], now_ms)
    assert outbox.claim(one.message_id, "mail", now_ms)
    assert outbox.record(one.message_id, "mail", state, now_ms)
    assert outbox.settle(one.message_id, now_ms) is None


def test_message_comes_back_as_it_went_in(outbox: Outbox) -> None:
    assert outbox.queue(CREEP)
    (one,) = outbox.messages()
    assert one.message == CREEP
    assert (one.round, one.deliveries) == (1, ())
    assert outbox.due(NOW_MS) == [one]


def test_same_finding_is_never_queued_twice(outbox: Outbox, database: Database, machine_id: int) -> None:
    assert outbox.queue(CREEP)
    assert not outbox.queue(CREEP)
    sent(outbox, DeliveryState.DELIVERED)
    assert not queue(database, machine_id, replace(CREEP, made_utc_ms=NOW_MS + 400 * DAY_MS, body="other"))
    assert len(outbox.messages()) == 1


def test_another_machine_has_keys_of_its_own(outbox: Outbox, database: Database) -> None:
    other = Writer(database, "uuid-b", "finch").machine_id
    assert outbox.queue(CREEP)
    assert queue(database, other, CREEP)
    assert len(outbox.due(NOW_MS)) == 1


def test_callers_own_transaction_takes_the_message_with_it(
    outbox: Outbox, database: Database, machine_id: int
) -> None:
    with pytest.raises(StoreError), database.begin() as connection:
        assert queue(connection, machine_id, CREEP)
        raise StoreError("the judgement failed")
    assert outbox.messages() == []
    with database.begin() as connection:
        assert queue(connection, machine_id, CREEP)
        assert not queue(connection, machine_id, CREEP)
    assert len(outbox.messages()) == 1


def test_repeat_lock_holds_for_its_days_and_escalation_passes_it(outbox: Outbox) -> None:
    warning = replace(HOT, severity=Severity.WARNING)
    assert outbox.queue(warning)
    assert not outbox.queue(replace(warning, made_utc_ms=NOW_MS + 7 * DAY_MS - 1))
    assert not outbox.queue(replace(warning, severity=Severity.NOTE))
    assert outbox.queue(replace(HOT, made_utc_ms=NOW_MS + DAY_MS))
    assert not outbox.queue(replace(HOT, made_utc_ms=NOW_MS + 2 * DAY_MS))
    # Urgent a day later: it holds its milder self back as well.
    assert not outbox.queue(replace(warning, made_utc_ms=NOW_MS + 7 * DAY_MS))
    assert outbox.queue(replace(warning, made_utc_ms=NOW_MS + 8 * DAY_MS))
    assert [one.round for one in outbox.messages()] == [1, 2, 3]


def test_a_wrong_clock_locks_nothing_for_years(outbox: Outbox) -> None:
    assert outbox.queue(replace(HOT, made_utc_ms=NOW_MS + 3000 * DAY_MS))
    assert outbox.queue(HOT)
    assert not outbox.queue(HOT)


@pytest.mark.parametrize(
    ("state", "is_told_again"),
    [(DeliveryState.DELIVERED, False), (DeliveryState.UNKNOWN, True), (DeliveryState.GIVEN_UP, True)],
)
def test_urgent_that_reached_nobody_locks_nothing(
    outbox: Outbox, state: DeliveryState, is_told_again: bool
) -> None:
    outbox.queue(HOT)
    assert not outbox.queue(HOT)  # it is on its way
    sent(outbox, state)
    assert outbox.queue(replace(HOT, made_utc_ms=NOW_MS + 3_600_000)) is is_told_again


@pytest.mark.parametrize(
    ("state", "is_told_again"),
    [(DeliveryState.DELIVERED, False), (DeliveryState.UNKNOWN, False), (DeliveryState.GIVEN_UP, True)],
)
def test_warning_is_told_again_only_where_it_surely_reached_nobody(
    outbox: Outbox, state: DeliveryState, is_told_again: bool
) -> None:
    outbox.queue(replace(HOT, severity=Severity.WARNING))
    sent(outbox, state)
    assert outbox.messages()[0].reached_nobody is is_told_again
    assert outbox.queue(replace(HOT, severity=Severity.WARNING)) is is_told_again


def test_the_most_severe_goes_first_and_nothing_before_its_time(outbox: Outbox) -> None:
    outbox.queue(CREEP)
    outbox.queue(HOT)
    outbox.queue(replace(CREEP, key="later", not_before_utc_ms=NOW_MS + 5 * DAY_MS))
    assert [one.message.key for one in outbox.due(NOW_MS)] == [HOT.key, CREEP.key]
    for one in outbox.due(NOW_MS):
        outbox.settle(one.message_id, NOW_MS)
    assert outbox.due(NOW_MS) == []
    assert outbox.next_due_utc_ms(NOW_MS) == NOW_MS + 5 * DAY_MS


def test_claim_is_given_once(outbox: Outbox, database_url: str) -> None:
    outbox.queue(CREEP)
    (one,) = outbox.due(NOW_MS)
    outbox.address(one.message_id, ["mail", "desk"], NOW_MS)

    def claims(_number: int) -> bool:
        own = open_writer(database_url, keeps_checkpoints=False)
        try:
            return Outbox(own, 1).claim(one.message_id, "mail", NOW_MS)
        finally:
            own.close()

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(claims, range(4))) == [False, False, False, True]
    assert outbox.claim(one.message_id, "desk", NOW_MS)


def test_two_who_found_the_same_at_once_queue_it_once(
    outbox: Outbox, machine_id: int, database_url: str
) -> None:
    def finds(_number: int) -> bool:
        own = open_writer(database_url, keeps_checkpoints=False)
        try:
            return queue(own, machine_id, CREEP)
        finally:
            own.close()

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(finds, range(4))) == [False, False, False, True]
    assert len(outbox.messages()) == 1


def test_what_a_dead_sender_left_is_looked_at_later_and_not_claimed_again(outbox: Outbox) -> None:
    outbox.queue(CREEP)
    (one,) = outbox.due(NOW_MS)
    outbox.address(one.message_id, ["mail"], NOW_MS)
    assert outbox.claim(one.message_id, "mail", NOW_MS)
    assert outbox.next_due_utc_ms(NOW_MS) == NOW_MS + STALE_SENDING_MS
    later_ms = NOW_MS + STALE_SENDING_MS
    (again,) = outbox.due(later_ms)
    outbox.address(one.message_id, ["mail"], later_ms)
    assert again.deliveries[0].state is DeliveryState.SENDING
    assert not outbox.claim(one.message_id, "mail", later_ms)


def test_retry_waits_and_channels_that_have_it_are_left_alone(outbox: Outbox) -> None:
    outbox.queue(CREEP)
    (one,) = outbox.due(NOW_MS)
    outbox.address(one.message_id, ["mail", "desk"], NOW_MS)
    for channel in ("mail", "desk"):
        assert outbox.claim(one.message_id, channel, NOW_MS)
    outbox.record(one.message_id, "desk", DeliveryState.DELIVERED, NOW_MS)
    outbox.record(
        one.message_id,
        "mail",
        DeliveryState.WAITING,
        NOW_MS,
        due_utc_ms=NOW_MS + 60_000,
        reason="refused " * 100,
    )
    assert outbox.settle(one.message_id, NOW_MS) == NOW_MS + 60_000
    assert outbox.due(NOW_MS) == []
    assert not outbox.claim(one.message_id, "mail", NOW_MS)
    assert outbox.claim(one.message_id, "mail", NOW_MS + 60_000)
    assert not outbox.claim(one.message_id, "desk", NOW_MS + 60_000)
    (found,) = outbox.messages()
    assert [(d.channel, d.n_tries) for d in found.deliveries] == [("desk", 1), ("mail", 2)]
    assert len(found.deliveries[1].reason) == 200


def test_channel_that_left_the_settings_is_given_up(outbox: Outbox) -> None:
    outbox.queue(CREEP)
    (one,) = outbox.due(NOW_MS)
    outbox.address(one.message_id, ["old"], NOW_MS)
    outbox.address(one.message_id, ["new"], NOW_MS)
    (found,) = outbox.messages()
    states = {delivery.channel: delivery.state for delivery in found.deliveries}
    assert states == {"old": DeliveryState.GIVEN_UP, "new": DeliveryState.WAITING}


def test_pause_noted_under_a_wrong_clock_is_over(outbox: Outbox) -> None:
    outbox.queue(CREEP)
    (one,) = outbox.due(NOW_MS)
    outbox.postpone(one.message_id, NOW_MS + FARTHEST_DUE_MS + 1)
    assert outbox.next_due_utc_ms(NOW_MS) == NOW_MS
    assert [found.message_id for found in outbox.due(NOW_MS)] == [one.message_id]
