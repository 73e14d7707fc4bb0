"""A fan that follows a temperature in levels: hysteresis, lag, a tachometer, and wear."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FanLaw:
    """How a fan is driven.

    Attributes
    ----------
    rise_c
        Level i + 1 is entered above ``rise_c[i]`` [°C], ascending.
    hysteresis_k
        And left that much below [K].
    level_shares
        Speed at each level as a share of full speed; one more than ``rise_c``.
    full_speed_rpm
        Full speed [rpm] of a new fan.
    lag_s, smoothing_s
        Time constants of the rotor and of the temperature that the controller sees [s].
    is_speed_locked
        The controller holds the asked speed by itself: wear shows only where the motor gives all it has.
    """

    rise_c: tuple[float, ...]
    hysteresis_k: float
    level_shares: tuple[float, ...]
    full_speed_rpm: float
    lag_s: float
    smoothing_s: float
    is_speed_locked: bool = False


class Fan:
    """One fan, or several that turn together.

    Attributes
    ----------
    level
        Level asked for.
    share
        Speed now, as a share of the full speed of a new fan.
    wear_factor
        What is left of the speed that a new fan reaches with the same drive.
    """

    __slots__ = ("_seen_c", "_shares", "law", "level", "share", "wear_factor")

    def __init__(self, law: FanLaw, temperature_c: float) -> None:
        self.law = law
        self.level = 0
        self.wear_factor = 1.0
        self._seen_c = temperature_c
        self.share = law.level_shares[0]
        self._shares: dict[float, tuple[float, float]] = {}

    @property
    def speed_rpm(self) -> float:
        """What a tachometer would count [rpm]."""
        return self.share * self.law.full_speed_rpm

    @property
    def asked_share(self) -> float:
        """What the controller wants, as a share of full speed."""
        return self.law.level_shares[self.level]

    def step(self, seconds: float, temperature_c: float) -> float:
        """Let ``seconds`` pass at a temperature [°C]; returns the speed share reached."""
        kept = self._shares.get(seconds)
        if kept is None:
            law = self.law
            kept = math.exp(-seconds / law.smoothing_s), math.exp(-seconds / law.lag_s)
            self._shares[seconds] = kept
        seen_c = temperature_c + (self._seen_c - temperature_c) * kept[0]
        self._seen_c = seen_c
        rise_c, level = self.law.rise_c, self.level
        while level < len(rise_c) and seen_c > rise_c[level]:
            level += 1
        while level and seen_c < rise_c[level - 1] - self.law.hysteresis_k:
            level -= 1
        self.level = level
        asked = self.law.level_shares[level]
        wear = self.wear_factor
        reached = (asked if asked < wear else wear) if self.law.is_speed_locked else asked * wear
        self.share = reached + (self.share - reached) * kept[1]
        return self.share
