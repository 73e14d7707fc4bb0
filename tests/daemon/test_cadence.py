"""What is kept of the looks: each one exactly once, steps at full density, means elsewhere."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable

from hypothesis import given, settings
from hypothesis import strategies as st

from heatdrift.daemon.cadence import CadenceKeeper, CadenceSettings, Look, SourceLook
from heatdrift.store.records import Cadence, Missing, ProbeSample, SourceSample, unpack_missing
from heatdrift.store.units import POWER, SOURCE_QUANTITIES, TEMPERATURE, UTILIZATION

START_MS = 1_767_225_600_000
LIMIT_W = 100
LIMIT_AT = len(SOURCE_QUANTITIES) - 1
NOT_EXPOSED = Missing.NOT_EXPOSED.value


def source_look(
    power_w: float | None, *, temperature_c: float | None = 50.0, utilization_pct: float | None = None
) -> SourceLook:
    values: list[int | None] = [None] * len(SOURCE_QUANTITIES)
    for place, value in ((TEMPERATURE, temperature_c), (POWER, power_w), (UTILIZATION, utilization_pct)):
        values[place] = None if value is None else round(value * 1000)
    values[LIMIT_AT] = LIMIT_W * 1000
    missing = sum(NOT_EXPOSED << (4 * i) for i, value in enumerate(values) if value is None)
    return SourceLook(tuple(values), 0, missing)


def look(at_s: float, *powers_w: float | None) -> Look:
    return Look(START_MS + round(at_s * 1000), tuple(source_look(p) for p in powers_w), (20_000,), (0,))


def keeper(n_sources: int = 1, **changes: float) -> CadenceKeeper:
    names = [f"gpu{i}" for i in range(n_sources)]
    return CadenceKeeper(names, [("ambient", "temperature_c")], CadenceSettings(**changes))


def watch(
    subject: CadenceKeeper, powers: Callable[[float], Iterable[float]], until_s: float, from_s: float = 0.0
) -> tuple[list[SourceSample], list[ProbeSample]]:
    """Look and peek as the poller does: at the keeper's own pace."""
    at_s, due_s = from_s, from_s
    while at_s < until_s:
        now = list(powers(at_s))
        if at_s >= due_s or subject.notices([round(p * 1000) for p in now]):
            subject.add(look(at_s, *now))
            due_s = at_s + subject.look_period_s
        at_s += 1.0
    subject.close_open()
    return subject.take()


def seconds(rows: Iterable[SourceSample], cadence: Cadence) -> list[float]:
    return [(row.time_utc_ms - START_MS) / 1000 for row in rows if row.cadence == cadence]


def test_step_from_idle_keeps_every_second_for_a_minute() -> None:
    rows, _ = watch(keeper(), lambda t: [90.0 if t >= 303 else 10.0], 500)
    kept = seconds(rows, Cadence.STEP)
    # Looks at idle are 10 s apart: the one at 300 s is the only look in the 10 s before the step at 303 s.
    assert kept == [300.0, *[float(s) for s in range(303, 364)]]


def test_step_under_load_keeps_ten_seconds_before() -> None:
    rows, _ = watch(keeper(), lambda t: [90.0 if t >= 403 else 50.0 if t >= 100 else 10.0], 600)
    kept = [s for s in seconds(rows, Cadence.STEP) if s > 200]
    assert kept == [float(s) for s in range(393, 464)]


def test_fall_is_a_step_too_and_load_is_left_after_a_hold() -> None:
    subject = keeper()
    rows, _ = watch(subject, lambda t: [90.0 if 100 <= t < 400 else 10.0], 900)
    kept = [s for s in seconds(rows, Cadence.STEP) if s > 200]
    assert kept == [float(s) for s in range(390, 461)]
    assert seconds(rows, Cadence.LOAD)
    assert max(seconds(rows, Cadence.LOAD)) < 400
    assert subject.n_steps == 2


def test_means_span_five_seconds_under_load_and_a_minute_at_idle() -> None:
    rows, _ = watch(keeper(), lambda t: [90.0 if t >= 600 else 10.0], 1000)
    idle = [row for row in rows if row.cadence == Cadence.IDLE]
    load = [row for row in rows if row.cadence == Cadence.LOAD]
    # Six looks fill a minute at idle, five fill a mean under load; only the last before a change is shorter.
    assert {row.n_looks for row in idle[:-1]} == {6}
    assert {row.n_looks for row in load[:-1]} == {5}
    assert (load[0].time_utc_ms - START_MS) / 1000 == 663.0  # mean moment of 661..665 s


def test_jitter_of_the_timer_makes_no_longer_means() -> None:
    rng = random.Random(5)
    subject = keeper()
    for at_s in range(300):
        subject.add(look(at_s + rng.uniform(0.0, 0.02), 90.0 + at_s % 2))
    subject.close_open()
    rows, _ = subject.take()
    assert {row.n_looks for row in rows if row.cadence == Cadence.LOAD} == {5}


def test_one_source_keeps_all_at_full_density() -> None:
    rows, probes = watch(keeper(2), lambda t: [90.0 if t >= 303 else 10.0, 12.0], 500)
    by_source = {name: [r for r in rows if r.source == name] for name in ("gpu0", "gpu1")}
    assert seconds(by_source["gpu0"], Cadence.STEP) == seconds(by_source["gpu1"], Cadence.STEP)
    assert len(probes) == len(by_source["gpu0"])


def test_spikes_of_one_look_are_neither_step_nor_load() -> None:
    rows, _ = watch(keeper(), lambda t: [90.0 if t % 97 == 0 and t else 10.0], 3000)
    assert {row.cadence for row in rows} == {Cadence.IDLE}


