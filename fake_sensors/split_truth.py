"""What a perfect reader of a fake machine's sensors would find: the truth that fits are held against.

The interface part of a step, as sensors can show it, is not the resistance of the compound alone: the die
answers through the whole network, a share of the power heats the plate instead, more of it where memory is
busy, and the meter has a scale of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

from .chip import ChipValues
from .machine import FakeMachine

SLOWEST_INTERFACE_S = 3.0  # the same edge by which the interface part is defined


@dataclass(frozen=True, slots=True)
class Work:
    """One side of a load step: power as the meter says it [W], share of the time in which memory is busy."""

    shown_w: float
    memory_level: float = 0.0


def interface_truth_k_per_w(machine: FakeMachine, source: str, before: Work, after: Work) -> float:
    """Sum of the resistances with time constants below 3 s, per watt that the meter shows [K/W].

    Parameters
    ----------
    machine
        As it is now: its ageing counts.
    source
        Name of the source.
    before, after
        Power and memory on either side of the step.
    """
    stack, index = next(
        (stack, index) for stack, index in machine.places if stack.chips[index].values.source == source
    )
    chip = stack.chips[index]
    die, plate = 2 * index, 2 * index + 1
    answers = [stack.path.answer(1.0, die, heated) for heated in (die, plate)]
    parts = [sum(part for seconds, part in answer if seconds < SLOWEST_INTERFACE_S) for answer in answers]
    change_w = after.shown_w - before.shown_w
    plate_w = _aside(chip.values, after) - _aside(chip.values, before)
    return (parts[0] * (change_w - plate_w) + parts[1] * plate_w) / change_w / chip.meter_factor


def interface_seconds(machine: FakeMachine, source: str) -> float:
    """Time constant that carries most of the interface part [s]."""
    stack, index = next(
        (stack, index) for stack, index in machine.places if stack.chips[index].values.source == source
    )
    fast = [part for part in stack.path.answer(1.0, 2 * index, 2 * index) if part[0] < SLOWEST_INTERFACE_S]
    return max(fast, key=lambda part: part[1])[0]


def _aside(values: ChipValues, work: Work) -> float:
    """Power that heats the plate rather than the die, on the meter's scale [W]."""
    return work.shown_w * (values.aside_share + values.memory_aside_share * work.memory_level)
