"""``heatdrift messages``: what the owner was told, how far it came, and whether the channels work."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import click

from ..daemon.channels import Channel, Fate, open_channels, open_ones
from ..daemon.delivery import Sender
from ..daemon.signals import stop_on_signals
from ..store.database import open_reader, open_writer
from ..store.errors import SettingsError, StoreError
from ..store.machines import machines
from ..store.message import DeliveryState, Severity, StoredMessage
from ..store.outbox import Outbox
from ..store.reader import Reader
from .identity import identity
from .options import json_option, machine_option, settings_options
from .settings import Settings
from .speech import complain, say, say_json
from .tables import columns
from .wiring import cure_for_readers, message_settings
from .wording import counted, moment_text, rfc3339

log = logging.getLogger(__name__)

EXIT_FAILED = 2
EPILOG = "Example:\n  heatdrift messages test"
LIST_EPILOG = "Example:\n  heatdrift messages list"
SEND_EPILOG = "Example:\n  heatdrift messages send"
TEST_SUBJECT = "heatdrift: a test message"
TEST_BODY = (
    "This channel works. heatdrift would tell you here about a danger or a change of your cooling.\n"
    "Nothing is wrong, and nothing needs to be done."
)
STATE_WORDS = {
    DeliveryState.WAITING: "not yet",
    DeliveryState.SENDING: "on its way",
    DeliveryState.DELIVERED: "delivered",
    DeliveryState.UNKNOWN: "may have arrived",
    DeliveryState.GIVEN_UP: "given up",
}


@click.group("messages", epilog=f"\b\n{EPILOG}")
def command() -> None:
    """Show and send the messages to the owner, and try the channels.

    Channels are addresses in the settings, `messages.message_urls`. No command and no log ever shows one: a
    channel is called by its kind and eight digits.
    """


@command.command("test", epilog=f"\b\n{EPILOG}")
@settings_options
@click.pass_context
def test(ctx: click.Context, settings: Settings) -> None:
    """Send a test message on every channel now, and say whether it went.

    Exit status 2 where there is no channel, or one of them failed.
    """
    channels = opened_channels(settings)
    warn_of_readers(settings)
    if not channels:
        raise SettingsError(
            "there is no channel", remedy="write one into messages.message_urls of the settings"
        )
    for name in open_ones(channels):
        complain(
            f"{name} is not encrypted: everyone on the way can read the messages and the password; most "
            "kinds have a twin that is, such as jsons:// or mailtos://"
        )
    has_failed = False
    for channel in channels:
        outcome = channel.send(TEST_SUBJECT, TEST_BODY, Severity.NOTE)
        went = outcome.fate is Fate.DELIVERED
        has_failed |= not went
        say(f"{channel.name}  {'sent' if went else f'not sent: {outcome.reason}'}")
    ctx.exit(EXIT_FAILED if has_failed else 0)


@command.command("send", epilog=f"\b\n{SEND_EPILOG}")
@settings_options
def send(settings: Settings) -> None:
    """Send what is due; the service does this by itself.

    A message never goes out twice on one channel, however often and from wherever this is called.
    """
    stop = threading.Event()
    stop_on_signals(stop)
    warn_of_readers(settings)
    channels = opened_channels(settings)
    with opened_outbox(settings) as outbox:
        chosen = message_settings(settings)
        sender = Sender(outbox, channels, chosen, lambda: time.time_ns() // 1_000_000, stop=stop)
        n_arrived = sender.run()
    if n_arrived:
        log.info("%s sent", counted(n_arrived, "message"))


@command.command("list", epilog=f"\b\n{LIST_EPILOG}")
@json_option
@machine_option
@settings_options
def list_(settings: Settings, machine: str | None, as_json: bool) -> None:
    """Show every message: when, what, and how far it came on each channel."""
    database = open_reader(settings.database)
    try:
        found = Outbox(database, Reader(database, machine).machine_id).messages()
    finally:
        database.close()
    if as_json:
        say_json([as_document(one) for one in found])
        return
    for line in as_lines(found):
        say(line)


def as_lines(messages: list[StoredMessage]) -> list[str]:
    """One row for each message, and how far it came below it."""
    if not messages:
        return ["nothing yet"]
    rows = [("no", "when", "severity", "what, and how far it came")]
    for one in messages:
        when = moment_text(one.message.made_utc_ms)[:16] + "Z"
        rows.append((str(one.message_id), when, one.message.severity.value, one.message.subject))
        rows += [("", "", "", line) for line in progress(one)]
    return columns(rows, right=(0,))


def progress(one: StoredMessage) -> list[str]:
    """How far a message came, a line for each channel."""
    if not one.deliveries:
        return ["- waits for a channel, or for its time" if one.due_utc_ms is not None else "- given up"]
    lines = []
    for delivery in one.deliveries:
        line = f"- {delivery.channel}: {STATE_WORDS[delivery.state]}"
        if delivery.state is DeliveryState.DELIVERED:
            line += f" {moment_text(delivery.at_utc_ms)}"
        elif delivery.reason:
            line += f" ({delivery.reason})"
        lines.append(line)
    return lines


def as_document(one: StoredMessage) -> dict[str, object]:
    """A message for programs."""
    message = one.message
    return {
        "id": one.message_id,
        "key": message.key,
        "round": one.round,
        "time": rfc3339(message.made_utc_ms),
        "lane": message.lane.value,
        "severity": message.severity.value,
        "path": message.source or None,
        "subject": message.subject,
        "body": message.body,
        "is_settled": one.due_utc_ms is None,
        "deliveries": [
            {
                "channel": delivery.channel,
                "state": delivery.state.value,
                "tries": delivery.n_tries,
                "time": rfc3339(delivery.at_utc_ms),
                "reason": delivery.reason or None,
            }
            for delivery in one.deliveries
        ],
    }


def opened_channels(settings: Settings) -> list[Channel]:
    """Every channel of the settings, ready to send."""
    chosen = message_settings(settings)
    return open_channels(chosen.message_urls, identity(settings), chosen.timeout_s)


def warn_of_readers(settings: Settings) -> None:
    """Say so where others can read the addresses."""
    cure = cure_for_readers(settings)
    if cure:
        complain(f"everyone on this machine can read the addresses in {settings.file}: {cure} it")


@contextmanager
def opened_outbox(settings: Settings) -> Iterator[Outbox]:
    """The outbox of this machine; beside a running service it checkpoints nothing."""
    open_reader(settings.database).close()  # else there would be a new, empty one
    database = open_writer(settings.database, keeps_checkpoints=False)
    try:
        uuid = identity(settings)
        number = next((one.number for one in machines(database) if one.uuid == uuid), None)
        if number is None:
            raise StoreError("nothing of this machine is recorded here", remedy="start the service")
        yield Outbox(database, number)
    finally:
        database.close()
