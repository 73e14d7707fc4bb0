"""How the sensors of a machine read, for people and for programs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from ..daemon.discovery import Found
from ..daemon.layout import Layout
from ..daemon.sensors.base import quantity_of
from ..store.records import Channel, Missing
from ..store.units import MILLI
from .tables import columns, labelled, wrap
from .wording import counted, value_text

HEADING = ("source", "quantity", "where from", "value", "one read")
RIGHT = (3, 4)
WHERE_WIDTH = 27
LIMIT_REASONS = "limit_reasons"
# What the columns say about how a value comes about, where that matters to who trusts it.
METHOD_WORDS = {
    "energy": "energy",
    "average": "average",
    "intended": "intended",
    "relative": "relative",
}
MISSING_WORDS = {
    Missing.PERMISSION: "not permitted",
    Missing.VANISHED: "gone",
    Missing.READ_ERROR: "read error",
    Missing.FIRST_LOOK: "needs 2 looks",
    Missing.NOT_EXPOSED: "not offered",
    Missing.DRIVER_ERROR: "driver error",
}


def as_lines(found: Sequence[Found], layout: Layout) -> Iterator[str]:
    """The sensors in at most 80 columns, what is missing last."""
    used = [sensor for sensor in found if sensor.owner]
    sources = {source.name for source in layout.sources}
    of_sources = [sensor for sensor in used if sensor.owner in sources]
    of_probes = [sensor for sensor in used if sensor.owner not in sources]
    if of_sources:
        yield from columns([HEADING, *_rows(of_sources)], right=RIGHT)
    if of_probes:
        yield ""
        yield from columns([("probe, fan", *HEADING[1:]), *_rows(of_probes)], right=RIGHT)
    n_spare = len(found) - len(used)
    if n_spare:
        yield ""
        yield from wrap(
            f"{counted(n_spare, 'more channel')} found and not used; `heatdrift sensors --json` lists them "
            "with their keys, and the settings can give them a place.",
            80,
        )
    yield ""
    yield from _lacks(layout)


def _lacks(layout: Layout) -> Iterator[str]:
    if not layout.lacks:
        yield "Nothing is missing that a verdict needs."
        return
    yield "Missing, and what that costs the verdict"
    for lack in layout.lacks:
        yield ""
        yield from labelled("  missing", lack.what)
        yield from labelled("  cost", lack.cost)
        if lack.remedy:
            yield from labelled("  remedy", lack.remedy)


def _rows(sensors: Sequence[Found]) -> Iterator[tuple[str, ...]]:
    """One row a channel; the cost stands once where one call reads several."""
    last: tuple[str, str, float] | None = None
    for sensor in sensors:
        channel = sensor.channel
        call = sensor.owner, channel.door, sensor.cost_us
        cost = "same call" if call == last else f"{sensor.cost_us:,.0f} µs"
        last = call
        yield sensor.owner, quantity_words(channel), where_words(channel), reading_words(sensor), cost


def quantity_words(channel: Channel) -> str:
    """The quantity without its unit, which stands with the value."""
    if channel.quantity == LIMIT_REASONS:
        return "limit reasons"
    quantity = quantity_of(channel)
    return quantity.name.removesuffix("_" + quantity.unit).replace("_", " ")


def where_words(channel: Channel) -> str:
    """Interface, driver and label, short enough for a column."""
    driver = channel.driver.split()[0] if channel.driver else ""
    method = f" ({METHOD_WORDS[channel.method]})" if channel.method in METHOD_WORDS else ""
    room = WHERE_WIDTH - len(method)
    words = _joined(channel.door, driver, channel.label)
    if len(words) > room and channel.label:
        words = _joined(channel.door, channel.label)
    if len(words) > room:
        words = words[: room - 2] + ".."
    return words + method


def _joined(*parts: str) -> str:
    return " ".join(dict.fromkeys(part for part in parts if part))


def reading_words(sensor: Found) -> str:
    """The value with its unit, or why it was not had."""
    if isinstance(sensor.value, Missing):
        return MISSING_WORDS.get(sensor.value, sensor.value.name.lower().replace("_", " "))
    if sensor.channel.quantity == LIMIT_REASONS:
        return f"{sensor.value:#x}"
    return value_text(sensor.value, quantity_of(sensor.channel).unit)


def as_document(found: Sequence[Found], layout: Layout) -> dict[str, Any]:
    """The sensors for programs; a value is in the unit that its quantity ends in."""
    return {
        "schema": "heatdrift-sensors/1",
        "sources": [{"name": source.name, "kind": source.kind} for source in layout.sources],
        "channels": [_channel_document(sensor) for sensor in found],
        "lacks": [{"what": lack.what, "cost": lack.cost, "remedy": lack.remedy} for lack in layout.lacks],
    }


def _channel_document(sensor: Found) -> dict[str, Any]:
    channel = sensor.channel
    scale = 1 if channel.quantity == LIMIT_REASONS else MILLI
    return {
        "key": channel.key,
        "owner": sensor.owner or None,
        "quantity": channel.quantity,
        "door": channel.door,
        "label": channel.label,
        "driver": channel.driver,
        "method": channel.method,
        "device": channel.device,
        "value": None if isinstance(sensor.value, Missing) else sensor.value / scale,
        "missing": sensor.value.name.lower() if isinstance(sensor.value, Missing) else None,
        "read_us": round(sensor.cost_us, 1),
    }
