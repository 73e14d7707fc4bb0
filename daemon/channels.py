"""Channels to the owner, through apprise. Only the short-lived sender ever imports this module.

An address holds a password or a token. It is kept out of every word that leaves this module: a channel has a
name that gives nothing away, and what the library says about a failure is not passed on but recognised.
"""

from __future__ import annotations

import hashlib
import logging
import re
import threading
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any, Protocol

import apprise

from ..store.errors import SettingsError
from ..store.message import Severity

URL_REMEDY = "see https://appriseit.com for how each kind of channel is written"
SCHEME = re.compile(r"^([A-Za-z][A-Za-z0-9+.-]{0,30})://")
SLOW_HASH = {"n": 2**14, "r": 8, "p": 1, "dklen": 4}
# All of these write addresses, and their parts, into their debug output.
TALKATIVE = ("apprise", "urllib3", "requests", "requests_oauthlib", "oauthlib", "markdown")
KINDS = {
    Severity.NOTE: apprise.NotifyType.INFO,
    Severity.WARNING: apprise.NotifyType.WARNING,
    Severity.URGENT: apprise.NotifyType.FAILURE,
}


class Fate(Enum):
    """What became of one attempt."""

    DELIVERED = "delivered"
    REFUSED = "refused"  # surely not arrived: may be tried again
    UNKNOWN = "unknown"  # may have arrived


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one attempt, and why, in words that hold no address."""

    fate: Fate
    reason: str = ""


LOCAL = re.compile(r"localhost|127(\.\d+){3}|\[?::1\]?", re.IGNORECASE)  # what never leaves the machine
STATUS = re.compile(r"error\s*=\s*(\d{3})\b")
MAIL_STATUS = re.compile(r"\(([45]\d\d), b?['\"]")
GATEWAY_TIMEOUT = "504"
# What the library logs about a failure; the first that fits.
SIGNS: tuple[tuple[re.Pattern[str], Fate, str], ...] = tuple(
    (re.compile(pattern, re.IGNORECASE), fate, words)
    for pattern, fate, words in (
        (r"SMTP recipient .* refused", Fate.UNKNOWN, "one recipient was refused, others may have it"),
        (r"certificate.verify.failed|CertificateError", Fate.REFUSED, "its certificate cannot be trusted"),
        (r"Connection refused|ECONNREFUSED", Fate.REFUSED, "connection refused"),
        (r"NameResolution|Name or service not known|getaddrinfo", Fate.REFUSED, "no such host"),
        (r"name resolution", Fate.REFUSED, "no such host"),
        (r"ConnectTimeout|connect timeout", Fate.REFUSED, "no connection in time"),
        (r"Network is unreachable|No route to host", Fate.REFUSED, "the network is unreachable"),
        (
            r"Permission denied|not permitted|Address family not",
            Fate.REFUSED,
            "this process may not use the network",
        ),
        (r"SMTPAuthentication|\(535, ", Fate.REFUSED, "user name or password refused"),
        (r"STARTTLS|SSLError|wrong version number", Fate.REFUSED, "no encrypted connection"),
        (MAIL_STATUS.pattern, Fate.REFUSED, "the mail server answered {0}"),
        (r"Connection error while submitting email", Fate.REFUSED, "no connection to the mail server"),
        (
            r"timed out|read timeout|aborted|reset by peer|closed|disconnected",
            Fate.UNKNOWN,
            "the connection was lost before an answer came; it may have arrived",
        ),
    )
)


class Channel(Protocol):
    """One way to the owner."""

    @property
    def name(self) -> str:
        """A name that gives no address away."""

    def send(self, subject: str, body: str, severity: Severity) -> Outcome:
        """Send one message now; never raises."""


@dataclass(frozen=True, slots=True)
class UnusableChannel:
    """An address that cannot be used until its owner mends it: every attempt fails, and says why."""

    name: str
    trouble: str

    def send(self, subject: str, body: str, severity: Severity) -> Outcome:
        return Outcome(Fate.REFUSED, self.trouble)


class AppriseChannel:
    """One address.

    Parameters
    ----------
    url
        As the settings have it.
    name
        From `channel_name`.
    timeout_s
        How long one message may take [s].

    Raises
    ------
    SettingsError
        No such kind of channel, several recipients, or one whose identity would not be checked. The address
        is not named.
    """

    def __init__(self, url: str, name: str, timeout_s: float) -> None:
        self.name = name
        self._timeout_s = timeout_s
        self._door = self._opened(url)
        self._door.retry = 0  # when to try again is our own business
        if len(self._door) != 1:
            raise SettingsError(
                f"channel {self.name} has {len(self._door)} recipients",
                remedy="write one address for each, so that a retry reaches only those who lack it",
            )
        if not self._door.verify_certificate:
            raise SettingsError(
                f"channel {self.name} does not check whom it speaks to", remedy="take verify=no out of it"
            )
        self._door.overflow_mode = apprise.OverflowMode.TRUNCATE  # one message is one request
        self._door.socket_connect_timeout = min(self._door.socket_connect_timeout, timeout_s)
        self._door.socket_read_timeout = timeout_s

    @property
    def is_open(self) -> bool:
        """Whether everyone on the way can read what is sent, the password among it."""
        door = self._door
        plain = (door.protocol,) if isinstance(door.protocol, str) else tuple(door.protocol or ())
        return not door.secure and door.schema in plain and not LOCAL.fullmatch(door.host or "localhost")

    def send(self, subject: str, body: str, severity: Severity) -> Outcome:
        heard = _Heard()
        result: list[bool] = []
        library = logging.getLogger("apprise")

        def speak() -> None:
            heard.thread = threading.get_ident()
            try:
                result.append(
                    bool(
                        self._door.notify(
                            body=body,
                            title=subject,
                            notify_type=KINDS[severity],
                            body_format=apprise.NotifyFormat.TEXT,
                        )
                    )
                )
            except Exception as error:  # a plug-in of 190 may raise anything
                heard.texts.append(f"{type(error).__name__}: {error}")

        library.addHandler(heard)
        try:
            # A thread, because no timeout of a library covers a server that answers one byte a second.
            thread = threading.Thread(target=speak, daemon=True)
            thread.start()
            thread.join(self._timeout_s + 1)
        finally:
            library.removeHandler(heard)
        if thread.is_alive():
            return Outcome(Fate.UNKNOWN, f"no answer within {self._timeout_s:.0f} s; it may have arrived")
        return Outcome(Fate.DELIVERED) if result == [True] else judged(" ".join(heard.texts))

    def _opened(self, url: str) -> Any:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # 190 plug-ins are loaded; what ages in them is not ours
                return self._instance(url)
        except Exception:  # whatever it says could hold the address
            raise SettingsError(
                f"channel {self.name} cannot be used: its kind is unknown or needs a library that is not "
                "here, or something is missing in its address",
                remedy=URL_REMEDY,
            ) from None

    @staticmethod
    def _instance(url: str) -> Any:
        asset = apprise.AppriseAsset(app_id="heatdrift", app_desc="heatdrift", secure_logging=True)
        door = apprise.Apprise.instantiate(url, asset=asset, suppress_exceptions=False)
        if door is None:
            raise ValueError
        return door


class _Heard(logging.Handler):
    """What the library says in one thread, kept in memory for as long as one message takes."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.thread: int | None = None
        self.texts: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        said = record.getMessage()
        # Its other debug lines repeat the message itself, in which any word may stand.
        if record.thread == self.thread and (record.levelno >= logging.WARNING or "Exception" in said[:30]):
            self.texts.append(said)


