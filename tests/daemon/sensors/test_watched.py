"""Dead channels, fan glitches, stalls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from heatdrift.daemon.sensors.base import Reading
from heatdrift.daemon.sensors.swing import SOURCE_PATIENCE, LoadSwings, StuckWatch
from heatdrift.daemon.sensors.watched import FanWatch, WatchedGroup
from heatdrift.store.records import Channel, Missing


class Spoken:
    """A group that says what it is told."""

    name, min_period_s = "spoken", 0.0
    channels = (Channel("t", "temperature_c", "test"), Channel("u", "utilization_pct", "test"))

    def __init__(self) -> None:
        self.words: list[Reading] = [40_000, 0]
        self.n_reads = 0

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        self.n_reads += 1
        return list(self.words)

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return list(self.words)

    def facts(self) -> Mapping[str, str]:
        return {}

    def close(self) -> None:
        return


def swing(group: WatchedGroup, spoken: Spoken, start_s: int) -> Reading:
    """One minute idle, one minute of load; returns the last temperature."""
    last: Reading = Missing.NOT_READ
    for second in range(120):
        spoken.words[1] = 2_000 if second < 60 else 95_000
        last = group.read(float(start_s + second))[0]
    return last


def test_channel_that_sleeps_through_swings_is_stuck() -> None:
    spoken = Spoken()
    group = WatchedGroup(spoken, LoadSwings(), SOURCE_PATIENCE)
    assert [swing(group, spoken, 120 * n) for n in range(3)] == [40_000, 40_000, Missing.STUCK]
    spoken.words[0] = 41_000
    assert group.read(1000.0)[0] == 41_000  # one movement proves it alive


def test_steady_value_without_swings_is_believed() -> None:
    spoken = Spoken()
    spoken.words[1] = 95_000
    group = WatchedGroup(spoken, LoadSwings(), SOURCE_PATIENCE)
    assert all(group.read(float(second))[0] == 40_000 for second in range(5000))


def test_probe_may_rest_for_a_day() -> None:
    swings = LoadSwings()
    watch = StuckWatch(swings, 10, 86_400.0)
    assert not watch.is_stuck(27_800, 0.0)
    swings.count = 50
    assert not watch.is_stuck(27_800, 86_399.0)
    assert watch.is_stuck(27_800, 86_400.0)


def test_short_spikes_are_no_swings() -> None:
    swings = LoadSwings()
    for second in range(1000):
        swings.note(90_000 if second % 20 == 0 else 1_000, float(second))
    assert swings.count == 0


def test_fan_glitches_do_not_come_through() -> None:
    watch = FanWatch()
    said = [1_000_000, 1_010_000, 990_000, 65_535_000, 2_000_000, 1_000_000, 26_000_000, 1_005_000]
    passed = [watch.filtered(speed) for speed in said]
    assert passed[3] is Missing.IMPLAUSIBLE
    assert passed[4] is Missing.IMPLAUSIBLE
    assert passed[6] is Missing.IMPLAUSIBLE
    speeds = [speed for speed in passed if isinstance(speed, int)]
    assert max(speeds) <= 1_010_000


def test_fan_that_really_speeds_up_is_believed_after_five_reads() -> None:
    watch = FanWatch()
    for _ in range(5):
        watch.filtered(1_000_000)
    passed = [watch.filtered(3_000_000 + n) for n in range(8)]
    assert passed[:4] == [Missing.IMPLAUSIBLE] * 4
    assert all(isinstance(speed, int) and speed >= 3_000_000 for speed in passed[4:])


def test_fan_that_stops_is_seen_to_stop() -> None:
    watch = FanWatch()
    for _ in range(5):
        watch.filtered(1_000_000)
    assert [watch.filtered(0) for _ in range(3)] == [1_000_000, 0, 0]


def test_group_that_stalls_the_machine_is_left_alone() -> None:
    spoken = Spoken()
    ticks = iter(n * 0.3 for n in range(100))  # every read takes 0.3 s
    group = WatchedGroup(spoken, LoadSwings(), SOURCE_PATIENCE, stopwatch=lambda: next(ticks))
    for second in range(10):
        last = group.read(float(second))
    assert last == [Missing.NOT_READ, Missing.NOT_READ]
    assert spoken.n_reads == 5
