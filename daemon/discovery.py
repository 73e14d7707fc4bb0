"""Finds the sensors of this machine and lays out which reading belongs to which source, probe or fan."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ..store.errors import NoSensorsError, SettingsError
from ..store.records import Channel, Missing
from ..store.units import PROBE_QUANTITIES, QUANTITY_INDEX, SOURCE_QUANTITIES
from .lacks import find_lacks
from .layout import Layout, Place, ProbeLayout, SourceLayout
from .proposals import Proposal, propose
from .sensors.base import Reading, SensorGroup
from .sensors.kept_file import SYSTEM_FILES, FileDoor
from .sensors.nvml import NvmlLink, nvml_groups
from .sensors.swing import PROBE_PATIENCE, SOURCE_PATIENCE, LoadSwings
from .sensors.watched import WatchedGroup
from .shelves import Shelf, WholeShelf, first_readings, processor_packages, system_shelves

PROBE_PERIOD_S = 5.0  # air and fans change within tens of seconds
RATE_SPAN_S = 0.3  # long enough for a counter that is renewed every 100 ms


@dataclass(frozen=True, slots=True)
class Doors:
    """Where the hardware is reached; a test or a fake machine hands in its own.

    ``use_portable`` lets psutil stand in where there is neither hwmon nor a thermal zone.
    """

    sys_root: Path = Path("/sys")
    proc_root: Path = Path("/proc")
    nvml: NvmlLink | None = None
    use_portable: bool = True
    files: FileDoor = SYSTEM_FILES


@dataclass(frozen=True, slots=True)
class Overrides:
    """What the owner decides against the proposal; channels are named by key.

    ``sources`` maps a source to quantities to channels, ``probes`` a probe (or ``fanN``) to a channel. An
    empty channel key takes a proposed one away.
    """

    sources: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    probes: Mapping[str, str] = field(default_factory=dict)
    ignored: tuple[str, ...] = ()
    read_disks: bool = False


@dataclass(frozen=True, slots=True)
class Found:
    """One channel for the inventory: whose it is, what it says now, what one read of its group costs [µs]."""

    channel: Channel
    owner: str
    value: Reading
    cost_us: float


def discover(doors: Doors, overrides: Overrides = Overrides()) -> Layout:
    """Find everything and say who is who.

    Raises
    ------
    NoSensorsError
        No source has a temperature.
    SettingsError
        An override names a channel, a quantity or a source that does not exist.
    """
    shelves = system_shelves(doors.sys_root, doors.proc_root, doors.use_portable, doors.files)
    if doors.nvml is not None:
        shelves.extend(WholeShelf(g, "graphics") for g in nvml_groups(doors.nvml, doors.sys_root))
    channels = {channel.key: channel for shelf in shelves for channel in shelf.channels}
    try:
        readings = {key: value for shelf in shelves for key, value in first_readings(shelf).items()}
        packages = processor_packages(doors.sys_root)
        ignored = frozenset(_existing(overrides.ignored, channels, "ignored"))
        proposal = propose(shelves, packages, readings, overrides.read_disks, ignored)
        _override(proposal, overrides, channels)
        if not proposal.sources:
            raise NoSensorsError(
                "this machine shows no temperature of a processor or graphics card",
                remedy="`heatdrift run --fake laptop` shows the service on an invented machine",
            )
    except (NoSensorsError, SettingsError):
        for shelf in shelves:
            if isinstance(shelf, WholeShelf):
                shelf.whole.close()
        raise
    return _layout(shelves, proposal, channels, readings)


def inventory(layout: Layout, wait: Callable[[float], object] = time.sleep) -> list[Found]:
    """Read everything, also what belongs to nobody; drives that belong to nobody are left in peace.

    Parameters
    ----------
    layout
        What was discovered; a layout that the poller reads is not for this.
    wait
        Lets `RATE_SPAN_S` pass, after which groups with counters are read again.
    """
    owners: dict[tuple[int, int], str] = {}
    for source in layout.sources:
        for place in (*source.places, source.limit_reasons):
            if place is not None:
                owners[place.group, place.index] = source.name
    for probe in layout.probes:
        owners[probe.place.group, probe.place.index] = probe.name
    found = []
    for number, group in enumerate((*layout.groups, *layout.spare)):
        is_read = number < len(layout.groups) or not any(c.device for c in group.channels)
        readings, cost_us = _timed(group) if is_read else ([Missing.NOT_READ] * len(group.channels), 0.0)
        if Missing.FIRST_LOOK in readings:
            wait(RATE_SPAN_S)
            readings, cost_us = _timed(group)
        for index, (channel, reading) in enumerate(zip(group.channels, readings, strict=True)):
            owner = owners.get((number, index), "")
            found.append(Found(channel, owner, reading, cost_us))
    return found


def _timed(group: SensorGroup) -> tuple[Sequence[Reading], float]:
    began_s = time.perf_counter()
    readings = group.read(began_s)
    return readings, (time.perf_counter() - began_s) * 1e6


def _existing(keys: Sequence[str], channels: Mapping[str, Channel], where: str) -> Sequence[str]:
    for key in keys:
        if key not in channels:
            raise SettingsError(
                f"{where}: there is no channel {key!r} on this machine",
                remedy="`heatdrift sensors` lists the keys of all channels",
            )
    return keys


def _override(proposal: Proposal, overrides: Overrides, channels: Mapping[str, Channel]) -> None:
    for source, places in overrides.sources.items():
        own = proposal.sources.setdefault(source, {})
        for quantity, key in places.items():
            if quantity not in QUANTITY_INDEX:
                known = ", ".join(QUANTITY_INDEX)
                raise SettingsError(f"{source}: unknown quantity {quantity!r}", remedy=f"use one of {known}")
            own.pop(quantity, None)
            if key:
                _existing([key], channels, f"{source}.{quantity}")
                _must_measure(channels[key], quantity, f"{source}.{quantity}")
                own[quantity] = key
        if not own:
            del proposal.sources[source]
        elif "temperature_c" not in own:
            raise SettingsError(f"{source} has no temperature_c", remedy="name a channel for it")
    for name, key in overrides.probes.items():
        for place in [place for place in proposal.probes if place[0] == name]:
            del proposal.probes[place]
        if key:
            _existing([key], channels, name)
            own_quantity = channels[key].quantity
            quantity = own_quantity if own_quantity in PROBE_QUANTITIES else "temperature_c"
            _must_measure(channels[key], quantity, name)
            proposal.probes[name, quantity] = key


def _must_measure(channel: Channel, quantity: str, where: str) -> None:
    """Another place of the same unit is the owner's choice; another unit is a slip of the pen."""
    if channel.quantity.rpartition("_")[2] != quantity.rpartition("_")[2]:
        raise SettingsError(
            f"{where}: channel {channel.key!r} measures {channel.quantity}, not {quantity}",
            remedy="`heatdrift sensors` lists what each channel measures",
        )


