"""Suspends and clock steps are told from slews and from a process that was merely put aside."""

from __future__ import annotations

import threading

import pytest

from heatdrift.daemon.clock import FastClock, JumpDetector, SystemClock, TurnableClock


def test_time_that_merely_passes_is_no_jump(clock: TurnableClock) -> None:
    detector = JumpDetector(clock)
    for seconds in (1.0, 10.0, 86_400.0):
        clock.turn(seconds)
        assert detector.look() is None


def test_suspend_is_what_the_monotonic_clock_missed(clock: TurnableClock) -> None:
    detector = JumpDetector(clock)
    clock.turn(10)
    clock.suspend(3600)
    jump = detector.look()
    assert jump is not None
    assert jump.suspended_s == pytest.approx(3600.0, abs=1e-6)  # float sums only
    assert jump.wall_step_s == 0.0
    assert detector.look() is None


@pytest.mark.parametrize("step_s", [-3600.0, -6.0, 6.0, 31_536_000.0])
def test_clock_step_is_told_with_its_sign(clock: TurnableClock, step_s: float) -> None:
    detector = JumpDetector(clock)
    clock.turn(10)
    clock.step_wall(step_s)
    jump = detector.look()
    assert jump is not None
    assert jump.suspended_s == 0.0
    assert jump.wall_step_s == pytest.approx(step_s, abs=0.002)  # wall is read in whole ms


def test_suspend_and_step_at_once_are_told_apart(clock: TurnableClock) -> None:
    """A laptop that wakes and corrects its clock at the same moment."""
    detector = JumpDetector(clock)
    clock.suspend(3600)
    clock.step_wall(-30)
    jump = detector.look()
    assert jump is not None
    assert jump.suspended_s == pytest.approx(3600, abs=1e-6)
    assert jump.wall_step_s == pytest.approx(-30, abs=0.002)


class InterruptedClock(TurnableClock):
    """Loses the processor for a while between reading one clock and the next."""

    interrupt_s = 0.0

    def wall_utc_ms(self) -> int:
        self.turn(self.interrupt_s)
        self.interrupt_s = 0.0
        return super().wall_utc_ms()


def test_process_put_aside_between_two_readings_is_no_jump() -> None:
    clock = InterruptedClock()
    detector = JumpDetector(clock)
    clock.interrupt_s = 30.0
    assert detector.look() is None


def test_fast_clock_runs_fast_and_waits_short() -> None:
    clock = FastClock(1e6, 1_767_225_600_000)
    before_s = clock.monotonic_s()
    assert not clock.wait(3600.0, threading.Event())  # 3.6 ms
    assert clock.monotonic_s() - before_s >= 3600.0
    assert clock.boot_s() >= before_s
    assert clock.wall_utc_ms() >= 1_767_225_600_000 + 3_600_000


def test_waiting_ends_when_told_to_stop() -> None:
    stop = threading.Event()
    stop.set()
    assert SystemClock().wait(3600.0, stop)


def test_boot_identity_is_stable() -> None:
    assert SystemClock().boot_id() == SystemClock().boot_id() != ""
