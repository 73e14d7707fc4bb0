"""The room has seasons, days, weather with a memory, a heating and heatwaves."""

from __future__ import annotations

from statistics import correlation, fmean, pstdev

import pytest

from heatdrift.fake_sensors.climate import DAY_S, HOUR_S, Climate, ClimateValues, Heatwave

JANUARY_S = 1_767_225_600.0  # 2026-01-01T00:00:00Z
STILL = ClimateValues(mean_c=23.0, season_k=4.0, day_k=1.0, weather_k=0.0, heated_c=0.0)


def room(values: ClimateValues, days: float, hour: float = 12.0) -> float:
    return Climate(values, "seed", JANUARY_S).room_c(days * DAY_S + hour * HOUR_S)


def test_summer_is_warmer_by_twice_the_amplitude() -> None:
    # Half a year apart but for a day, in which a cosine near its ends hardly moves: 0.001 K.
    assert room(STILL, 201.0) - room(STILL, 19.0) == pytest.approx(8.0, abs=0.01)


def test_afternoon_is_warmer_than_night() -> None:
    # Twelve hours apart; the season moves some hundredths of a kelvin meanwhile.
    assert room(STILL, 100.0, 16.0) - room(STILL, 100.0, 4.0) == pytest.approx(2.0, abs=0.1)


def test_heating_holds_a_floor() -> None:
    values = ClimateValues(mean_c=10.0, season_k=3.0, weather_k=1.0, heated_c=20.0)
    climate = Climate(values, "seed", JANUARY_S)
    temperatures = [climate.room_c(hour * HOUR_S) for hour in range(240)]
    assert min(temperatures) >= 19.75 and max(temperatures) <= 20.25  # the thermostat's swing


def test_weather_remembers_for_days() -> None:
    values = ClimateValues(season_k=0.0, day_k=0.0, weather_k=1.5, weather_days=3.0, heated_c=-100.0)
    climate = Climate(values, "seed", JANUARY_S)
    hourly = [climate.room_c(hour * HOUR_S) for hour in range(24 * 2000)]
    # 2000 days hold some 330 independent stretches of six days: errors of 4 % and 0.05, taken threefold.
    assert pstdev(hourly) == pytest.approx(1.5, rel=0.12)
    assert fmean(hourly) == pytest.approx(values.mean_c, abs=0.25)
    assert correlation(hourly[: -24 * 3], hourly[24 * 3 :]) == pytest.approx(0.37, abs=0.15)


def test_heatwave_comes_and_goes() -> None:
    wave = ClimateValues(
        mean_c=23.0,
        season_k=4.0,
        day_k=1.0,
        weather_k=0.0,
        heated_c=0.0,
        heatwaves=(Heatwave(50.0, 5.0, 6.0),),
    )
    extra = [room(wave, day) - room(STILL, day) for day in (49.0, 50.0, 54.0, 55.0)]
    assert extra == pytest.approx([0.0, 6.0, 6.0, 0.0])  # last bits


def test_later_look_does_not_change_earlier_weather() -> None:
    once, twice = (Climate(ClimateValues(), "seed", JANUARY_S) for _ in range(2))
    twice.room_c(300 * DAY_S)
    assert once.room_c(DAY_S) == twice.room_c(DAY_S)
