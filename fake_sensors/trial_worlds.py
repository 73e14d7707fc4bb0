"""Worlds of the blind trial: machines with one hidden fault each, or none, drawn from a seed.

Fifteen scenarios make a block, five of them with nothing wrong; each block is shuffled. Four blocks show
every scenario on laptops and desktops, with and without a probe in the room. Ranges are common practice, no
source.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from ..store.journal_entry import EntryKind, JournalEntry
from .ageing import Fault, FaultMode
from .blueprint import KINDS, MachineValues, draw_machine
from .chip import ChipValues
from .climate import Heatwave
from .stack import StackValues
from .workload import draw_task

DAY_MS = 86_400_000
FIRST_START_UTC_MS = 1_704_067_200_000  # 2024-01-01: every world lies in the past, as a journal must
DAYS = 110.0
LEAST_BASELINE_DAYS, LATEST_ONSET_SHARE = 35.0, 0.6
DISTRACTED_SHARE = 0.2  # of the machines: other tasks; as many: a heatwave
FAULTS = {
    "pump-out": FaultMode.PUMP_OUT,
    "dry-out": FaultMode.DRY_OUT,
    "metal drawn in": FaultMode.DRAWN_IN,
    "knocked": FaultMode.KNOCKED,
    "lint": FaultMode.LINT,
    "fan wear": FaultMode.FAN_WEAR,
    "moved": FaultMode.AIRFLOW_STEP,
    "blocked": FaultMode.AIRFLOW_STEP,
    "power scale": FaultMode.POWER_SCALE,
    "temperature offset": FaultMode.TEMPERATURE_OFFSET,
}
HEALTHY = ("nothing", "other tasks", "heatwave", "repaste declared", "driver declared")
SCENARIOS = (*FAULTS, *HEALTHY)


@dataclass(frozen=True, slots=True)
class World:
    """One machine of the trial with its truth.

    Attributes
    ----------
    seed, number
        Of the trial, and of the machine in it.
    scenario
        One of `SCENARIOS`.
    values
        The machine, its room and its owner.
    start_utc_ms, days
        What is recorded [ms since 1970; days].
    faults
        What goes wrong, in days since the start.
    entries
        What the owner wrote down.
    """

    seed: int
    number: int
    scenario: str
    values: MachineValues
    start_utc_ms: int
    days: float
    faults: tuple[Fault, ...]
    entries: tuple[JournalEntry, ...]

    @property
    def machine_seed(self) -> int:
        """Seed of weather, work and noise."""
        return machine_seed(self.seed, self.number)

    @property
    def name(self) -> str:
        """For tables and folders."""
        return f"{self.number:03d} {self.values.kind}"


def machine_seed(seed: int, number: int) -> int:
    """Seed of one machine of a trial."""
    return 100_000 * seed + number


def draw_world(seed: int, number: int, days: float = DAYS) -> World:
    """Invent a world; the same arguments give the same one, however many machines the trial has.

    Parameters
    ----------
    seed
        Of the trial.
    number
        Of the machine, from 0.
    days
        Length of the record [days].
    """
    block, place = divmod(number, len(SCENARIOS))
    order = list(range(len(SCENARIOS)))
    random.Random(f"trial/{seed}/{block}").shuffle(order)  # noqa: S311 - a simulation, no secret
    index = order[place]
    scenario = SCENARIOS[index]
    kind = KINDS[(index + block + seed) % 2]
    has_ambient = (index + block // 2) % 2 == 0
    rng = random.Random(f"trial/{seed}/{number}")  # noqa: S311 - a simulation, no secret
    values = draw_machine(kind, machine_seed(seed, number), rng.uniform(1.5, 4.0))
    values = _with_sensors(values, rng, has_ambient)
    start_utc_ms = FIRST_START_UTC_MS + rng.randrange(366) * DAY_MS
    onset_day = _onset_day(rng, days)
    source = rng.choice(("gpu0", "gpu0", "cpu0"))
    faults = _faults(rng, scenario, values, source=source, onset_day=onset_day, days=days)
    if scenario == "fan wear":
        values = _with_loose_fans(values)
    values = _with_owner(values, rng, scenario, onset_day, days)
    entries = _entries(scenario, source, start_utc_ms, onset_day)
    return World(seed, number, scenario, values, start_utc_ms, days, faults, entries)


def stack_of(values: MachineValues, source: str) -> StackValues:
    """The sink that a source sits on."""
    return next(stack for stack in values.stacks if source in [chip.source for chip in stack.chips])


def sources_of(values: MachineValues) -> list[str]:
    """Names of all sources."""
    return sorted(chip.source for stack in values.stacks for chip in stack.chips)


def _onset_day(rng: random.Random, days: float) -> float:
    earliest = min(LEAST_BASELINE_DAYS, 0.5 * days)  # a short world, as in a test, has its fault all the same
    return rng.uniform(earliest, max(earliest, LATEST_ONSET_SHARE * days))


def _faults(
    rng: random.Random, scenario: str, values: MachineValues, *, source: str, onset_day: float, days: float
) -> tuple[Fault, ...]:
    """What goes wrong; a creeping fault has its size at the end."""
    uniform, left_days = rng.uniform, days - onset_day
    if scenario == "repaste declared":
        return (Fault(FaultMode.KNOCKED, onset_day, -uniform(0.1, 0.3), source=source),)
    mode = FAULTS.get(scenario)
    if mode is None:
        return ()
    span_days = left_days
    of_airflow_part = mode in (FaultMode.LINT, FaultMode.AIRFLOW_STEP)
    is_of_room = mode is FaultMode.AIRFLOW_STEP  # it stands elsewhere, or behind a curtain
    struck = sources_of(values) if is_of_room else [chip.source for chip in stack_of(values, source).chips]
    if mode is FaultMode.POWER_SCALE:
        size = rng.choice((-uniform(0.07, 0.2), uniform(0.08, 0.25)))
    elif mode is FaultMode.TEMPERATURE_OFFSET:
        size = rng.choice((-1.0, 1.0)) * uniform(2.0, 5.0)
    elif mode is FaultMode.FAN_WEAR:
        size = uniform(0.25, 0.5)
    elif of_airflow_part:
        size = uniform(0.1, 0.2) if scenario == "moved" else uniform(0.2, 0.4)
        size /= max(flow_share(values, one) for one in struck)
    else:
        size = uniform(0.1, 0.4)
    if mode is FaultMode.DRAWN_IN:
        span_days = uniform(0.5, 1.0) * left_days
    return (Fault(mode, onset_day, size, span_days, "" if is_of_room else source),)


def flow_share(values: MachineValues, source: str) -> float:
    """Share of moving air in what lies behind the interface of a source, at full speed."""
    stack = stack_of(values, source)
    path = next(path for path in stack.paths if path.source == source)
    sink = stack.sink
    moved = sink.flow_resistance_k_per_w
    return moved / (path.spread_resistance_k_per_w + sink.still_resistance_k_per_w + moved)


def _with_sensors(values: MachineValues, rng: random.Random, has_ambient: bool) -> MachineValues:
    """Half count whole degrees, a quarter show a hot spot, a quarter count no fan."""
    is_whole, shows_more = rng.random() < 0.5, rng.random() < 0.25
    hotspot_k, memory_k = rng.uniform(7.0, 14.0), rng.uniform(8.0, 18.0)
    offset_k = rng.uniform(-0.6, 1.5)
    n_tachs = rng.choice((0, 1, 2, 2))

    def seen(chip: ChipValues) -> ChipValues:
        if is_whole:
            chip = replace(chip, grid_c=1.0)
        if chip.kind != "gpu":
            return chip
        return replace(
            chip,
            hotspot_k_per_w=hotspot_k / chip.limit_w if shows_more else None,
            memory_k_per_w=memory_k / chip.limit_w if shows_more else None,
            shows_throttle=not shows_more,
        )

    return replace(
        values,
        stacks=tuple(
            replace(stack, chips=tuple(seen(chip) for chip in stack.chips)) for stack in values.stacks
        ),
        surroundings=replace(values.surroundings, ambient_offset_k=offset_k if has_ambient else None),
        n_fan_tachs=n_tachs,
    )


def _with_loose_fans(values: MachineValues) -> MachineValues:
    """Fans whose wear shows: a controller that holds the speed hides it until the motor gives all it has."""
    stacks = tuple(replace(stack, fan=replace(stack.fan, is_speed_locked=False)) for stack in values.stacks)
    return replace(values, stacks=stacks)


def _with_owner(
    values: MachineValues, rng: random.Random, scenario: str, onset_day: float, days: float
) -> MachineValues:
    """Nights off, absences, other tasks and heatwaves."""
    later = tuple(draw_task(rng, kind) for kind in ("game", "game", rng.choice(("render", "compute"))))
    change_day, wave_day = (float(round(rng.uniform(0.35, 0.75) * days)) for _ in range(2))
    wave = Heatwave(wave_day, rng.uniform(7.0, 21.0), rng.uniform(6.0, 10.0))
    is_busy_otherwise, is_hot = (rng.random() < DISTRACTED_SHARE for _ in range(2))
    absences = _absences(rng, days)
    if scenario == "repaste declared":  # two hours on the bench, the old compound till then
        absences = tuple(one for one in absences if not one[0] - 1 < onset_day < sum(one) + 1)
        absences = tuple(sorted((*absences, (onset_day - 1 / 12, 1 / 12))))
    habits = replace(
        values.habits,
        is_off_at_night=rng.random() < (0.5 if values.kind == "laptop" else 0.2),
        later_tasks=later,
        change_day=change_day if scenario == "other tasks" or is_busy_otherwise else float("inf"),
        absences=absences,
    )
    waves = (wave,) if scenario == "heatwave" or is_hot else ()
    return replace(values, habits=habits, climate=replace(values.climate, heatwaves=waves))


def _absences(rng: random.Random, days: float) -> tuple[tuple[float, float], ...]:
    """Two machines in five are off for days or weeks, once or twice, but not at the very end."""
    n_times = rng.choice((0, 0, 0, 1, 2))
    slots = ((0.2, 0.45), (0.5, 0.75))
    found = []
    for low, high in rng.sample(slots, n_times):
        begin_day = rng.uniform(low, high) * days
        found.append((begin_day, min(rng.choice((3.0, 5.0, 8.0, 14.0)), 0.95 * days - begin_day)))
    first, *more = sorted(found) or [(0.0, 0.0)]
    if more and sum(first) >= more[0][0]:
        more = []
    return tuple(one for one in (first, *more) if one[1] > 0)


def _entries(scenario: str, source: str, start_utc_ms: int, onset_day: float) -> tuple[JournalEntry, ...]:
    at_onset_utc_ms = start_utc_ms + round(onset_day * DAY_MS)
    if scenario == "metal drawn in":
        return (JournalEntry(start_utc_ms, EntryKind.LIQUID_METAL, source),)
    if scenario == "repaste declared":
        return (JournalEntry(at_onset_utc_ms, EntryKind.COMPOUND, source),)
    if scenario == "driver declared":
        return (JournalEntry(at_onset_utc_ms, EntryKind.DRIVER, note="a newer driver"),)
    return ()
