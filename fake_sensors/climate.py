"""The room: season, day, weather that lasts for days, heating, heatwaves."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

DAY_S = 86_400.0
YEAR_S = 365.2425 * DAY_S
HOUR_S = 3600.0
HOTTEST_DAY = 201.0  # about three weeks after the solstice, common practice for the northern middle latitudes
HOTTEST_HOUR = 16.0


@dataclass(frozen=True, slots=True)
class Heatwave:
    """A hot stretch: first day and length [days since the start], and by how much above the season [K]."""

    from_day: float
    days: float
    extra_k: float


@dataclass(frozen=True, slots=True)
class ClimateValues:
    """What a room is like.

    Attributes
    ----------
    mean_c
        Yearly mean of the room [°C].
    season_k, day_k, weather_k
        Amplitude of the year and of the day, standard deviation of the weather, as felt indoors [K].
    weather_days
        Time over which weather forgets itself [days].
    heated_c
        The heating keeps the room from falling below [°C].
    heatwaves
        Hot stretches.
    """

    mean_c: float = 22.0
    season_k: float = 3.0
    day_k: float = 1.0
    weather_k: float = 1.2
    weather_days: float = 3.0
    heated_c: float = 19.0
    heatwaves: tuple[Heatwave, ...] = ()


class Climate:
    """Room temperature over time; the same seed gives the same weather.

    Parameters
    ----------
    values
        What the room is like.
    seed
        Seed of the weather.
    start_utc_s
        Start [s since 1970]; decides the season. Local time is taken as UTC.
    """

    def __init__(self, values: ClimateValues, seed: str, start_utc_s: float) -> None:
        self.values = values
        self._start_utc_s = start_utc_s
        self._rng = random.Random(f"{seed}/weather")  # noqa: S311 - a simulation, no secret
        self._memory = math.exp(-HOUR_S / (values.weather_days * DAY_S))
        self._hourly_k = [self._rng.gauss(0.0, values.weather_k)]

    def room_c(self, elapsed_s: float) -> float:
        """Temperature of the room [°C], ``elapsed_s`` after the start."""
        values = self.values
        utc_s = self._start_utc_s + elapsed_s
        year = math.cos(2 * math.pi * (utc_s % YEAR_S - HOTTEST_DAY * DAY_S) / YEAR_S)
        day = math.cos(2 * math.pi * (utc_s % DAY_S - HOTTEST_HOUR * HOUR_S) / DAY_S)
        free_c = values.mean_c + values.season_k * year + values.day_k * day + self._weather_k(elapsed_s)
        for wave in values.heatwaves:
            if wave.from_day <= elapsed_s / DAY_S < wave.from_day + wave.days:
                free_c += wave.extra_k
        # A thermostat swings half a kelvin with the day around what it holds.
        return max(free_c, values.heated_c + 0.25 * day)

    def _weather_k(self, elapsed_s: float) -> float:
        hour, rest = divmod(elapsed_s / HOUR_S, 1.0)
        index = int(hour)
        fresh = self.values.weather_k * math.sqrt(1.0 - self._memory**2)
        while len(self._hourly_k) < index + 2:
            self._hourly_k.append(self._memory * self._hourly_k[-1] + self._rng.gauss(0.0, fresh))
        return self._hourly_k[index] * (1.0 - rest) + self._hourly_k[index + 1] * rest
