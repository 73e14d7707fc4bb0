"""Joins what a new search found with what was known before it.

A thermometer that is gone must not take along the power and the clock of its source, and a row that says
"gone" is worth more than none. So what is not found again stays where it was, empty until it returns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from ..store.units import TEMPERATURE
from .layout import Layout, Place, SourceLayout
from .sensors.base import SensorGroup


def joined(found: Layout, known: Layout) -> Layout:
    """What was found, and whatever of the known sources and probes was not.

    Parameters
    ----------
    found
        Fresh from discovery.
    known
        In use until now; its groups go on reading what was not found.
    """
    groups: list[SensorGroup] = list(found.groups)
    numbers: dict[int, int] = {}

    def moved(place: Place | None) -> Place | None:
        if place is None:
            return None
        if place.group not in numbers:
            numbers[place.group] = len(groups)
            groups.append(known.groups[place.group])
        return Place(numbers[place.group], place.index)

    sources = {source.name: source for source in found.sources}
    for old in known.sources:
        new = sources.get(old.name)
        if new is None:
            bare = replace(old, places=(None,) * len(old.places), limit_reasons=None)
            sources[old.name] = _filled(bare, old, moved)
        elif _temperature_key(found, new) == _temperature_key(known, old):
            sources[old.name] = _filled(new, old, moved)
    probes = {(probe.name, probe.quantity): probe for probe in found.probes}
    for probe in known.probes:
        if (probe.name, probe.quantity) not in probes:
            place = moved(probe.place) or probe.place
            probes[probe.name, probe.quantity] = replace(probe, place=place)
    return replace(
        found,
        groups=tuple(groups),
        sources=tuple(sources[name] for name in sorted(sources)),
        probes=tuple(probes[name] for name in sorted(probes)),
    )


def close_left_out(before: Layout, after: Layout) -> None:
    """Close the groups of a layout that another one does not go on with."""
    kept = {id(group) for group in after.groups}
    for group in (*before.groups, *before.spare):
        if id(group) not in kept:
            group.close()


def _filled(
    new: SourceLayout, old: SourceLayout, moved: Callable[[Place | None], Place | None]
) -> SourceLayout:
    """A source with its old places wherever it has no new one."""
    pairs = zip(new.places, old.places, strict=True)
    places = tuple(moved(there) if here is None else here for here, there in pairs)
    return replace(new, places=places, limit_reasons=new.limit_reasons or moved(old.limit_reasons))


def _temperature_key(layout: Layout, source: SourceLayout) -> str:
    place = source.places[TEMPERATURE]
    return "" if place is None else layout.channel(place).key
