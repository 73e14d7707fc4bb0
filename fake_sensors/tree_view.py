"""One look at a fake machine, as the files of a tree take their values from it."""

from __future__ import annotations

from collections.abc import Callable

from ..store.units import QUANTITY_INDEX
from .chip import Chip
from .looks import Looker
from .machine import FakeMachine
from .stack import PowerMeter


class TreeView:
    """What the sensors of a machine said at the last look.

    Attributes
    ----------
    machine
        The machine.
    sleeps
        Its GPU suspends whenever it has nothing to do.
    probes
        What each probe said [thousandths].
    """

    def __init__(self, machine: FakeMachine, sleeps: bool) -> None:
        self.machine = machine
        self.sleeps = sleeps
        self.probes: dict[str, int] = {}
        self._looker = Looker(machine)
        self._places = dict(zip(self._looker.source_names, machine.places, strict=True))
        self._values: dict[str, tuple[int | None, ...]] = {}
        self.limit_reasons: dict[str, int] = {}
        self.look()

    @property
    def is_gpu_asleep(self) -> bool:
        """Whether the GPU is suspended now."""
        return self.sleeps and not self.chip("gpu0").is_busy

    def look(self) -> None:
        """Look again."""
        look = self._looker.look()
        for name, source in zip(self._looker.source_names, look.sources, strict=True):
            self._values[name] = source.values
            self.limit_reasons[name] = source.limit_reasons or 0
        probes = self._looker.probe_values()
        for (name, _), value in zip(self._looker.probe_names, probes, strict=True):
            self.probes[name] = value or 0

    def chip(self, source: str) -> Chip:
        """The chip of a source."""
        stack, index = self._places[source]
        return stack.chips[index]

    def meter(self, source: str) -> PowerMeter:
        """The power meter of a source."""
        stack, index = self._places[source]
        return stack.meters[index]

    def power_limited_s(self, source: str) -> float:
        """For how long the power limit has held the clock of a source down [s]."""
        stack, index = self._places[source]
        return stack.power_limited_s[index]

    def asked_speed_share(self, source: str) -> float:
        """What the fan of a source is asked for, as a share of full speed."""
        return self._places[source][0].fan.asked_share

    def said(self, source: str, quantity: str) -> int | None:
        """What a source said [thousandths], None where it has no such sensor."""
        return self._values[source][QUANTITY_INDEX[quantity]]

    def value(self, source: str, quantity: str) -> Callable[[], int]:
        """A function that gives what a source that has this sensor said last [thousandths]."""
        index = QUANTITY_INDEX[quantity]
        return lambda: self._values[source][index] or 0
