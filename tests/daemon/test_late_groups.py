"""A group that was late: its own values go, counters of others are taken against the right time."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence

import pytest

from heatdrift.daemon.gather import LATE_S, Gatherer
from heatdrift.daemon.identity import IdentityWatch
from heatdrift.daemon.layout import Layout, Place, ProbeLayout
from heatdrift.daemon.sensors.base import Reading
from heatdrift.daemon.sensors.patience import Patience
from heatdrift.store.records import Channel, Missing


class PlayedGroup:
    """Says the time that it was asked for, after some work."""

    min_period_s = 0.0

    def __init__(self, name: str, work: Callable[[], object] = lambda: None) -> None:
        self.name = name
        self.channels = (Channel(name, "temperature_c", "hwmon"),)
        self.work = work

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        self.work()
        return (round(at_boot_s * 1000),)

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return (Missing.NOT_READ,)

    def facts(self) -> Mapping[str, str]:
        return {}

    def close(self) -> None:
        return


class Bench:
    """Three groups, of which the middle one takes as long as it is told."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.takes_s = 0.0
        groups = PlayedGroup("a"), PlayedGroup("b", self._work), PlayedGroup("c")
        probes = tuple(
            ProbeLayout(group.name, "temperature_c", Place(n, 0)) for n, group in enumerate(groups)
        )
        layout = Layout(groups, (), probes)
        self._gatherer = Gatherer(layout, lambda: self.now_s, lambda: self.now_s)

    def look(self) -> list[int | Missing]:
        look = self._gatherer.look(0, self.now_s)
        assert look.probes is not None and look.probe_reasons is not None
        return [
            Missing(reason) if value is None else value
            for value, reason in zip(look.probes, look.probe_reasons, strict=True)
        ]

    def _work(self) -> None:
        self.now_s += self.takes_s


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_a_little_lateness_is_no_matter(bench: Bench) -> None:
    assert bench.look() == [100_000] * 3


def test_those_after_a_slow_one_are_asked_for_the_time_that_it_is(bench: Bench) -> None:
    bench.takes_s = 0.8 * LATE_S
    assert bench.look() == [100_000, 100_000, 100_000 + 800 * LATE_S]


def test_one_that_held_up_the_look_is_doubted_twice_and_the_others_wait_for_the_next(bench: Bench) -> None:
    bench.takes_s = 10.0
    assert bench.look() == [100_000, Missing.TIMEOUT, Missing.NOT_READ]
    bench.takes_s = 0.0
    assert bench.look() == [110_000, Missing.FIRST_LOOK, 110_000]
    assert bench.look() == [110_000] * 3


def test_facts_that_never_come_cost_nobody_elses() -> None:
    """The controller of a battery that hangs must not stop the service once a minute."""
    over = threading.Event()

    class Hanging(PlayedGroup):
        def facts(self) -> Mapping[str, str]:
            over.wait(60.0)
            return {"ac": "battery"}

    class Quick(PlayedGroup):
        def facts(self) -> Mapping[str, str]:
            return {"bios": "1.2"}

    identity = IdentityWatch({})
    identity._patience = Patience(0.05)
    groups = Hanging("battery"), Quick("machine")
    assert [change.subject for change in identity.changes(groups, 0)] == ["bios"]
    assert identity.changes(groups, 60_000) == []
    over.set()
