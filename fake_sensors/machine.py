"""A computer that does not exist: room, work, chips, sinks and fans, with its truth in the open."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from .ageing import Ageing, Fault
from .blueprint import MachineValues, draw_machine
from .climate import Climate
from .stack import Stack, sources_of
from .workload import Segment, Task, Workload, demonstration

START_UTC_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
TENTHS = 10
TENTH_MS = 1000 // TENTHS
LOAD_STEP_TENTHS = 10
IDLE_STEP_TENTHS = 100
OFF_STEP_TENTHS = 600
REFRESH_TENTHS = 60 * TENTHS  # the room moves by hundredths of a kelvin in a minute
AGE_S = 6 * 3600.0  # ageing in steps of six hours: the fastest creep moves 0.1 % in one
DAY_S = 86_400.0
SSD_S = 200.0
SSD_WORK_K = 9.0  # what a disk gains while work is loaded from it
NORMALS_BLOCK = 2048


@dataclass(frozen=True, slots=True)
class SourceTruth:
    """One source as it is: die temperature [°C], power [W], resistances now [K/W], errors of its sensors."""

    temperature_c: float
    power_w: float
    interface_resistance_k_per_w: float
    spread_resistance_k_per_w: float
    airflow_resistance_k_per_w: float
    power_scale: float
    temperature_offset_k: float


@dataclass(frozen=True, slots=True)
class Truth:
    """The machine as it is: room and inlet air [°C], sources, and each sink's share of fan speed and wear."""

    time_utc_ms: int
    room_c: float
    air_c: float
    sources: dict[str, SourceTruth]
    fan_shares: tuple[float, ...]
    fan_wear: tuple[float, ...]
    work: str


