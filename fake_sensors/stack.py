"""One sink with the chips on it and the fan that cools it, stepped together."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from .ageing import Ageing
from .chip import Chip, ChipValues
from .fan import Fan, FanLaw
from .heat_path import HeatPath, PathValues, SinkValues
from .workload import Segment

METER_S = 1.0  # a driver's power reading is the mean of the last second


@dataclass(frozen=True, slots=True)
class StackValues:
    """What a stack is made of, when new; ``chips`` and ``paths`` in the same order."""

    chips: tuple[ChipValues, ...]
    paths: tuple[PathValues, ...]
    sink: SinkValues
    fan: FanLaw


class PowerMeter:
    """What the meter of a chip says: an energy counter, and the mean of the last second.

    Attributes
    ----------
    energy_j
        Counted since the start [J], on the meter's own scale.
    mean_w
        Mean power of the last second [W].
    """

    __slots__ = ("_recent", "energy_j", "mean_w")

    def __init__(self) -> None:
        self.energy_j = 0.0
        self.mean_w = 0.0
        self._recent: list[tuple[float, float]] | None = []  # None: one power for all of the last second

    def add(self, seconds: float, power_w: float) -> None:
        """Take a stretch of constant power."""
        self.energy_j += seconds * power_w
        if seconds >= METER_S:
            self.mean_w = power_w
            self._recent = None
            return
        if self._recent is None:
            self._recent = [(METER_S, self.mean_w)]
        self._recent.append((seconds, power_w))
        energy_j, left_s, kept = 0.0, METER_S, len(self._recent)
        while kept and left_s > 1e-9:
            kept -= 1
            used_s = min(left_s, self._recent[kept][0])
            energy_j += used_s * self._recent[kept][1]
            left_s -= used_s
        del self._recent[:kept]
        self.mean_w = energy_j / (METER_S - left_s)


class Stack:
    """Chips, heat path and fan of one sink.

    Attributes
    ----------
    path, fan, chips, meters
        The parts; `meters` in the order of `chips`.
    offsets_k
        What each temperature sensor says too much [K].
    power_limited_s
        Seconds for which the power limit held each clock down.
    """

    def __init__(self, values: StackValues, air_c: float) -> None:
        self.values = values
        self.path = HeatPath(values.paths, values.sink, air_c)
        self.fan = Fan(values.fan, air_c)
        self.chips = tuple(Chip(chip) for chip in values.chips)
        self.meters = tuple(PowerMeter() for _ in values.chips)
        self.offsets_k = [0.0] * len(values.chips)
        self.power_limited_s = [0.0] * len(values.chips)
        self._flicker = [0.0] * len(values.chips)
        self._mixes: dict[tuple[float, float], tuple[float, float]] = {}

    @property
    def power_w(self) -> float:
        """True power of all chips now [W]."""
        return sum(chip.power_w for chip in self.chips)

    def step(self, seconds: float, segment: Segment, air_c: float, normals: Iterator[float]) -> None:
        """Let ``seconds`` pass under the work of a segment.

        Parameters
        ----------
        seconds
            Length [s].
        segment
            The work.
        air_c
            Air at the inlet [°C].
        normals
            Standard normal deviates, endless; one is taken for each chip.
        """
        mix = self._mixes.get((seconds, segment.flicker_s))
        if mix is None:
            mix = self._mix(seconds, segment.flicker_s)
        keep, fresh = mix
        temperatures_c = self.path.temperatures_c
        heat_w: list[float] = []
        hottest_c = air_c
        for index, chip in enumerate(self.chips):
            swing = self._flicker[index] * keep + fresh * next(normals)
            self._flicker[index] = swing
            level = segment.gpu_level if chip.is_gpu else segment.cpu_level
            factor = 1.0 + segment.flicker * swing
            die_c = temperatures_c[2 * index]
            chip.step(seconds, level * factor if factor > 0.0 else 0.0, segment.memory_level, die_c)
            heat_w += (chip.die_w, chip.plate_w)
            if chip.is_power_limited:
                self.power_limited_s[index] += seconds
            self.meters[index].add(seconds, chip.power_w * chip.meter_factor)
            hottest_c = max(hottest_c, die_c)
        heat_w.append(0.0)
        self.path.step(seconds, heat_w, self.fan.step(seconds, hottest_c), air_c)

    def cool(self, seconds: float, air_c: float) -> None:
        """Let ``seconds`` pass switched off: no heat, no fan, no counting."""
        for chip in self.chips:
            chip.rest()
        self.fan.share = 0.0
        self.path.step(seconds, [0.0] * len(self.path.temperatures_c), 0.0, air_c)

    def age(self, ageing: Ageing, age_days: float) -> None:
        """Let the truth be what it is at an age [days]."""
        interfaces: dict[str, float] = {}
        effects = [ageing.effects(chip.values.source, age_days) for chip in self.chips]
        for index, (chip, path, effect) in enumerate(
            zip(self.chips, self.values.paths, effects, strict=True)
        ):
            interfaces[path.source] = path.interface_resistance_k_per_w * effect.interface_factor
            chip.meter_factor = chip.values.power_scale * effect.power_factor
            self.offsets_k[index] = effect.temperature_offset_k
        # One sink and one fan: a fault named after any source on it strikes it once.
        airflow = max((effect.airflow_factor for effect in effects), key=lambda factor: abs(factor - 1.0))
        self.path.change(interfaces, self.values.sink.flow_resistance_k_per_w * airflow)
        self.fan.wear_factor = min(effect.fan_factor for effect in effects)

    def _mix(self, seconds: float, flicker_s: float) -> tuple[float, float]:
        keep = math.exp(-seconds / flicker_s)
        mix = self._mixes[seconds, flicker_s] = keep, math.sqrt(1.0 - keep * keep)
        return mix


def sources_of(stacks: Sequence[Stack]) -> list[tuple[Stack, int]]:
    """Every chip of some stacks with its place, processors first as the daemon orders them."""
    found = [(stack, index) for stack in stacks for index in range(len(stack.chips))]
    return sorted(found, key=lambda place: place[0].chips[place[1]].values.source)
