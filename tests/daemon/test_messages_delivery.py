"""From the outbox to real servers, on both databases: once, in time, and across crashes."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from heatdrift.daemon.channels import Channel, Fate, Outcome, open_channels
from heatdrift.daemon.delivery import PAUSES_S, Sender
from heatdrift.daemon.message_settings import MessageSettings
from heatdrift.daemon.quiet_hours import quiet_until_utc_ms
from heatdrift.store.database import Database, open_writer
from heatdrift.store.errors import DatabaseBusyError
from heatdrift.store.message import DeliveryState, Lane, Message, Severity
from heatdrift.store.outbox import DAY_MS, STALE_SENDING_MS, Outbox
from heatdrift.store.writer import Writer

from .channel_servers import SECRET, MailServer, Webhook, mail_server, webhook

BERLIN = ZoneInfo("Europe/Berlin")
NOON_MS = 1_772_362_800_000  # 2026-03-01T11:00Z, noon in Berlin
HOUR_MS = 3_600_000
CREEP = Message(
    Lane.CREEP, Severity.WARNING, "creep gpu0 2026-02-20", NOON_MS, "gpu0 creeps", "Six per cent."
)
SETTINGS = MessageSettings()


class HandMadeChannel:
    """Does what a test says, and remembers."""

    def __init__(self, name: str, outcome: Outcome | None = None) -> None:
        self.name = name
        self.outcome = outcome or Outcome(Fate.DELIVERED)
        self.subjects: list[str] = []

    def send(self, subject: str, body: str, severity: Severity) -> Outcome:
        self.subjects.append(subject)
        return self.outcome


class Post:
    """An outbox, and a clock that a test sets."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self.outbox = Outbox(database, Writer(database, "uuid-a", "dove").machine_id)
        self.now_ms = NOON_MS

    def send(self, *channels: Channel, settings: MessageSettings = SETTINGS) -> int:
        return Sender(self.outbox, channels, settings, lambda: self.now_ms, zone=BERLIN).run()

    def states(self) -> dict[str, DeliveryState]:
        (one,) = self.outbox.messages()
        return {delivery.channel: delivery.state for delivery in one.deliveries}


@pytest.fixture
def post(database: Database) -> Post:
    return Post(database)


@pytest.fixture
def hook() -> Iterator[Webhook]:
    with webhook() as found:
        yield found


@pytest.fixture
def mail() -> Iterator[MailServer]:
    with mail_server() as found:
        yield found


REFUSED = Outcome(Fate.REFUSED, "connection refused")
UNKNOWN = Outcome(Fate.UNKNOWN, "it may have arrived")


def test_arrives_once_by_mail_and_webhook(post: Post, mail: MailServer, hook: Webhook) -> None:
    post.outbox.queue(CREEP)
    channels = open_channels([mail.url, hook.url], "m", 5)
    assert post.send(*channels) == 2
    assert post.send(*channels) == 0
    assert mail.subjects == ["gpu0 creeps"]
    assert len(hook.received) == 1
    assert set(post.states().values()) == {DeliveryState.DELIVERED}
    assert post.outbox.next_due_utc_ms(post.now_ms) is None


def test_retry_reaches_only_who_lacks_it(post: Post, mail: MailServer, hook: Webhook) -> None:
    hook.status = 500
    post.outbox.queue(CREEP)
    channels = open_channels([mail.url, hook.url], "m", 5)
    post.send(*channels)
    assert post.outbox.next_due_utc_ms(post.now_ms) == NOON_MS + PAUSES_S[0] * 1000
    hook.status = 200
    post.send(*channels)  # too early
    assert hook.received == []
    post.now_ms += PAUSES_S[0] * 1000
    assert post.send(*channels) == 1
    assert (len(mail.subjects), len(hook.received)) == (1, 1)


def test_queued_message_survives_a_restart_between_queue_and_send(database_url: str, hook: Webhook) -> None:
    first = Post(open_writer(database_url))
    first.outbox.queue(CREEP)
    first.database.close()
    second = Post(open_writer(database_url))
    assert second.send(*open_channels([hook.url], "m", 5)) == 1
    second.database.close()
    assert len(hook.received) == 1


