"""What the owner does: contiguous, varied, as much as was asked for."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import pytest

from heatdrift.fake_sensors.workload import DAY_S, Segment, Workload, demonstration, draw_habits

HABITS = draw_habits(random.Random(1), load_hours_a_day=4.0)
QUIET = ("idle", "blip", "off")


def life(days: float, seed: str = "seed", **changes: object) -> list[Segment]:
    segments = Workload(replace(HABITS, **changes), seed).segments()  # type: ignore[arg-type]
    return list(itertools.takewhile(lambda segment: segment.end_s < days * DAY_S, segments))


def lengths_s(segments: list[Segment]) -> list[float]:
    ends = [0.0, *(segment.end_s for segment in segments)]
    return [later - earlier for earlier, later in itertools.pairwise(ends)]


def test_segments_follow_each_other_on_the_grain_of_time() -> None:
    segments = life(20.0)
    assert min(lengths_s(segments)) > 0.05
    # A tenth of a second, to the last bits of a moment some million seconds large.
    assert all(abs(segment.end_s * 10 - round(segment.end_s * 10)) < 1e-6 for segment in segments)


def test_load_is_what_was_asked_for_and_differs_by_day() -> None:
    segments = life(200.0)
    days: dict[int, float] = {}
    for segment, length_s in zip(segments, lengths_s(segments), strict=True):
        if segment.name not in QUIET:
            day = int(segment.end_s // DAY_S)
            days[day] = days.get(day, 0.0) + length_s / 3600
    # Days scatter by 45 %: 200 of them by 3 % in the mean, taken threefold, and short ends are cut.
    assert sum(days.values()) / 200 == pytest.approx(4.0, rel=0.15)
    assert max(days.values()) > 1.5 * min(days.values())


def test_same_seed_same_life() -> None:
    assert life(10.0) == life(10.0)
    assert life(10.0) != life(10.0, seed="other")


def test_new_habits_begin_on_their_day() -> None:
    later = (replace(HABITS.tasks[0], name="new"),)
    segments = life(20.0, later_tasks=later, change_day=10.0)
    names = [(segment.end_s / DAY_S, segment.name) for segment in segments if segment.name not in QUIET]
    assert {name for day, name in names if day > 11} == {"new"}
    assert "new" not in {name for day, name in names if day < 10}


def test_off_at_night_is_off_from_one_to_seven() -> None:
    segments = life(30.0, is_off_at_night=True)
    for segment, length_s in zip(segments, lengths_s(segments), strict=True):
        if segment.is_off:
            assert segment.end_s % DAY_S == pytest.approx(7 * 3600.0)
            assert length_s <= 6 * 3600.0 + 0.1
    assert sum(segment.is_off for segment in segments) >= 29


def test_demonstration_steps_within_minutes() -> None:
    segments = list(itertools.islice(demonstration(HABITS.tasks, "seed"), 6))
    assert segments[0].end_s <= 60.0
    assert segments[-1].end_s < 15 * 60.0
    assert sum(segment.name not in QUIET for segment in segments) >= 2


def test_absences_are_off_and_the_rest_of_the_life_stays_as_it_was() -> None:
    absences = ((2.3, 0.05), (4.0, 3.0))
    whole, broken = life(12.0), life(12.0, absences=absences)
    assert min(lengths_s(broken)) > 0.05
    for day, days in absences:
        (off,) = [one for one in broken if one.is_off and one.end_s == pytest.approx((day + days) * DAY_S)]
        begin_s = max(one.end_s for one in broken if one.end_s < off.end_s)
        assert begin_s == pytest.approx(day * DAY_S, abs=0.1)  # the grain of time
    late = [one for one in whole if one.end_s > 7.1 * DAY_S]
    assert broken[-len(late) :] == late
