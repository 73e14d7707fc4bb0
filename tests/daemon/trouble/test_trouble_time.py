"""Clocks that are set and machines that sleep, under a running service."""

from __future__ import annotations

import pytest

from heatdrift.store.records import GapReason, Missing

from .rig import Rig

QUARANTINE_S = 60.0
WEEK_S = 7 * 86_400.0


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
def test_clock_set_by_an_hour(rig: Rig, step_s: float, caplog: pytest.LogCaptureFixture) -> None:
    """Set back, the next hour is dated like the one before: both are kept, and the gap says what happened."""
    caplog.set_level("INFO")
    rig.at(400.0, lambda: rig.clock.suspend(3300.0))  # so that an hour passes without a thousand looks
    rig.at(600.0, lambda: rig.clock.step_wall(step_s))
    assert rig.run(1200.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    assert rig.counter.n_looks > 120  # one each ten seconds at least: none was waited for
    twice = record.between("cpu0", 300.0, 400.0)["n_looks"].sum()
    assert (twice > 101) == (step_s < 0)  # under load one look each second: more were made in two turns
    sleep, gap = sorted(record.gaps, key=lambda gap: gap.reason is GapReason.CLOCK_STEP)
    assert (sleep.reason, gap.reason) == (GapReason.SUSPEND, GapReason.CLOCK_STEP)
    assert gap.to_utc_ms - gap.from_utc_ms == pytest.approx(3_600_000, abs=1)  # halves of a millisecond
    way = "forward" if step_s > 0 else "back"
    assert f"wall clock set {way} by 3600 s" in caplog.text


def test_resume_from_a_week_of_sleep(gpu_rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    rig = gpu_rig
    rig.at(300.0, lambda: rig.clock.suspend(WEEK_S))
    assert rig.run(700.0) == 0
    record = rig.record()
    (gap,) = record.gaps
    assert gap.reason is GapReason.SUSPEND
    assert (gap.to_utc_ms - gap.from_utc_ms) / 1000 == pytest.approx(
        WEEK_S, abs=10
    )  # a look each ten seconds
    resumed_s = 300.0 + WEEK_S
    for source in ("cpu0", "gpu0"):
        assert record.n_looks(source) == rig.counter.n_looks
        assert record.between(source, 301.0, resumed_s - 1).empty
        # Values of just after the resume are looked at and not believed, whatever they say.
        reasons = record.reasons(source, "temperature_c", resumed_s, resumed_s + QUARANTINE_S - 31)
        assert set(reasons) == {Missing.AFTER_RESUME}
        after = record.between(source, resumed_s + QUARANTINE_S + 31, resumed_s + 400)
        assert after["temperature_c"].notna().all()
        assert after["power_w"].notna().all()
    assert f"suspended for {WEEK_S:.0f} s; readings count again in 60 s" in caplog.text


def test_clock_of_1970_at_the_start(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    rig.clock.step_wall(-rig.machine.start_utc_ms / 1000)
    rig.at(100.0, lambda: rig.clock.step_wall(rig.machine.start_utc_ms / 1000))
    assert rig.run(400.0) == 0
    record = rig.record()
    assert record.sources["cpu0"].index.min() >= record.start_utc
    assert record.n_looks("cpu0") == rig.counter.n_looks > 0
    assert "nothing is recorded until it is set" in caplog.text