def test_two_senders_at_once_send_once(post: Post, database_url: str, hook: Webhook) -> None:
    for number in range(5):
        post.outbox.queue(replace(CREEP, key=f"k{number}"))
    arrived: list[int] = []

    def work() -> None:
        own = open_writer(database_url, keeps_checkpoints=False)
        outbox = Outbox(own, 1)
        sender = Sender(outbox, open_channels([hook.url], "m", 5), SETTINGS, lambda: NOON_MS, zone=BERLIN)
        arrived.append(sender.run())
        own.close()

    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(arrived) == 5
    assert len(hook.received) == 5
    assert all(d.state is DeliveryState.DELIVERED for one in post.outbox.messages() for d in one.deliveries)


@pytest.mark.parametrize("severity", list(Severity))
def test_after_a_crash_while_sending_it_is_never_sent_again(
    post: Post, severity: Severity, caplog: pytest.LogCaptureFixture
) -> None:
    channel = HandMadeChannel("mail-1")
    post.outbox.queue(replace(CREEP, severity=severity))
    (one,) = post.outbox.due(post.now_ms)
    post.outbox.address(one.message_id, ["mail-1"], post.now_ms)
    assert post.outbox.claim(one.message_id, "mail-1", post.now_ms)  # and here the power failed
    post.now_ms += HOUR_MS // 60
    post.send(channel)
    assert post.states() == {"mail-1": DeliveryState.SENDING}  # it may still be at work
    post.now_ms = NOON_MS + STALE_SENDING_MS
    post.send(channel)
    assert post.states() == {"mail-1": DeliveryState.UNKNOWN}
    assert channel.subjects == []
    assert "not sent again" in caplog.text
    assert post.outbox.next_due_utc_ms(post.now_ms) is None


