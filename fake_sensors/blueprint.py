"""Invents machines: what a laptop or a desktop is made of, widely different from seed to seed.

Resistances are drawn as the rise that they cause at the power limit, because that is what makers design for;
the ranges are common practice, no source.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from .chip import ChipValues
from .climate import ClimateValues
from .fan import FanLaw
from .heat_path import PathValues, SinkValues
from .stack import StackValues
from .workload import Habits, draw_habits

KINDS = ("laptop", "desktop")


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Probes that are no source, and the air inside the case.

    Attributes
    ----------
    ambient_offset_k
        What a probe in the room says too much [K], None where there is no such probe.
    board_offset_k, ssd_offset_k
        What board and disk lie above the air in the case [K]; None where they are not read.
    case_resistance_k_per_w, case_s
        Rise of the inlet air per watt of the whole machine [K/W], and how slowly it comes about [s].
    """

    ambient_offset_k: float | None
    board_offset_k: float | None
    ssd_offset_k: float | None
    case_resistance_k_per_w: float
    case_s: float


@dataclass(frozen=True, slots=True)
class MachineValues:
    """Everything that makes one machine, when new."""

    kind: str
    name: str
    stacks: tuple[StackValues, ...]
    surroundings: Surroundings
    climate: ClimateValues
    habits: Habits
    n_fan_tachs: int


def draw_machine(kind: str, seed: int, load_hours_a_day: float | None = None) -> MachineValues:
    """Invent a machine.

    Parameters
    ----------
    kind
        ``laptop`` (processor and GPU share a sink) or ``desktop`` (each has its own).
    seed
        The same seed gives the same machine.
    load_hours_a_day
        Mean hours under load in a day; drawn where None.

    Raises
    ------
    ValueError
        No such kind.
    """
    if kind not in KINDS:
        raise ValueError(f"no machine of kind {kind!r}: one of {', '.join(KINDS)}")
    rng = random.Random(f"{kind}/{seed}")  # noqa: S311 - a simulation, no secret
    uniform = rng.uniform
    is_laptop = kind == "laptop"
    cpu, gpu = draw_cpu(rng, is_laptop), draw_gpu(rng, is_laptop)
    cpu_path, gpu_path = draw_path(rng, cpu, is_laptop), draw_path(rng, gpu, is_laptop)
    if is_laptop:
        sink = draw_sink(rng, cpu.limit_w * 0.6 + gpu.limit_w, (22.0, 42.0), (60.0, 200.0))
        stacks: tuple[StackValues, ...] = (
            StackValues((cpu, gpu), (cpu_path, gpu_path), sink, draw_fan(rng, is_laptop)),
        )
    else:
        sinks = [draw_sink(rng, chip.limit_w, (13.0, 30.0), (60.0, 300.0)) for chip in (cpu, gpu)]
        stacks = (
            StackValues((cpu,), (cpu_path,), sinks[0], draw_fan(rng, is_laptop)),
            StackValues((gpu,), (gpu_path,), sinks[1], draw_fan(rng, is_laptop)),
        )
    case_rise_k = uniform(2.0, 6.0)
    surroundings = Surroundings(
        ambient_offset_k=uniform(-0.6, 1.5) if rng.random() < 0.3 else None,
        board_offset_k=uniform(3.0, 9.0) if rng.random() < 0.8 else None,
        ssd_offset_k=uniform(6.0, 14.0) if rng.random() < 0.9 else None,
        case_resistance_k_per_w=case_rise_k / (cpu.limit_w + gpu.limit_w),
        case_s=uniform(240.0, 900.0),
    )
    climate = ClimateValues(
        mean_c=uniform(20.0, 24.5),
        season_k=uniform(1.5, 4.5),
        day_k=uniform(0.4, 1.8),
        weather_k=uniform(0.5, 1.6),
        weather_days=uniform(2.0, 5.0),
        heated_c=uniform(18.0, 20.5),
    )
    return MachineValues(
        kind=kind,
        name=f"fake {kind} {seed}",
        stacks=stacks,
        surroundings=surroundings,
        climate=climate,
        habits=draw_habits(rng, load_hours_a_day),
        n_fan_tachs=rng.choice([1, 2, 2]) if is_laptop else rng.choice([1, 1, 2]),
    )


def draw_cpu(rng: random.Random, is_laptop: bool) -> ChipValues:
    """Invent a processor."""
    uniform = rng.uniform
    is_intel = rng.random() < (0.7 if is_laptop else 0.4)
    limit_w = round(uniform(35.0, 65.0) if is_laptop else uniform(88.0, 180.0))
    return ChipValues(
        source="cpu0",
        kind="cpu",
        idle_w=uniform(2.0, 6.0) if is_laptop else uniform(12.0, 28.0),
        limit_w=limit_w,
        leak_w=limit_w * uniform(0.03, 0.09),
        leak_doubling_k=uniform(22.0, 35.0),
        throttle_c=float(rng.choice([95, 97, 100]) if is_intel else 95),
        idle_clock_mhz=uniform(800.0, 1600.0),
        full_clock_mhz=uniform(3800.0, 5400.0),
        idle_memory_clock_mhz=0.0,
        full_memory_clock_mhz=0.0,
        aside_share=uniform(0.01, 0.05),
        memory_aside_share=uniform(0.01, 0.04),
        hotspot_k_per_w=None,
        memory_k_per_w=None,
        grid_c=1.0 if is_intel else 0.125,
        power_scale=uniform(0.92, 1.08),
        shows_throttle=is_intel,  # the kernel keeps such counters for Intel processors alone
    )