def test_noisy_work_is_kept_as_means() -> None:
    rng = random.Random(3)
    subject = keeper()
    watch(subject, lambda t: [70.0 + rng.gauss(0, 12.0)], 4000)
    # The thresholds lie beyond 4 sigma (1 in 30,000) of what 4,000 looks at steady noise can show.
    assert subject.n_steps <= 1


def test_steps_without_end_are_bounded_by_the_hour() -> None:
    subject = keeper(max_steps_per_hour=4.0)
    rows, _ = watch(subject, lambda t: [90.0 if int(t / 150) % 2 else 30.0], 4 * 3600)
    # Full at the start and 4 more in each of 4 hours; 10 s before to 60 s after, both ends kept.
    assert subject.n_steps <= 4 + 4 * 4
    assert subject.n_steps_refused > 0
    assert len(seconds(rows, Cadence.STEP)) <= subject.n_steps * 71


def test_steps_are_seen_in_utilization_where_there_is_no_power() -> None:
    subject = keeper()
    for at_s in range(200):
        busy = source_look(None, utilization_pct=95.0 if at_s >= 100 else 3.0)
        subject.add(Look(START_MS + at_s * 1000, (busy,), None, None))
    subject.close_open()
    rows, probes = subject.take()
    assert seconds(rows, Cadence.STEP)[0] == 90.0
    assert subject.trigger_quantities == (UTILIZATION,)
    assert probes == []


def test_power_is_followed_as_soon_as_it_is_had() -> None:
    """A counter of energy says nothing at its first look, though utilisation is there."""
    subject = keeper()
    for at_s in range(5):
        power_w = None if at_s == 0 else 10.0
        one = source_look(power_w, utilization_pct=3.0)
        subject.add(Look(START_MS + at_s * 1000, (one,), None, None))
        assert subject.trigger_quantities == ((UTILIZATION,) if at_s == 0 else (POWER,))


def test_utilization_takes_over_when_power_is_gone_for_good() -> None:
    subject = keeper()
    for at_s in range(60):
        one = source_look(10.0 if at_s < 10 or at_s == 20 else None, utilization_pct=3.0)
        subject.add(Look(START_MS + at_s * 1000, (one,), None, None))
        if at_s < 50:  # thirty looks in a row without it begin at 21 s
            assert subject.trigger_quantities == (POWER,)
    assert subject.trigger_quantities == (UTILIZATION,)


def test_mean_keeps_the_reason_of_what_was_never_had() -> None:
    subject = keeper()
    values = source_look(10.0, temperature_c=None)
    for at_s in range(0, 60, 10):
        subject.add(
            Look(START_MS + at_s * 1000, (values._replace(limit_reasons=1 << at_s // 10),), None, None)
        )
    subject.close_open()
    (row,), _ = subject.take()
    assert row.values[TEMPERATURE] is None
    assert unpack_missing(row.missing_reasons)[TEMPERATURE] is Missing.NOT_EXPOSED
    assert row.values[POWER] == 10_000
    assert unpack_missing(row.missing_reasons)[POWER] is None
    assert row.limit_reasons == 0b111111


def test_mean_takes_a_quantity_from_the_looks_that_had_it() -> None:
    subject = keeper()
    for at_s, temperature_c in ((0, 40.0), (10, None), (20, 50.0)):
        one = source_look(10.0, temperature_c=temperature_c)
        subject.add(Look(START_MS + at_s * 1000, (one,), None, None))
    subject.close_open()
    (row,), _ = subject.take()
    assert row.values[TEMPERATURE] == 45_000
    assert row.missing_reasons & (15 << 4 * TEMPERATURE) == 0


def test_probe_that_was_not_due_gives_no_row_and_a_broken_one_its_reason() -> None:
    subject = CadenceKeeper(["cpu0"], [("ssd0", "temperature_c"), ("fan1", "speed_rpm")])
    reasons = (Missing.NOT_READ.value, Missing.READ_ERROR.value)
    subject.add(Look(START_MS, (source_look(5.0),), (None, None), reasons))
    subject.close_open()
    _, probes = subject.take()
    assert probes == [ProbeSample(START_MS, "fan1", "speed_rpm", None, Missing.READ_ERROR.value)]


def test_nothing_is_averaged_across_a_gap() -> None:
    subject = keeper()
    for at_s in (0, 10, 45, 55):  # 35 s without a look, above the 30 s that a mean may bridge
        subject.add(look(at_s, 10.0))
    subject.close_open()
    rows, _ = subject.take()
    assert [((r.time_utc_ms - START_MS) / 1000, r.n_looks) for r in rows] == [(5.0, 2), (50.0, 2)]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([1, 1, 1, 10, 10, 40, 700, -50]), st.sampled_from([5.0, 30.0, 60.0, 95.0])),
        min_size=1,
        max_size=120,
    ),
    st.integers(min_value=1, max_value=9),
)
def test_every_look_is_in_exactly_one_row(course: list[tuple[int, float]], repeats: int) -> None:
    """Each look has its own temperature, so that the sums over rows tell a lost look from a doubled one."""
    subject = keeper(before_step_s=10.0)
    at_s, given_looks = 0.0, 0
    rows: list[SourceSample] = []
    for wait_s, power_w in course:
        for _ in range(repeats):
            at_s += wait_s
            given_looks += 1
            subject.add(Look(START_MS + round(at_s * 1000), (source_look(power_w),), None, None))
        rows += subject.take()[0]
    subject.close_open()
    rows += subject.take()[0]
    assert sum(row.n_looks for row in rows) == given_looks
