"""Messages when channels are down or hang and senders are killed: none twice, none lost without a word.

``HEATDRIFT_CAMPAIGN=100`` injects each fault so often; without it a short form runs.
"""

from __future__ import annotations

import random
import socket
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import pytest

from heatdrift.daemon.channels import Channel, Fate, Outcome, open_channels
from heatdrift.daemon.delivery import Sender
from heatdrift.daemon.message_settings import MessageSettings
from heatdrift.store.database import open_writer
from heatdrift.store.message import DeliveryState, Lane, Message, Severity
from heatdrift.store.outbox import DAY_MS, STALE_SENDING_MS, Outbox
from heatdrift.store.writer import Writer

from ..daemon.channel_servers import webhook
from .process_ledger import Ledger, n_injections
from .process_lives import lives

SEED = 20261126
NOON_MS = 1_772_362_800_000
MINUTE_MS = 60_000
SETTINGS = MessageSettings(quiet_from="07:00", quiet_to="07:00")


@pytest.fixture
def database(tmp_path: Path) -> str:
    path = str(tmp_path / "record.sqlite")
    writing = open_writer(path)
    Writer(writing, "uuid-a", "dove")
    writing.close()
    return path


@contextmanager
def outbox_of(database: str) -> Iterator[Outbox]:
    writing = open_writer(database, keeps_checkpoints=False)
    try:
        yield Outbox(writing, 1)
    finally:
        writing.close()


def message(number: int, at_ms: int = NOON_MS, severity: Severity = Severity.WARNING) -> Message:
    return Message(Lane.CREEP, severity, f"creep {number}", at_ms, f"message {number}", "Six per cent.")


def states(outbox: Outbox) -> Counter[DeliveryState]:
    return Counter(one.state for stored in outbox.messages() for one in stored.deliveries)


@dataclass
class PlayedChannel:
    """Remembers what arrived, and answers as it is told."""

    name: str
    fate: Fate = Fate.DELIVERED
    arrived: list[str] = field(default_factory=list)
    does_take: bool = True

    def send(self, subject: str, body: str, severity: Severity) -> Outcome:
        if self.does_take:
            self.arrived.append(subject)
        return Outcome(self.fate, "" if self.fate is Fate.DELIVERED else "played")


def test_channel_that_is_down_for_a_week(database: str) -> None:
    """Every message comes once when it is back, also those whose sender was restarted in between."""
    rng = random.Random(SEED)
    n_messages = n_injections(20)
    away, there = PlayedChannel("away", Fate.REFUSED, does_take=False), PlayedChannel("there")
    channels: list[Channel] = [away, there]
    now_ms, sent_of = NOON_MS, 0
    with outbox_of(database) as outbox:
        while now_ms < NOON_MS + 7 * DAY_MS:
            if sent_of < n_messages and rng.random() < 1.3 * n_messages / (7 * 24 * 2):
                assert outbox.queue(message(sent_of, now_ms, rng.choice(list(Severity))))
                sent_of += 1
            Sender(outbox, channels, SETTINGS, partial(int, now_ms)).run()
            now_ms += 30 * MINUTE_MS
        assert away.arrived == []
        away.fate, away.does_take = Fate.DELIVERED, True
        while outbox.next_due_utc_ms(now_ms) is not None and now_ms < NOON_MS + 9 * DAY_MS:
            Sender(outbox, channels, SETTINGS, partial(int, now_ms)).run()
            now_ms += 30 * MINUTE_MS
        found = states(outbox)
    ledger = Ledger("messages", SEED)
    count = ledger.of("channel down for a week")
    wanted = [f"message {number}" for number in range(sent_of)]
    count.injected = count.survived = sent_of
    count.rows_lost = len(set(wanted) - set(away.arrived))
    count.invented = sum(times - 1 for times in Counter(away.arrived).values())
    count.said = found[DeliveryState.DELIVERED] // 2
    ledger.show()
    assert sorted(away.arrived) == sorted(there.arrived) == sorted(wanted)
    assert found == {DeliveryState.DELIVERED: 2 * sent_of}


