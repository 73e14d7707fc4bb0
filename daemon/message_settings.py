"""Where and when the owner wants to be told; every default of it is written here once."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MessageSettings:
    """How messages reach their owner.

    Attributes
    ----------
    message_urls
        Channels, as apprise spells them. They hold passwords and tokens, and are shown nowhere.
    quiet_from, quiet_to
        Local time between which only what is urgent is sent; the same twice for never.
    repeat_days
        The same alarm is told again after so long [days].
    give_up_days
        A message that could not be sent for so long is given up [days].
    timeout_s
        A channel that has not taken a message after so long is left [s].
    """

    message_urls: tuple[str, ...] = ()
    quiet_from: str = "22:00"
    quiet_to: str = "07:00"
    repeat_days: float = 7.0
    give_up_days: float = 30.0
    timeout_s: float = 20.0
