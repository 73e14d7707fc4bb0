"""The loop's tick: pace, places, gaps, quarantine."""

from __future__ import annotations

import logging
from collections.abc import Callable

import pytest

from heatdrift.daemon.cadence import CadenceSettings
from heatdrift.daemon.clock import TurnableClock
from heatdrift.daemon.identity import IdentityWatch
from heatdrift.daemon.poller import Harvest, Poller
from heatdrift.store.records import Cadence, GapReason, IdentityChange, Missing, unpack_missing
from heatdrift.store.units import POWER, TEMPERATURE

from .conftest import HandMadeComputer

START_MS = 1_767_225_600_000
WEEK_S = 7 * 86_400.0


@pytest.fixture
def poller(clock: TurnableClock, computer: HandMadeComputer) -> Poller:
    return new_poller(clock, computer)


def new_poller(
    clock: TurnableClock, computer: HandMadeComputer, stopwatch: Callable[[], float] = lambda: 0.0
) -> Poller:
    return Poller(computer.layout(), clock, CadenceSettings(), IdentityWatch({}), stopwatch=stopwatch)


def run(poller: Poller, clock: TurnableClock, seconds: float) -> None:
    end_s = clock.monotonic_s() + seconds
    while poller.due_s < end_s:
        clock.turn(max(0.0, poller.due_s - clock.monotonic_s()))
        poller.tick()
    clock.turn(max(0.0, end_s - clock.monotonic_s()))


def finish(poller: Poller) -> Harvest:
    return poller.finish()


def test_idle_looks_every_ten_seconds_and_peeks_every_second(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer
) -> None:
    run(poller, clock, 100)
    assert poller.n_looks == computer.card.n_reads == 10
    assert computer.card.n_peeks == 90
    assert computer.case.n_peeks == 0  # it says nothing about load
    assert computer.case.n_reads == 2  # it wants a minute between reads


def test_lateness_does_not_add_up(poller: Poller, clock: TurnableClock, computer: HandMadeComputer) -> None:
    def slow_power(_boot_s: float) -> float:
        clock.turn(0.2)  # each read takes that long
        return 10.0

    computer.card.power_w = slow_power
    run(poller, clock, 3600)
    assert poller.n_looks == 360
    assert finish(poller).gaps == []


def test_step_from_idle_is_met_within_a_second(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer
) -> None:
    step_s = clock.boot_s() + 304.5
    computer.card.power_w = lambda boot_s: 90.0 if boot_s >= step_s else 10.0
    run(poller, clock, 500)
    kept = [r.time_utc_ms - START_MS for r in finish(poller).sources if r.cadence == Cadence.STEP]
    assert kept[:3] == [300_000, 305_000, 306_000]
    assert kept[-1] == 365_000
    assert len(kept) == 1 + 61


def test_readings_find_their_places(poller: Poller, clock: TurnableClock) -> None:
    run(poller, clock, 60)
    harvest = finish(poller)
    assert harvest.sources[0].values[TEMPERATURE] == 34_000
    assert harvest.sources[0].values[POWER] == 10_000
    reasons = unpack_missing(harvest.sources[0].missing_reasons)
    assert reasons[TEMPERATURE] is None
    assert reasons[TEMPERATURE + 1] is Missing.NOT_EXPOSED
    assert [(p.probe, p.value) for p in harvest.probes] == [("ambient", 34_000)]