class FakeMachine:
    """A machine whose time passes when it is told so.

    Parameters
    ----------
    values
        What it is made of.
    seed
        Seed of weather, work and noise.
    start_utc_ms
        When its time begins [ms since 1970].
    faults
        What will go wrong.
    segments
        Work; from the owner's habits where None.

    Attributes
    ----------
    stacks, places
        Sinks; and every source as (stack, index), in the daemon's order.
    time_utc_ms
        Its wall clock [ms since 1970].
    segment
        The work going on.
    is_off
        Asleep or switched off: nothing can be read.
    ssd_c
        Temperature of the disk [°C].
    """

    def __init__(
        self,
        values: MachineValues,
        seed: int,
        start_utc_ms: int = START_UTC_MS,
        faults: Sequence[Fault] = (),
        segments: Iterator[Segment] | None = None,
    ) -> None:
        key = f"{values.kind}/{seed}"
        self.values = values
        self.start_utc_ms = self.time_utc_ms = start_utc_ms
        self._climate = Climate(values.climate, key, start_utc_ms / 1000)
        self._ageing = Ageing(tuple(faults))
        self.room_c = self._climate.room_c(0.0)
        self._case_rise_k = 0.0
        self.ssd_c = self.room_c
        self.stacks = tuple(Stack(stack, self.room_c) for stack in values.stacks)
        self.places = tuple(sources_of(self.stacks))
        if segments is None:
            start_hour = (start_utc_ms / 1000 % DAY_S) / 3600
            segments = Workload(values.habits, key, start_hour).segments()
        self._segments = segments
        self._tenths = 0
        self._segment_end = self._refresh_at = 0
        self._age_at_s = 0.0
        self._owed_s = 0.0
        self._longest_step = IDLE_STEP_TENTHS
        self.segment = Segment(0.0, "idle", 0.0, 0.0, 0.0, 0.0, 1.0)
        self.is_off = False
        self._seconds = [tenths / TENTHS for tenths in range(OFF_STEP_TENTHS + 1)]
        self._lags: dict[int, tuple[float, float]] = {}
        self._normals = normals(seed, 1)
        self.sensor_normals = normals(seed, 2)  # apart, so that looking does not change what is seen

    @classmethod
    def of(
        cls,
        kind: str,
        seed: int = 1,
        *,
        start_utc_ms: int = START_UTC_MS,
        faults: Sequence[Fault] = (),
        load_hours_a_day: float | None = None,
    ) -> FakeMachine:
        """A machine drawn by seed, with its owner's habits; arguments as in `draw_machine` and the class."""
        return cls(draw_machine(kind, seed, load_hours_a_day), seed, start_utc_ms, faults)

    @classmethod
    def shown(cls, kind: str, seed: int = 1, *, start_utc_ms: int = START_UTC_MS) -> FakeMachine:
        """A machine drawn by seed that shows load steps within its first minutes, and goes on so."""
        values = draw_machine(kind, seed)
        tasks: tuple[Task, ...] = values.habits.tasks
        return cls(values, seed, start_utc_ms, segments=demonstration(tasks, f"{kind}/{seed}"))

    @property
    def elapsed_s(self) -> float:
        """Seconds since its time began."""
        return self._tenths / TENTHS

    @property
    def air_c(self) -> float:
        """Air at the inlets [°C]."""
        return self.room_c + self._case_rise_k

    @property
    def until_change_s(self) -> float:
        """How long the work stays as it is [s]."""
        return (self._segment_end - self._tenths) / TENTHS

    def advance(self, seconds: float) -> None:
        """Let time pass; what is finer than a tenth of a second waits for the next call."""
        owed = (seconds + self._owed_s) * TENTHS
        tenths = int(owed + 1e-6)
        self._owed_s = (owed - tenths) / TENTHS
        target = self._tenths + tenths
        while self._tenths < target:
            if self._tenths >= self._refresh_at:
                self._refresh()
            while self._tenths >= self._segment_end:
                self._begin_segment(next(self._segments))
            self._step(min(self._longest_step, target - self._tenths, self._segment_end - self._tenths))

    def truth(self) -> Truth:
        """What is really so now."""
        sources: dict[str, SourceTruth] = {}
        for stack, index in self.places:
            chip, path = stack.chips[index], stack.path.paths[index]
            sources[path.source] = SourceTruth(
                temperature_c=stack.path.temperatures_c[2 * index],
                power_w=chip.power_w,
                interface_resistance_k_per_w=path.interface_resistance_k_per_w,
                spread_resistance_k_per_w=path.spread_resistance_k_per_w,
                airflow_resistance_k_per_w=stack.path.airflow_resistance_k_per_w(stack.fan.share),
                power_scale=chip.meter_factor,
                temperature_offset_k=stack.offsets_k[index],
            )
        return Truth(
            self.time_utc_ms,
            self.room_c,
            self.air_c,
            sources,
            tuple(stack.fan.share for stack in self.stacks),
            tuple(stack.fan.wear_factor for stack in self.stacks),
            self.segment.name,
        )

    def _begin_segment(self, segment: Segment) -> None:
        self.segment, self.is_off = segment, segment.is_off
        self._segment_end = round(segment.end_s * TENTHS)
        if segment.is_off:
            self._longest_step = OFF_STEP_TENTHS
        else:
            self._longest_step = IDLE_STEP_TENTHS if segment.name == "idle" else LOAD_STEP_TENTHS

    def _step(self, tenths: int) -> None:
        seconds = self._seconds[tenths]
        segment = self.segment
        air_c = self.room_c + self._case_rise_k
        power_w = 0.0
        for stack in self.stacks:
            if segment.is_off:
                stack.cool(seconds, air_c)
            else:
                stack.step(seconds, segment, air_c, self._normals)
            for chip in stack.chips:
                power_w += chip.power_w
        self._tenths += tenths
        self.time_utc_ms += tenths * TENTH_MS
        lags = self._lags.get(tenths)
        if lags is None:
            case_s = self.values.surroundings.case_s
            lags = self._lags[tenths] = 1 - math.exp(-seconds / case_s), 1 - math.exp(-seconds / SSD_S)
        surroundings = self.values.surroundings
        self._case_rise_k += (surroundings.case_resistance_k_per_w * power_w - self._case_rise_k) * lags[0]
        ssd_c = air_c
        if surroundings.ssd_offset_k is not None and not segment.is_off:
            ssd_c += surroundings.ssd_offset_k + SSD_WORK_K * segment.memory_level
        self.ssd_c += (ssd_c - self.ssd_c) * lags[1]

    def _refresh(self) -> None:
        """Let room and ageing catch up; done at least once a minute, and where a fault begins."""
        now_s = self.elapsed_s
        self.room_c = self._climate.room_c(now_s)
        if now_s >= self._age_at_s:
            for stack in self.stacks:
                stack.age(self._ageing, now_s / DAY_S)
            onset_s = self._ageing.next_onset_day(now_s / DAY_S) * DAY_S
            self._age_at_s = min(now_s + AGE_S, max(onset_s, now_s + 0.1))
        self._refresh_at = self._tenths + REFRESH_TENTHS


def normals(seed: int, stream: int) -> Iterator[float]:
    """Standard normal deviates without end, the same for the same seed and stream."""
    rng = np.random.default_rng([seed, stream])
    return itertools.chain.from_iterable(iter(lambda: rng.standard_normal(NORMALS_BLOCK).tolist(), None))
