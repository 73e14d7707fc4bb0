"""What every door to the hardware offers, so that the poller needs to know none of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol, runtime_checkable

from ...store.records import Channel, Missing
from ...store.units import MILLI, PROBE_QUANTITIES, QUANTITY_INDEX, SOURCE_QUANTITIES, Quantity

Reading = int | Missing
"""Thousandths of the channel's unit, or why it was not had."""


class SensorGroup(Protocol):
    """Channels that are read together because they share a device, a bus or a call.

    A group never raises from `read`: each failure becomes a `Missing` at its place, so that one
    broken chip cannot cost another's reading.
    """

    @property
    def name(self) -> str:
        """What the owner would call it: driver and device."""

    @property
    def channels(self) -> tuple[Channel, ...]:
        """What `read` returns, in that order."""

    @property
    def min_period_s(self) -> float:
        """Never read more often than this [s]; 0 where reading is harmless and cheap."""

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        """Read every channel once.

        Parameters
        ----------
        at_boot_s
            Seconds since boot, suspended time included [s]: what rates of counters are taken against.
        """

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        """Read only what betrays the start of a load (power, else utilisation); `Missing.NOT_READ` elsewhere.

        Called every second while the machine idles, so it must cost next to nothing and disturb nothing.
        """

    def facts(self) -> Mapping[str, str]:
        """Identity facts known to this group: versions, limits, profile, mains or battery.

        Keys are ``subject`` names of `IdentityChange`; called once a minute, never wakes a device.
        """

    def close(self) -> None:
        """Give back files, handles and child processes."""


@runtime_checkable
class Peekable(Protocol):
    """A group whose triggers another process can peek at by itself."""

    def recipe(self, index: int) -> dict[str, Any] | None:
        """How: as `nvml_sentry.Sentry.post` takes it; None where it can not."""


def quantity_of(channel: Channel) -> Quantity:
    """The quantity of a channel, by name (a probe's temperature may be below zero, a source's may not)."""
    if channel.quantity in QUANTITY_INDEX:
        return SOURCE_QUANTITIES[QUANTITY_INDEX[channel.quantity]]
    return PROBE_QUANTITIES[channel.quantity]


def checked(value_milli: int, quantity: Quantity) -> Reading:
    """Pass a plausible value on; an impossible one is a fault, not a reading."""
    if quantity.lowest * MILLI <= value_milli <= quantity.highest * MILLI:
        return value_milli
    return Missing.IMPLAUSIBLE
