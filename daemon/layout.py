"""Which reading belongs to which source: what discovery proposes and the poller follows."""

from __future__ import annotations

from dataclasses import dataclass

from ..store.records import Channel
from .sensors.base import SensorGroup


@dataclass(frozen=True, slots=True)
class Place:
    """Where a reading is found: the group, and the position in what the group returns."""

    group: int
    index: int


@dataclass(frozen=True, slots=True)
class SourceLayout:
    """A part that makes heat, and where each of its quantities is read.

    ``places`` has one entry for each of `SOURCE_QUANTITIES`, None where there is no sensor.
    """

    name: str  # "gpu0", "cpu0", "vrm0"
    kind: str  # "gpu", "cpu", "vrm"
    places: tuple[Place | None, ...]
    limit_reasons: Place | None = None


@dataclass(frozen=True, slots=True)
class ProbeLayout:
    """A temperature that is no source, or a fan."""

    name: str  # "ambient", "board", "ssd0", "fan1"
    quantity: str
    place: Place


@dataclass(frozen=True, slots=True)
class Lack:
    """Something this machine does not show, and what that costs the verdict."""

    what: str
    cost: str
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Layout:
    """All groups, and who is who among their channels.

    ``spare`` holds what was found and belongs to nobody: shown in an inventory, never read by the poller.
    """

    groups: tuple[SensorGroup, ...]
    sources: tuple[SourceLayout, ...]
    probes: tuple[ProbeLayout, ...]
    lacks: tuple[Lack, ...] = ()
    spare: tuple[SensorGroup, ...] = ()

    def channel(self, place: Place) -> Channel:
        """The channel at a place."""
        return self.groups[place.group].channels[place.index]

    def close(self) -> None:
        """Close every group."""
        for group in (*self.groups, *self.spare):
            group.close()
