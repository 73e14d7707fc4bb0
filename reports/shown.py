"""What a source shows against its baseline: the signs that causes are held against."""

from __future__ import annotations

import math
from dataclasses import dataclass

STEP_SHARE = 0.5  # of the wander of temperatures within the days of a step (simulated machines: a third)


@dataclass(frozen=True, slots=True)
class Shift:
    """A change and its standard error, in logarithms, or in kelvin for temperatures.

    Attributes
    ----------
    holds_wander
        Whether the error already holds what a healthy path wanders by, as that of a detected change does.
    is_step
        Whether it came within days, in which no healthy machine wanders as far as over a season.
    """

    value: float
    standard_error: float
    holds_wander: bool = False
    is_step: bool = False

    def error_with(self, systematic: float) -> float:
        """Its standard error with what a healthy path wanders by, which counts once."""
        if self.is_step:
            return max(self.standard_error, STEP_SHARE * systematic)
        if self.holds_wander:
            return max(self.standard_error, systematic)
        return math.hypot(self.standard_error, systematic)


@dataclass(frozen=True, slots=True)
class Signs:
    """What one source shows against its baseline; None for what was not had.

    Attributes
    ----------
    interface, airflow
        Log ratios.
    idle_k
        Idle temperature above a probe [K].
    apart_k
        Temperature against that of a neighbour on the same sink, at like powers [K].
    fan
        Log ratio of its counted speed at the same heat.
    idle_rise_k, load_rise_k
        How far idle and load were above the air in the baseline [K].
    interface_share
        Of the interface part in the rise under load.
    slower
        Logarithm by which the die answers slower than it did; no reading of power or temperature can do that.
    log_creep_odds
        Logarithm of the odds that the change creeps, against one step.
    joint_apart_k, scale_apart_k
        By how much the interface part, and all that a watt does to the difference, hold the two apart [K].
    is_fan_read
        Whether the airflow part is held at the speed of its fan.
    is_air_read
        Whether another thermometer told the air; where the source's own idle did, its offset shows at idle
        alone.
    """

    interface: Shift | None
    airflow: Shift | None
    idle_k: Shift | None
    fan: Shift | None
    idle_rise_k: float
    load_rise_k: float
    interface_share: float
    slower: Shift | None = None
    is_air_read: bool = True
    log_creep_odds: float = 0.0
    apart_k: Shift | None = None
    joint_apart_k: float = 0.0
    scale_apart_k: float = 0.0
    is_fan_read: bool = True