def open_ones(channels: Sequence[Channel]) -> list[str]:
    """Names of the channels over which everyone on the way can read."""
    return [one.name for one in channels if isinstance(one, AppriseChannel) and one.is_open]


def hush() -> None:
    """Let nothing that the library says reach a log."""
    for name in TALKATIVE:
        logger = logging.getLogger(name)
        logger.propagate = False
        logger.handlers[:] = [logging.NullHandler()]
        logger.setLevel(logging.DEBUG if name == "apprise" else logging.CRITICAL)


def channel_name(url: str, salt: str) -> str:
    """A name for an address: its kind, and a few digits that cost a guesser of passwords much work.

    Parameters
    ----------
    url
        The address.
    salt
        The identity of the machine.
    """
    scheme = SCHEME.match(url)
    digits = hashlib.scrypt(url.encode(), salt=salt.encode(), **SLOW_HASH).hex()
    return f"{scheme[1].lower() if scheme else 'unknown'}-{digits}"


def open_channels(urls: Sequence[str], salt: str, timeout_s: float) -> list[Channel]:
    """Open every address; the same one twice is one channel."""
    hush()
    channels: dict[str, Channel] = {}
    for url in urls:
        name = channel_name(url, salt)
        try:
            channels[name] = AppriseChannel(url, name, timeout_s)
        except SettingsError as error:
            channels[name] = UnusableChannel(name, str(error))
    return list(channels.values())


def judged(said: str) -> Outcome:
    """What a failure was, from what the library said about it."""
    status = STATUS.search(said)
    if status:
        if status[1] == GATEWAY_TIMEOUT:
            return Outcome(Fate.UNKNOWN, "HTTP status 504: a relay lost sight of it; it may have arrived")
        return Outcome(Fate.REFUSED, f"HTTP status {status[1]}")
    for pattern, fate, words in SIGNS:
        sign = pattern.search(said)
        if sign:
            return Outcome(fate, words.format(*sign.groups()))
    return Outcome(Fate.UNKNOWN, "failed without a known reason; it may have arrived")
