"""Dead channels, fan glitches, stalls."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

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


RPM = 1000


def heard(*speeds_rpm: int) -> list[Reading]:
    """What comes through of one fan's readings, in rpm."""
    watch = FanWatch()
    passed = [watch.filtered(speed * RPM) for speed in speeds_rpm]
    return [speed // RPM if isinstance(speed, int) else speed for speed in passed]


def test_fan_that_stood_at_the_start_is_believed() -> None:
    """The jump from standstill waits for the next look; whatever follows is passed on at once."""
    assert heard(0, 0, 2400, 2500, 3000, 4700, 4650) == [0, 0, 0, 2500, 3000, 4700, 4650]


def test_fan_that_stops_and_starts_again_is_followed() -> None:
    assert heard(2000, 2000, 0, 0, 0, 2000, 2000) == [2000, 2000, 2000, 0, 0, 0, 2000]


def test_no_answer_of_the_controller_is_no_speed() -> None:
    lost = Missing.IMPLAUSIBLE
    assert heard(65_535, 1000, 65_535, 65_535, 1010) == [lost, 1000, lost, lost, 1010]


@pytest.mark.parametrize("spike_rpm", [2000, 5000, 8000, 8001, 14_000, 26_000])
@pytest.mark.parametrize("speed_rpm", [0, 1000])
def test_spike_of_one_look_does_not_come_through(speed_rpm: int, spike_rpm: int) -> None:
    course = [speed_rpm] * 3 + [spike_rpm] + [speed_rpm] * 3
    assert set(heard(*course)) <= {speed_rpm, Missing.IMPLAUSIBLE}


def test_speeds_that_a_standing_fan_cannot_have_are_refused_also_in_a_row() -> None:
    course = (0, 0, 26_000, 11_000, 8500, 19_000, 0, 26_000, 0, 26_000, 0, 26_000, 0)
    assert {speed for speed in heard(*course) if isinstance(speed, int)} == {0}


def test_fan_faster_than_any_usual_one_proves_itself_once() -> None:
    assert heard(15_000, 15_100, 15_000) == [Missing.FIRST_LOOK, 15_100, 15_000]
    lost = Missing.IMPLAUSIBLE
    assert heard(5000, 16_000, 16_100, 16_000, 5000, 5000, 16_000, 16_100) == [
        *(5000, lost, lost, 16_000),
        *(16_000, 5000, 5000, 16_100),  # learned: a jump like any other
    ]


def test_proof_of_a_faster_fan_makes_no_room_for_nonsense() -> None:
    assert heard(4000, 4000, 12_000, 12_100, 12_000, 24_000)[-1] is Missing.IMPLAUSIBLE


@given(
    st.lists(st.tuples(st.sampled_from([0, 1500, 2400, 3600, 5200, 7900]), st.integers(0, 300)), min_size=1),
    st.sampled_from([1, 5, 60]),
    st.floats(min_value=0.3, max_value=30.0),
    st.randoms(use_true_random=False),
)
def test_honest_fan_is_never_refused_and_at_most_one_look_late(
    orders: list[tuple[int, int]], period_s: int, ramp_s: float, rng: Random
) -> None:
    """Orders of a controller, the lag of a rotor, the jitter of a tachometer; looked at every so often."""
    speed_rpm, said = 0.0, []
    for order_rpm, n_seconds in orders:
        for _ in range(n_seconds + 1):
            speed_rpm += (order_rpm - speed_rpm) * -math.expm1(-1 / ramp_s)
            counted_rpm = speed_rpm * (1 + rng.uniform(-0.01, 0.01))
            said.append(round(counted_rpm) if counted_rpm > 300 else 0)  # a rotor this slow gives no pulses
    looks = said[::period_s]
    passed = heard(*looks)
    for index, speed in enumerate(passed):
        assert isinstance(speed, int)
        lately = looks[max(0, index - 2) : index + 1]
        assert speed in lately
        if len(lately) == 3 and lately == sorted(lately):
            assert speed in lately[1:]


def test_group_that_stalls_the_machine_is_left_alone_for_longer_and_longer() -> None:
    spoken = Spoken()
    now_s, cost_s, at_s = 0.0, 0.3, 0.0

    def stopwatch() -> float:
        nonlocal now_s
        now_s += cost_s
        return now_s

    def look(n_hours: int) -> int:
        """Reads that were made in so many hours, one look in six minutes."""
        nonlocal at_s
        before = spoken.n_reads
        for _ in range(10 * n_hours):
            group.read(at_s)
            at_s += 360.0
        return spoken.n_reads - before

    group = WatchedGroup(spoken, LoadSwings(), SOURCE_PATIENCE, stopwatch=stopwatch)
    assert look(1) == 5
    assert group.read(at_s) == [Missing.NOT_READ, Missing.NOT_READ]
    assert look(1) == 5  # asked again an hour later, and no better
    assert look(1) == 0
    cost_s = 0.01  # the load that made it slow is over
    assert look(1) == 2  # two hours after the last
    assert look(10) == 100
