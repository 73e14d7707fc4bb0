"""Makes a layout known to the store, and compares two of them."""

from __future__ import annotations

from collections.abc import Iterator

from ..store.errors import StoreError
from ..store.records import Channel
from .layout import Layout
from .pen import Pen
from .sensors.nvml import SleepingGroup


def register(layout: Layout, pen: Pen, at_utc_ms: int) -> None:
    """Register every source and channel of a layout; rows of an unknown source could not be written."""
    for source in layout.sources:
        pen.register_source(source.name, source.kind, at_utc_ms)
    for owner, channel in owned_channels(layout):
        pen.register_channel(channel, owner, at_utc_ms)


def owned_channels(layout: Layout) -> Iterator[tuple[str, Channel]]:
    """Each channel that is kept, with the source or probe it is kept for."""
    for source in layout.sources:
        for place in (*source.places, source.limit_reasons):
            if place is not None:
                yield source.name, layout.channel(place)
    for probe in layout.probes:
        yield probe.name, layout.channel(probe.place)


def unmet(layout: Layout, pen: Pen) -> list[str]:
    """GPUs that were recorded before and sleep now, so that nobody has met them yet."""
    if not any(isinstance(group, SleepingGroup) and group.is_asleep for group in layout.groups):
        return []
    found = {source.name for source in layout.sources}
    try:
        return [name for name in pen.source_names("gpu") if name not in found]
    except StoreError:  # in trouble just now: their gap is worth less than the looks
        return []


def same_sensors(one: Layout, other: Layout) -> bool:
    """Whether two layouts read the same channels for the same sources and probes."""
    return list(owned_channels(one)) == list(owned_channels(other))


def differences(before: Layout, after: Layout) -> str:
    """What came and what went, in a line for people."""
    old = {f"{owner} {channel.quantity} ({channel.key})" for owner, channel in owned_channels(before)}
    new = {f"{owner} {channel.quantity} ({channel.key})" for owner, channel in owned_channels(after)}
    told = [f"new {name}" for name in sorted(new - old)] + [f"gone {name}" for name in sorted(old - new)]
    return "; ".join(told) or "the same channels in another order"