@contextmanager
def taking_server() -> Iterator[tuple[int, list[bytes]]]:
    """Takes every request whole and never answers."""
    taken: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        held: list[socket.socket] = []

        def serve() -> None:
            while True:
                try:
                    one, _ = server.accept()
                except OSError:
                    return
                held.append(one)
                threading.Thread(target=take, args=(one,), daemon=True).start()

        def take(one: socket.socket) -> None:
            text = b""
            try:
                while piece := one.recv(65536):
                    text += piece
                    head, _, body = text.partition(b"\r\n\r\n")
                    length = [w for w in head.lower().split(b"\r\n") if w.startswith(b"content-length:")]
                    if length and len(body) >= int(length[0].split(b":")[1]):
                        taken.append(body)
                        return
            except OSError:
                return

        threading.Thread(target=serve, daemon=True).start()
        try:
            yield server.getsockname()[1], taken
        finally:
            server.shutdown(socket.SHUT_RDWR)
            for one in held:
                one.close()


def test_channel_that_takes_a_message_and_hangs(database: str) -> None:
    """Whether it arrived nobody knows, so it is not sent again, and that is said; no other channel waits."""
    n_messages = n_injections(2)
    other = PlayedChannel("other")
    with taking_server() as (port, taken), outbox_of(database) as outbox:
        channels = [*open_channels([f"json://127.0.0.1:{port}/"], "m", 0.2), other]
        now_ms = NOON_MS
        for number in range(n_messages):
            outbox.queue(message(number, now_ms))
            for _ in range(4):
                Sender(outbox, channels, SETTINGS, partial(int, now_ms)).run()
                now_ms += 5 * 3600 * 1000  # longer than the longest pause
        found = states(outbox)
    ledger = Ledger("messages", SEED)
    count = ledger.of("channel accepts and hangs")
    count.injected = count.survived = n_messages
    count.rows_lost = n_messages - len(set(other.arrived))
    count.invented = len(taken) - len(set(taken)) + len(other.arrived) - len(set(other.arrived))
    count.said = found[DeliveryState.UNKNOWN]
    ledger.show()
    assert len(taken) == n_messages
    assert found == {DeliveryState.UNKNOWN: n_messages, DeliveryState.DELIVERED: n_messages}
    assert sorted(other.arrived) == sorted(f"message {number}" for number in range(n_messages))


def test_sender_that_is_killed_at_random_moments(database: str) -> None:
    """Between sending and noting, before and after: no message twice, and none lost without a word."""
    rng = random.Random(SEED)
    n_kills = n_injections(12)
    number, now_ms, n_killed, n_messages = 0, NOON_MS, 0, 3
    with webhook() as hook, lives() as children, outbox_of(database) as outbox:
        began_s = time.monotonic()
        children.do("send", database, [hook.url], now_ms)
        usual_s = time.monotonic() - began_s
        while n_killed < n_kills:
            for _ in range(n_messages):
                outbox.queue(message(number, now_ms))
                number += 1
            n_before = len(hook.received)
            children.begin("send", database, [hook.url], now_ms)
            if rng.random() < 0.5:  # half of them just when something has arrived and is not noted yet
                until_s = time.monotonic() + 10 * usual_s + 1.0
                wanted = n_before + rng.randint(1, n_messages)
                while len(hook.received) < wanted and time.monotonic() < until_s:
                    pass
                time.sleep(rng.random() * 0.004)
            else:
                time.sleep(rng.random() * usual_s)
            n_killed += children.kill() == -9
            if rng.random() < 0.3:
                children.do("send", database, [hook.url], now_ms)  # the next one may come at once
            now_ms += STALE_SENDING_MS + MINUTE_MS
        for _ in range(3):
            children.do("send", database, [hook.url], now_ms)
            now_ms += STALE_SENDING_MS + MINUTE_MS
        stored = outbox.messages()
        arrived = Counter(one["title"] for one in hook.received)
    ends = {one.message.subject: one.deliveries[0].state for one in stored}
    lost = [subject for subject, state in ends.items() if subject not in arrived]
    ledger = Ledger("messages", SEED)
    count = ledger.of("sender killed")
    count.injected = count.survived = n_killed
    count.rows_lost = sum(ends[subject] is not DeliveryState.UNKNOWN for subject in lost)
    count.invented = sum(times - 1 for times in arrived.values())
    count.said = n_killed
    ledger.show()
    kinds = Counter((ends[subject].value, subject in arrived) for subject in ends)
    print(f"messages {number}: {dict(kinds)} (state, has it arrived)")
    assert all(one.due_utc_ms is None for one in stored)
    assert (count.rows_lost, count.invented) == (0, 0)
    assert set(ends.values()) <= {DeliveryState.DELIVERED, DeliveryState.UNKNOWN}
    # At most one message is at hand when a sender dies.
    assert sum(state is DeliveryState.UNKNOWN for state in ends.values()) <= n_killed
