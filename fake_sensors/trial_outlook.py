"""When a creeping world of the blind trial really reaches a temperature at given room and power."""

from __future__ import annotations

import math
import statistics

from .ageing import STEP_MODES, Ageing, FaultMode
from .fan import FanLaw
from .stack import Stack
from .trial_truth import true_fault
from .trial_worlds import World, stack_of

FARTHEST_DAYS = 3650.0
CLOSE_DAYS = 0.01
MOST_LEVELS = 100  # fans have at most fifteen


def days_to_limit(
    world: World, source: str, *, limit_c: float, ambient_c: float, power_w: float
) -> float | None:
    """How long after the end of the record a source reaches its limit, if all goes on as it does.

    The room is held, the power is the one that the meter shows, and the fan turns as fast as it did at that
    power when the machine was new: so the whole path is quoted. The case warms up as it does.

    Parameters
    ----------
    source
        On a sink of its own: on a shared one its neighbour decides how fast the fan turns.
    limit_c, ambient_c, power_w
        Limit and room [°C], power as shown [W].

    Returns
    -------
    float
        Days; infinite where the limit is not reached within ten years; None where the truth has no answer:
        nothing creeps there, or the sink is shared.
    """
    fault, values = true_fault(world), stack_of(world.values, source)
    if fault is None or fault.mode in STEP_MODES or fault.mode is FaultMode.FAN_WEAR:
        return None
    if fault.source not in ("", source) or len(values.chips) > 1:
        return None
    speed_share = usual_speed(world, source, ambient_c, power_w)

    def reached(ahead_days: float) -> bool:
        day = world.days + ahead_days
        return temperature_c(world, source, day, (ambient_c, power_w, speed_share)) >= limit_c

    if reached(0.0):
        return 0.0
    if not reached(FARTHEST_DAYS):
        return math.inf
    early, late = 0.0, FARTHEST_DAYS
    while late - early > CLOSE_DAYS:
        middle = (early + late) / 2.0
        early, late = (early, middle) if reached(middle) else (middle, late)
    return late


def temperature_c(world: World, source: str, day: float, conditions: tuple[float, float, float]) -> float:
    """Settled temperature of a source [°C] on a day [days since the start].

    Parameters
    ----------
    conditions
        Room [°C], power as shown [W], fan speed as a share of full speed.
    """
    ambient_c, power_w, speed_share = conditions
    stack = Stack(stack_of(world.values, source), ambient_c)
    stack.age(Ageing(world.faults), day)
    (chip,) = stack.chips
    true_w = power_w / chip.meter_factor
    plate_w = true_w * (chip.values.aside_share + chip.values.memory_aside_share * _memory_level(world))
    air_c = ambient_c + world.values.surroundings.case_resistance_k_per_w * true_w
    return stack.path.settled_c([true_w - plate_w, plate_w, 0.0], speed_share, air_c)[0]


def usual_speed(world: World, source: str, ambient_c: float, power_w: float) -> float:
    """Share of full speed at which the fan of a new machine comes to rest, started from cold."""
    law: FanLaw = stack_of(world.values, source).fan
    level = 0
    for _ in range(MOST_LEVELS):
        die_c = temperature_c(world, source, 0.0, (ambient_c, power_w, law.level_shares[level]))
        if level == len(law.rise_c) or die_c <= law.rise_c[level]:
            break
        level += 1
    return law.level_shares[level]


def _memory_level(world: World) -> float:
    return statistics.fmean(task.memory_level for task in world.values.habits.tasks)