def _layout(
    shelves: Sequence[Shelf],
    proposal: Proposal,
    channels: Mapping[str, Channel],
    readings: Mapping[str, Reading],
) -> Layout:
    fast = {key for places in proposal.sources.values() for key in places.values()}
    slow = set(proposal.probes.values()) - fast
    outdoor = frozenset(key for (name, _), key in proposal.probes.items() if name == "ambient")
    swings = LoadSwings()
    groups: list[SensorGroup] = []
    spare: list[SensorGroup] = []
    for shelf in shelves:
        keys = {channel.key for channel in shelf.channels}
        if isinstance(shelf, WholeShelf) or shelf.kind == "graphics":
            # A group without channels has facts to tell, or waits for a sleeping card to wake.
            is_used = not keys or bool(keys & (fast | slow)) or shelf.kind == "supply"
            (groups if is_used else spare).append(_watched(shelf, keys, 0.0, outdoor, swings))
            continue
        for some, period_s in ((keys & fast, 0.0), (keys & slow, PROBE_PERIOD_S)):
            if some:
                groups.append(_watched(shelf, some, period_s, outdoor, swings))
        if rest := keys - fast - slow:
            spare.append(shelf.group(rest, 0.0, frozenset()))
    places = {
        channel.key: Place(number, index)
        for number, group in enumerate(groups)
        for index, channel in enumerate(group.channels)
    }
    skipped = any(s.kind == "drive" and not any(c.key in places for c in s.channels) for s in shelves)
    first = {**readings, **_energy_readings(shelves)}
    return Layout(
        tuple(groups),
        tuple(_source(name, own, places) for name, own in sorted(proposal.sources.items())),
        tuple(ProbeLayout(n, q, places[key]) for (n, q), key in sorted(proposal.probes.items())),
        find_lacks(proposal, channels, first, skipped),
        tuple(spare),
    )


def _watched(
    shelf: Shelf, keys: set[str], period_s: float, outdoor: frozenset[str], swings: LoadSwings
) -> SensorGroup:
    group = shelf.group(keys, period_s, outdoor)
    if not group.channels:
        return group
    own = LoadSwings() if shelf.kind == "graphics" else swings
    return WatchedGroup(group, own, SOURCE_PATIENCE if period_s == 0.0 else PROBE_PATIENCE)


def _energy_readings(shelves: Sequence[Shelf]) -> dict[str, Reading]:
    """A peek at the processors' counters shows whether they may be read, and costs a baseline nothing."""
    energy = [
        s for s in shelves if isinstance(s, WholeShelf) and s.channels and s.channels[0].door == "powercap"
    ]
    return {s.channels[0].key: s.whole.peek(0.0)[0] for s in energy}


def _source(name: str, own: Mapping[str, str], places: Mapping[str, Place]) -> SourceLayout:
    reasons = own.get("limit_reasons")
    return SourceLayout(
        name,
        name.rstrip("0123456789"),
        tuple(places[own[q.name]] if q.name in own else None for q in SOURCE_QUANTITIES),
        None if reasons is None else places[reasons],
    )