def test_week_of_suspend_is_a_gap_and_a_minute_of_distrust(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    run(poller, clock, 95)
    clock.suspend(WEEK_S)
    run(poller, clock, 200)
    harvest = finish(poller)
    (gap,) = harvest.gaps
    assert gap.reason is GapReason.SUSPEND
    assert gap.from_utc_ms - START_MS == 90_000  # the last look before
    assert gap.to_utc_ms - gap.from_utc_ms == pytest.approx(WEEK_S * 1000, abs=10_000)  # a look's period
    after = [row for row in harvest.sources if row.time_utc_ms > gap.to_utc_ms]
    distrusted = [r for r in after if unpack_missing(r.missing_reasons)[POWER] is Missing.AFTER_RESUME]
    assert distrusted
    assert all(row.values[POWER] is None for row in distrusted)
    assert sum(row.n_looks for row in distrusted) == 6
    assert all(row.values[POWER] == 10_000 for row in after if row not in distrusted)
    assert not any(row.time_utc_ms in range(gap.from_utc_ms + 1, gap.to_utc_ms) for row in harvest.sources)
    assert [record.message for record in caplog.records] == [
        "suspended for 604800 s; readings count again in 60 s"
    ]
    assert poller.has_jumped


@pytest.mark.parametrize("step_s", [-3600.0, 31_536_000.0])
def test_clock_step_is_a_gap_and_loses_no_look(poller: Poller, clock: TurnableClock, step_s: float) -> None:
    run(poller, clock, 600)
    clock.step_wall(step_s)
    run(poller, clock, 600)
    harvest = finish(poller)
    (gap,) = harvest.gaps
    assert gap.reason is GapReason.CLOCK_STEP
    assert gap.to_utc_ms - gap.from_utc_ms == abs(step_s) * 1000
    assert sum(row.n_looks for row in harvest.sources) == poller.n_looks >= 120
    assert all(row.values[POWER] == 10_000 for row in harvest.sources)
    times = {row.time_utc_ms for row in harvest.sources}
    assert min(times) >= START_MS + min(0, step_s) * 1000


def test_slewed_clock_is_no_step(poller: Poller, clock: TurnableClock) -> None:
    for _ in range(200):
        run(poller, clock, 10)
        clock.step_wall(0.05)  # 5000 ppm, ten times what NTP slews by
    assert finish(poller).gaps == []


def test_silence_while_awake_is_an_overload(
    poller: Poller, clock: TurnableClock, caplog: pytest.LogCaptureFixture
) -> None:
    run(poller, clock, 95)
    clock.turn(20)
    run(poller, clock, 100)
    (gap,) = finish(poller).gaps
    assert gap.reason is GapReason.OVERLOAD
    assert (gap.from_utc_ms - START_MS, gap.to_utc_ms - START_MS) == (90_000, 115_000)
    assert "though the machine was awake" in caplog.text


def test_long_silence_is_distrusted_like_a_resume(poller: Poller, clock: TurnableClock) -> None:
    """On some kernels the monotonic clock runs on in suspend."""
    run(poller, clock, 95)
    clock.turn(7200)
    run(poller, clock, 30)
    last = finish(poller).sources[-1]
    assert unpack_missing(last.missing_reasons)[POWER] is Missing.AFTER_RESUME


def test_sleeping_source_is_a_gap_of_its_own(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer
) -> None:
    run(poller, clock, 95)
    computer.card.missing = Missing.ASLEEP
    run(poller, clock, 300)
    computer.card.missing = None
    run(poller, clock, 100)
    harvest = finish(poller)
    (gap,) = harvest.gaps
    assert (gap.reason, gap.source) == (GapReason.ASLEEP, "gpu0")
    assert (gap.from_utc_ms - START_MS, gap.to_utc_ms - START_MS) == (100_000, 400_000)
    asleep = [r for r in harvest.sources if unpack_missing(r.missing_reasons)[POWER] is Missing.ASLEEP]
    # Four whole minutes; the means at 60 s and at 360 s hold looks from both sides.
    assert sum(row.n_looks for row in asleep) == 24


def test_sleep_that_spans_a_clock_step_is_told_in_two_pieces(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer
) -> None:
    computer.card.missing = Missing.ASLEEP
    run(poller, clock, 95)
    clock.step_wall(3600)
    run(poller, clock, 100)
    computer.card.missing = None
    run(poller, clock, 20)
    asleep = [gap for gap in finish(poller).gaps if gap.reason is GapReason.ASLEEP]
    spans = [((gap.from_utc_ms - START_MS) / 1000, (gap.to_utc_ms - START_MS) / 1000) for gap in asleep]
    assert spans == [(0, 95), (3695, 3795)]


def test_source_that_nobody_has_met_yet_is_a_gap_too(
    clock: TurnableClock, computer: HandMadeComputer
) -> None:
    poller = Poller(computer.layout(), clock, CadenceSettings(), IdentityWatch({}), unmet=("gpu1",))
    run(poller, clock, 300)
    (gap,) = finish(poller).gaps
    assert (gap.reason, gap.source) == (GapReason.ASLEEP, "gpu1")
    assert (gap.from_utc_ms - START_MS, gap.to_utc_ms - START_MS) == (0, 290_000)


def test_lost_reading_is_told_once_and_its_return_once(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    run(poller, clock, 100)
    computer.card.missing = Missing.VANISHED
    run(poller, clock, 3600)
    assert poller.health.has_vanished
    computer.card.missing = None
    run(poller, clock, 100)
    told = [record.message for record in caplog.records if "temperature_c" in record.message]
    assert told == [
        "gpu0 temperature_c, power_w, enforced_limit_w: lost (the device or its file is gone); "
        "empty until it returns",
        "gpu0 temperature_c, power_w, enforced_limit_w: back",
    ]


def test_single_failure_is_no_news(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer, caplog: pytest.LogCaptureFixture
) -> None:
    run(poller, clock, 100)
    computer.card.missing = Missing.READ_ERROR
    run(poller, clock, 10)
    computer.card.missing = None
    run(poller, clock, 100)
    assert caplog.text == ""


def test_fault_in_one_group_costs_no_other(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer, caplog: pytest.LogCaptureFixture
) -> None:
    computer.card.error = ZeroDivisionError("division by zero")
    run(poller, clock, 600)
    harvest = finish(poller)
    assert {unpack_missing(r.missing_reasons)[POWER] for r in harvest.sources} == {Missing.READ_ERROR}
    assert all(probe.value == 34_000 for probe in harvest.probes)
    assert caplog.text.count("card: cannot be read") == 1


def test_absurd_power_of_a_card_is_no_reading(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer
) -> None:
    computer.card.power_w = lambda _boot_s: 752.0  # on a limit of 100 W
    run(poller, clock, 60)
    harvest = finish(poller)
    assert harvest.sources[0].values[POWER] is None
    assert unpack_missing(harvest.sources[0].missing_reasons)[POWER] is Missing.IMPLAUSIBLE


def test_slow_group_is_left_in_peace(clock: TurnableClock, computer: HandMadeComputer) -> None:
    spent_s = 0.0

    def stopwatch() -> float:
        nonlocal spent_s
        spent_s += 0.2  # each read is timed by two calls: 200 ms, as an embedded controller takes
        return spent_s

    poller = new_poller(clock, computer, stopwatch)
    run(poller, clock, 620)
    # Three looks to find out, the last at 20 s; then one each minute until 560 s.
    assert computer.card.n_reads == 3 + 9
    assert computer.card.n_peeks < 30


def test_facts_become_rows_only_when_they_change(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer
) -> None:
    computer.card.known_facts = {"nvidia_driver": "570.1"}
    run(poller, clock, 200)
    computer.card.known_facts = {"nvidia_driver": "580.2"}
    run(poller, clock, 200)
    changes = finish(poller).changes
    assert [(c.before, c.after) for c in changes] == [(None, "570.1"), ("570.1", "580.2")]
    assert isinstance(changes[0], IdentityChange)
    assert changes[1].at_utc_ms - START_MS == 240_000  # asked once a minute