def draw_gpu(rng: random.Random, is_laptop: bool) -> ChipValues:
    """Invent a graphics processor as NVML shows it; one in six also has a hot spot and a memory sensor."""
    uniform = rng.uniform
    limit_w = float(
        rng.choice([80, 95, 115, 140, 150]) if is_laptop else rng.choice([180, 220, 285, 320, 450])
    )
    shows_more = rng.random() < 1 / 6
    memory_mhz = float(rng.choice([7001, 8001, 9501, 10501]))
    return ChipValues(
        source="gpu0",
        kind="gpu",
        idle_w=uniform(5.0, 12.0) if is_laptop else uniform(10.0, 30.0),
        limit_w=limit_w,
        leak_w=limit_w * uniform(0.03, 0.08),
        leak_doubling_k=uniform(22.0, 35.0),
        throttle_c=float(rng.choice([83, 87, 87, 90])),
        idle_clock_mhz=float(rng.choice([210, 345])),
        full_clock_mhz=uniform(1700.0, 2750.0),
        idle_memory_clock_mhz=405.0,
        full_memory_clock_mhz=memory_mhz,
        aside_share=uniform(0.05, 0.15),
        memory_aside_share=uniform(0.15, 0.35),
        hotspot_k_per_w=uniform(7.0, 14.0) / limit_w if shows_more else None,
        memory_k_per_w=uniform(8.0, 18.0) / limit_w if shows_more else None,
        grid_c=1.0,
        power_scale=uniform(0.95, 1.05),
        shows_throttle=not shows_more,  # NVML says what limits a clock; where a hot spot shows, nothing does
    )


def draw_path(rng: random.Random, chip: ChipValues, is_laptop: bool) -> PathValues:
    """Invent the way from a die to its sink."""
    uniform = rng.uniform
    is_cpu = chip.kind == "cpu"
    interface_k = uniform(9.0, 18.0) if is_cpu else uniform(8.0, 17.0)
    spread_k = uniform(8.0, 16.0) if is_laptop else uniform(5.0, 12.0)
    interface_k_per_w, spread_k_per_w = interface_k / chip.limit_w, spread_k / chip.limit_w
    return PathValues(
        source=chip.source,
        interface_resistance_k_per_w=interface_k_per_w,
        spread_resistance_k_per_w=spread_k_per_w,
        die_capacity_j_per_k=uniform(0.3, 1.3) / interface_k_per_w,
        plate_capacity_j_per_k=uniform(7.0, 28.0) / spread_k_per_w,
    )


def draw_sink(
    rng: random.Random, limit_w: float, rise_k: tuple[float, float], settles_s: tuple[float, float]
) -> SinkValues:
    """Invent a sink from its rise at full speed [K] and the time it takes there [s]."""
    resistance_k_per_w = rng.uniform(*rise_k) / limit_w
    still = rng.uniform(0.15, 0.4)
    return SinkValues(
        capacity_j_per_k=rng.uniform(*settles_s) / resistance_k_per_w,
        still_resistance_k_per_w=still * resistance_k_per_w,
        flow_resistance_k_per_w=(1.0 - still) * resistance_k_per_w,
        flow_exponent=rng.uniform(0.4, 0.9),
    )


def draw_fan(rng: random.Random, is_laptop: bool) -> FanLaw:
    """Invent a fan law: laptops in few levels that may stand still, desktops nearly stepless."""
    uniform = rng.uniform
    n_levels = rng.randint(4, 8) if is_laptop else rng.randint(9, 14)
    first_c, last_c = uniform(42.0, 56.0), uniform(72.0, 88.0)
    stops = is_laptop and rng.random() < 0.5
    lowest = uniform(0.3, 0.45)
    steps = [(index + 1) / n_levels for index in range(n_levels)]
    return FanLaw(
        rise_c=tuple(first_c + (last_c - first_c) * (step - steps[0]) / (1.0 - steps[0]) for step in steps),
        hysteresis_k=uniform(3.0, 7.0) if is_laptop else uniform(1.5, 4.0),
        level_shares=(0.0 if stops else lowest * 0.8, *(lowest + (1.0 - lowest) * step for step in steps)),
        full_speed_rpm=uniform(4200.0, 6200.0) if is_laptop else uniform(1500.0, 3000.0),
        lag_s=uniform(1.5, 5.0),
        smoothing_s=uniform(3.0, 12.0),
        is_speed_locked=is_laptop and rng.random() < 0.4,
    )
