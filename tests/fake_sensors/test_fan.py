"""A fan has memory: hysteresis, lag, wear."""

from __future__ import annotations

import math

import pytest

from heatdrift.fake_sensors.fan import Fan, FanLaw

LAW = FanLaw(
    rise_c=(50.0, 60.0, 70.0),
    hysteresis_k=5.0,
    level_shares=(0.0, 0.4, 0.7, 1.0),
    full_speed_rpm=5000.0,
    lag_s=2.0,
    smoothing_s=4.0,
)


def held(fan: Fan, temperature_c: float) -> float:
    """Speed after ten minutes at a temperature."""
    for _ in range(600):
        fan.step(1.0, temperature_c)
    return fan.share


def test_same_temperature_has_two_speeds() -> None:
    fan = Fan(LAW, 40.0)
    # 300 rotor time constants: only rounding is left.
    assert held(fan, 57.0) == pytest.approx(0.4)
    held(fan, 63.0)
    assert held(fan, 57.0) == pytest.approx(0.7)
    assert held(fan, 54.0) == pytest.approx(0.4)


def test_rotor_lags() -> None:
    fan = Fan(LAW, 100.0)
    fan.share = 0.0
    fan.step(2.0, 100.0)
    assert fan.share == pytest.approx(1.0 - math.exp(-1.0))  # one time constant, in closed form
    assert fan.speed_rpm == pytest.approx(5000.0 * fan.share)


def test_short_peak_does_not_raise_the_level() -> None:
    fan = Fan(LAW, 45.0)
    fan.step(1.0, 60.0)  # smoothed over 4 s it looks like 48.3
    assert fan.level == 0


def test_worn_fan_turns_slower_at_every_level() -> None:
    worn = Fan(LAW, 40.0)
    worn.wear_factor = 0.8
    assert held(worn, 65.0) == pytest.approx(0.7 * 0.8)
    assert held(worn, 80.0) == pytest.approx(0.8)


def test_speed_locked_fan_hides_wear_until_it_saturates() -> None:
    locked = Fan(
        FanLaw(LAW.rise_c, LAW.hysteresis_k, LAW.level_shares, 5000.0, 2.0, 4.0, is_speed_locked=True), 40.0
    )
    locked.wear_factor = 0.8
    assert held(locked, 65.0) == pytest.approx(0.7)
    assert held(locked, 80.0) == pytest.approx(0.8)
