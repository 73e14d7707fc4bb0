"""What is really so in a world of the blind trial, source by source and day by day."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from .ageing import AIRFLOW_MODES, INTERFACE_MODES, STEP_MODES, Ageing, Fault, FaultMode
from .trial_worlds import DAY_MS, World, sources_of, stack_of

MONTH_DAYS = 30
FELT_PCT = 8.0  # a smaller change of a part need not be found
TELEMETRY_MODES = (FaultMode.POWER_SCALE, FaultMode.TEMPERATURE_OFFSET)
OF_NEIGHBOURS_READINGS = ("telemetry", "unknown")


@dataclass(frozen=True, slots=True)
class SourceTruth:
    """What is so with one source.

    Attributes
    ----------
    causes
        What a verdict at the end may name.
    shape
        ``creep``, ``step``, or empty where nothing is wrong or both would be true.
    is_struck
        Whether the fault is on it or on its sink.
    interface_ratio, airflow_ratio
        By day from 0, at its noon: true resistance over that of the first day, fan at full speed.
    interface_change_pct, airflow_change_pct
        Mean of the last 30 days of the last era that the machine was on, against the beginning of that era.
    felt_day
        When the part at fault passes 8 %, or telemetry goes wrong [days since the start]; None if never.
    """

    causes: tuple[str, ...]
    shape: str
    is_struck: bool
    interface_ratio: tuple[float, ...]
    airflow_ratio: tuple[float, ...]
    interface_change_pct: float
    airflow_change_pct: float
    felt_day: float | None


def true_fault(world: World) -> Fault | None:
    """What goes wrong undeclared."""
    return None if world.scenario == "repaste declared" or not world.faults else world.faults[0]


def is_on(world: World, day: float) -> bool:
    """Whether the machine was not put away at a moment [days since the start]."""
    return not any(begin <= day < begin + days for begin, days in world.values.habits.absences)


def source_truth(world: World, source: str) -> SourceTruth:
    """The truth of one source.

    A change of a part by less than 8 % may be called nothing, and so may a power reading that is off by less.
    Fan wear may be called airflow where no tachometer of that fan is counted. A source that shares its sink
    with one whose readings became wrong may be said to have wrong readings, or an unknown change.
    """
    noons = [day + 0.5 for day in range(math.ceil(world.days))]
    interface = tuple(interface_ratio(world, source, noon) for noon in noons)
    airflow = tuple(airflow_ratio(world, source, noon) for noon in noons)
    changes = _change_pct(world, source, interface), _change_pct(world, source, airflow)
    fault = true_fault(world)
    on_sink = [chip.source for chip in stack_of(world.values, source).chips]
    is_of_sink = fault is not None and fault.mode in (*AIRFLOW_MODES, FaultMode.FAN_WEAR)
    is_struck = fault is not None and (
        fault.source in ("", source) or (is_of_sink and fault.source in on_sink)
    )
    shares = fault is not None and not is_struck and fault.mode in TELEMETRY_MODES and fault.source in on_sink
    if fault is None or not is_struck:
        healthy = ("none", *OF_NEIGHBOURS_READINGS) if shares else ("none",)
        return SourceTruth(healthy, "", False, interface, airflow, *changes, None)
    causes, ratios = _causes(world, fault, source), airflow if is_of_sink else interface
    if fault.mode in TELEMETRY_MODES:
        felt_day: float | None = fault.from_day
        is_felt = fault.mode is FaultMode.TEMPERATURE_OFFSET or _felt(1.0 / (1.0 + fault.size))
    else:
        felt_day = next((float(day) for day, ratio in enumerate(ratios) if _felt(ratio)), None)
        if felt_day is not None and fault.mode in STEP_MODES:
            felt_day = fault.from_day
        is_felt = abs(changes[1] if is_of_sink else changes[0]) >= FELT_PCT
    if not is_felt:
        causes = (*causes, "none")
    shape = "step" if fault.mode in STEP_MODES else "creep"
    return SourceTruth(causes, shape, True, interface, airflow, *changes, felt_day)


def interface_ratio(world: World, source: str, day: float) -> float:
    """Interface resistance of a source over that when new."""
    return Ageing(world.faults).effects(source, day).interface_factor


def airflow_ratio(world: World, source: str, day: float) -> float:
    """What lies behind the interface over the same when new, the fan driven at full speed."""
    stack = stack_of(world.values, source)
    path = next(path for path in stack.paths if path.source == source)
    effects = [Ageing(world.faults).effects(chip.source, day) for chip in stack.chips]
    factor = max((effect.airflow_factor for effect in effects), key=lambda one: abs(one - 1.0))
    speed = min(effect.fan_factor for effect in effects)
    sink = stack.sink
    held = path.spread_resistance_k_per_w + sink.still_resistance_k_per_w
    moved = sink.flow_resistance_k_per_w
    aged: float = held + moved * factor * speed**-sink.flow_exponent
    return aged / (held + moved)


def truth_document(world: World) -> dict[str, Any]:
    """The truth for programs: ``truth.json``."""
    habits, climate = world.values.habits, world.values.climate
    start = datetime.fromtimestamp(world.start_utc_ms / 1000, UTC)
    return {
        "schema": "heatdrift-truth/1",
        "machine": world.number,
        "kind": world.values.kind,
        "scenario": world.scenario,
        "start": f"{start:%Y-%m-%dT%H:%M:%SZ}",
        "days": world.days,
        "faults": [{**asdict(fault), "mode": fault.mode.value} for fault in world.faults],
        "absences": [list(one) for one in habits.absences],
        "other_tasks_from_day": habits.change_day if math.isfinite(habits.change_day) else None,
        "heatwaves": [asdict(wave) for wave in climate.heatwaves],
        "has_ambient_probe": world.values.surroundings.ambient_offset_k is not None,
        "n_fan_tachs": world.values.n_fan_tachs,
        "sources": {source: asdict(source_truth(world, source)) for source in sources_of(world.values)},
    }


def era_day(world: World, source: str) -> float:
    """When the last era of the interface of a source begins [days since the start]."""
    days = [
        (entry.at_utc_ms - world.start_utc_ms) / DAY_MS
        for entry in world.entries
        if entry.source in ("", source) and entry.kind.value in ("compound", "liquid_metal")
    ]
    return max(days, default=0.0)


def has_tach(world: World, source: str) -> bool:
    """Whether the fan of a source is counted: first comes the processor's, then the graphics chip's."""
    n_fans = world.values.n_fan_tachs
    return n_fans > 0 and (len(world.values.stacks) == 1 or source == "cpu0" or n_fans > 1)


def _causes(world: World, fault: Fault, source: str) -> tuple[str, ...]:
    if fault.mode in INTERFACE_MODES:
        return ("interface",)
    if fault.mode in AIRFLOW_MODES:
        return ("airflow",)
    if fault.mode is FaultMode.FAN_WEAR:
        return ("fan",) if has_tach(world, source) else ("fan", "airflow")
    return ("telemetry",)


def _felt(ratio: float) -> bool:
    return abs(ratio - 1.0) * 100.0 >= FELT_PCT


def _change_pct(world: World, source: str, ratios: tuple[float, ...]) -> float:
    first = math.ceil(era_day(world, source))
    days = [day for day in range(first, len(ratios)) if is_on(world, day + 0.5)][-MONTH_DAYS:]
    if not days:
        return 0.0
    before = ratios[min(first, len(ratios) - 1)]
    return 100.0 * (math.fsum(ratios[day] for day in days) / len(days) / before - 1.0)