def test_lock_after_the_sending_does_not_make_it_forgotten(
    post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    record, n_calls = post.outbox.record, 0

    def busy_twice(*words: Any, **others: Any) -> bool:
        nonlocal n_calls
        n_calls += 1
        if n_calls < 3:
            raise DatabaseBusyError("another process holds it")
        return record(*words, **others)

    monkeypatch.setattr(post.outbox, "record", busy_twice)
    post.outbox.queue(CREEP)
    assert post.send(HandMadeChannel("mail-1")) == 1
    assert post.states() == {"mail-1": DeliveryState.DELIVERED}


def test_what_may_have_arrived_is_not_sent_again(post: Post) -> None:
    channel = HandMadeChannel("json-1", UNKNOWN)
    post.outbox.queue(CREEP)
    post.send(channel)
    post.now_ms += DAY_MS
    post.send(channel)
    assert len(channel.subjects) == 1


def test_pauses_grow_until_it_is_given_up_with_a_word(post: Post, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    channel = HandMadeChannel("mail-1", REFUSED)
    post.outbox.queue(replace(CREEP, severity=Severity.URGENT))
    moments = []
    while (due_ms := post.outbox.next_due_utc_ms(post.now_ms)) is not None:
        post.now_ms = max(post.now_ms, due_ms)
        n_before = len(channel.subjects)
        post.send(channel)
        if len(channel.subjects) > n_before:
            moments.append(post.now_ms)
    pauses = [(b - a) // 1000 for a, b in pairwise(moments)]
    assert pauses[:5] == list(PAUSES_S)
    assert set(pauses[5:]) == {PAUSES_S[-1]}
    assert post.now_ms - NOON_MS == pytest.approx(30 * DAY_MS, abs=4 * HOUR_MS)
    assert post.states() == {"mail-1": DeliveryState.GIVEN_UP}
    assert "given up after 30 days" in caplog.text


def test_channel_that_failed_is_left_in_peace_for_the_rest_of_a_run(post: Post) -> None:
    bad, good = HandMadeChannel("a-bad", REFUSED), HandMadeChannel("b-good")
    for number in range(4):
        post.outbox.queue(replace(CREEP, key=f"k{number}"))
    post.send(bad, good)
    assert (len(bad.subjects), len(good.subjects)) == (1, 4)
    bad.outcome = Outcome(Fate.DELIVERED)
    post.now_ms += HOUR_MS
    post.send(bad, good)
    assert (len(bad.subjects), len(good.subjects)) == (5, 4)


def test_message_waits_for_its_first_channel(post: Post) -> None:
    post.outbox.queue(CREEP)
    assert post.send() == 0
    post.now_ms += HOUR_MS
    assert post.send(HandMadeChannel("mail-1")) == 1


def test_quiet_hours_hold_all_but_the_urgent(post: Post) -> None:
    post.now_ms = at(2026, 3, 1, 23, 30)
    channel = HandMadeChannel("mail-1")
    post.outbox.queue(replace(CREEP, made_utc_ms=post.now_ms))
    urgent = replace(CREEP, made_utc_ms=post.now_ms, key="u", severity=Severity.URGENT, subject="hot")
    post.outbox.queue(urgent)
    post.send(channel)
    assert channel.subjects == ["hot"]
    morning_ms = at(2026, 3, 2, 7, 0)
    assert post.outbox.next_due_utc_ms(post.now_ms) == morning_ms
    post.now_ms = morning_ms - 1
    post.send(channel)
    assert channel.subjects == ["hot"]
    post.now_ms = morning_ms
    post.send(channel)
    assert channel.subjects == ["hot", "gpu0 creeps"]


def test_no_secret_in_log_or_outbox(post: Post, hook: Webhook, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    hook.status = 500
    post.outbox.queue(CREEP)
    post.send(*open_channels([hook.url, f"nosuch://{SECRET}"], "m", 5))
    assert "HTTP status 500" in str(post.outbox.messages())
    assert SECRET not in caplog.text + str(post.outbox.messages())


def at(year: int, month: int, day: int, hour: int, minute: int, fold: int = 0) -> int:
    """A moment on a clock in Berlin [ms since 1970]."""
    return round(datetime(year, month, day, hour, minute, tzinfo=BERLIN, fold=fold).timestamp() * 1000)


@pytest.mark.parametrize(
    ("now_ms", "hours", "until_ms"),
    [
        (at(2026, 3, 1, 21, 59), ("22:00", "07:00"), None),
        (at(2026, 3, 1, 22, 0), ("22:00", "07:00"), at(2026, 3, 2, 7, 0)),
        (at(2026, 3, 2, 0, 0), ("22:00", "07:00"), at(2026, 3, 2, 7, 0)),
        (at(2026, 3, 2, 7, 0), ("22:00", "07:00"), None),
        (at(2026, 3, 2, 13, 0), ("12:00", "14:00"), at(2026, 3, 2, 14, 0)),
        (at(2026, 3, 2, 3, 0), ("07:00", "07:00"), None),
        # The night that loses an hour, and the one that has one twice: seven by the wall clock.
        (at(2026, 3, 28, 23, 0), ("22:00", "07:00"), at(2026, 3, 29, 7, 0)),
        (at(2026, 10, 24, 23, 0), ("22:00", "07:00"), at(2026, 10, 25, 7, 0)),
        (at(2026, 10, 25, 2, 45, fold=1), ("22:00", "07:00"), at(2026, 10, 25, 7, 0)),
        # An end inside the lost hour, and inside the hour that comes twice.
        (at(2026, 3, 29, 1, 0), ("22:00", "02:30"), at(2026, 3, 29, 3, 30)),
        (at(2026, 10, 25, 2, 10), ("22:00", "02:30"), at(2026, 10, 25, 2, 30)),
        (at(2026, 10, 25, 2, 10, fold=1), ("22:00", "02:30"), at(2026, 10, 25, 2, 30, fold=1)),
    ],
)
def test_quiet_hours_end_by_the_clock_on_the_wall(
    now_ms: int, hours: tuple[str, str], until_ms: int | None
) -> None:
    assert quiet_until_utc_ms(now_ms, *hours, BERLIN) == until_ms


def test_the_two_nights_are_nine_hours_less_and_more_one() -> None:
    spring, autumn = at(2026, 3, 28, 22, 0), at(2026, 10, 24, 22, 0)
    for begin_ms, hours in ((spring, 8), (autumn, 10)):
        until_ms = quiet_until_utc_ms(begin_ms, "22:00", "07:00", BERLIN)
        assert until_ms is not None
        assert until_ms - begin_ms == hours * HOUR_MS


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "UTC"])
def test_machines_own_zone_is_taken_where_none_is_named(monkeypatch: pytest.MonkeyPatch, zone: str) -> None:
    import time

    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        start_ms = round(datetime(2026, 10, 24, 12, tzinfo=UTC).timestamp() * 1000)
        for number in range(60):  # two days in steps of 48 minutes, over a change of the clock
            now_ms = start_ms + number * 48 * 60_000
            own = quiet_until_utc_ms(now_ms, "22:00", "07:00")
            assert own == quiet_until_utc_ms(now_ms, "22:00", "07:00", ZoneInfo(zone))
    finally:
        monkeypatch.undo()
        time.tzset()
