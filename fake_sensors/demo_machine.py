"""The machine of the demonstration: a laptop, seven months of its evenings, what was done to it, what failed.

Everything that is true of it stands here. It is recorded through cadence, writer and sealing like any other,
and what is said of it comes out of the record and the journal alone.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from ..store.journal_entry import EntryKind, JournalEntry
from .ageing import Ageing, Fault, FaultMode
from .blueprint import MachineValues, Surroundings
from .chip import ChipValues
from .climate import ClimateValues, Heatwave
from .fan import FanLaw
from .heat_path import PathValues, SinkValues
from .machine import FakeMachine
from .stack import StackValues
from .workload import Habits, Task

SEED = 21
SOURCE = "gpu0"  # whose shunt is changed, and whose joint fails
FIRST_DAY, LAST_DAY = date(2026, 3, 1), date(2026, 9, 30)
WORKED_ON = date(2026, 4, 18)  # a Saturday
FAULT_FROM = date(2026, 7, 8)
# First day, days, and by how much above the season [K].
HEATWAVES = ((date(2026, 6, 9), 11.0, 5.0), (date(2026, 6, 27), 9.0, 6.0))
METAL_CHANGE = -0.42  # of the interface of both chips: compound gives way to liquid metal
SINK_CHANGE = -0.10  # of the moving air: fins straightened while the heatsink was out for plating
SHUNT_FROM_MOHM, SHUNT_TO_MOHM = 5.0, 4.0
SHUNT_FACTOR_TRUE = 1.26  # the owner writes 5 and 4 mOhm; resistors are not what is printed on them
CREEP_PCT_PER_DAY = 1.0  # of the interface as the work left it
EVENINGS_SHARE = 0.6  # four or five a week
SWITCHED_ON_HOUR, ON_H = 19.0, 1.75
BENCH_HOUR = 11.0
DAY_H = 24.0
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

CPU = ChipValues(
    source="cpu0",
    kind="cpu",
    idle_w=4.0,
    limit_w=45.0,
    leak_w=2.5,
    leak_doubling_k=28.0,
    throttle_c=97.0,
    idle_clock_mhz=1200.0,
    full_clock_mhz=4600.0,
    idle_memory_clock_mhz=0.0,
    full_memory_clock_mhz=0.0,
    aside_share=0.03,
    memory_aside_share=0.02,
    hotspot_k_per_w=None,
    memory_k_per_w=None,
    grid_c=1.0,
)
GPU = ChipValues(
    source=SOURCE,
    kind="gpu",
    idle_w=8.0,
    limit_w=115.0,
    leak_w=6.0,
    leak_doubling_k=28.0,
    throttle_c=87.0,
    idle_clock_mhz=210.0,
    full_clock_mhz=2250.0,
    idle_memory_clock_mhz=405.0,
    full_memory_clock_mhz=8001.0,
    aside_share=0.08,
    memory_aside_share=0.2,
    hotspot_k_per_w=None,
    memory_k_per_w=None,
    grid_c=1.0,
)
STACK = StackValues(
    chips=(CPU, GPU),
    paths=(
        PathValues("cpu0", 0.30, 0.30, die_capacity_j_per_k=3.0, plate_capacity_j_per_k=50.0),
        PathValues(SOURCE, 0.18, 0.10, die_capacity_j_per_k=1.8, plate_capacity_j_per_k=240.0),
    ),
    sink=SinkValues(650.0, 0.145, 0.14, flow_exponent=0.6),
    fan=FanLaw(
        rise_c=(48.0, 57.0, 66.0, 74.0, 81.0),
        hysteresis_k=5.0,
        level_shares=(0.3, 0.45, 0.58, 0.71, 0.85, 1.0),
        full_speed_rpm=5100.0,
        lag_s=2.0,
        smoothing_s=8.0,
    ),
)
# Always the same few things, as most owners do; `cpu_level` and what follows as in `Task`.
TASKS = (
    Task("racing", 0.45, 0.98, 0.45, 0.05, 4.0, (400, 1500), (20, 90), 0.2),
    Task("strategy", 0.55, 0.88, 0.35, 0.05, 5.0, (400, 1500), (20, 90), 0.25),
    Task("render", 0.30, 1.03, 0.25, 0.012, 4.0, (300, 1200), (20, 90), 0.1),
)


@dataclass(frozen=True, slots=True)
class Scenario:
    """One life of a machine.

    Attributes
    ----------
    values
        The machine, its room and its owner.
    start_utc_ms, days
        What is recorded [ms since 1970; days].
    faults
        What becomes of the truth, wanted or not, in days since the start; the fault to be found comes last.
    entries
        What the owner wrote down.
    """

    values: MachineValues
    start_utc_ms: int
    days: int
    faults: tuple[Fault, ...]
    entries: tuple[JournalEntry, ...]

    @property
    def end_utc_ms(self) -> int:
        """The midnight after the last day [ms since 1970]."""
        return self.start_utc_ms + self.days * DAY_MS

    def machine(self) -> FakeMachine:
        """The machine at the beginning of its first day."""
        return FakeMachine(self.values, SEED, self.start_utc_ms, self.faults)

    def creep_pct(self) -> float:
        """True change of the interface that fails, on the last day against the day before the fault [%]."""
        ageing, creep = Ageing(self.faults), self.faults[-1]
        before, after = (
            ageing.effects(creep.source, day).interface_factor for day in (creep.from_day, self.days)
        )
        return 100.0 * (after / before - 1.0)

    def truth_document(self) -> dict[str, Any]:
        """What is really so, for programs."""
        start = datetime.fromtimestamp(self.start_utc_ms / 1000, UTC)
        return {
            "schema": "heatdrift-truth/1",
            "kind": self.values.kind,
            "start": f"{start:%Y-%m-%dT%H:%M:%SZ}",
            "days": self.days,
            "faults": [{**asdict(fault), "mode": fault.mode.value} for fault in self.faults],
            "heatwaves": [asdict(wave) for wave in self.values.climate.heatwaves],
        }


def scenario(
    last_day: date = LAST_DAY,
    worked_on: date = WORKED_ON,
    fault_from: date = FAULT_FROM,
    creep_pct_per_day: float = CREEP_PCT_PER_DAY,
) -> Scenario:
    """The life that is shown, or a shorter one of the same machine.

    Parameters
    ----------
    last_day
        The last one of the record.
    worked_on
        When the heatsink was plated, both dies got liquid metal, and the shunt was changed.
    fault_from
        When the metal of the GPU begins to creep away.
    creep_pct_per_day
        How fast its interface gets worse then [% of what the work left it].
    """
    days = _day(last_day) + 1
    at_day = _day(worked_on) + BENCH_HOUR / DAY_H
    creep_days = float(days - _day(fault_from))
    creep = Fault(
        FaultMode.PUMP_OUT, _day(fault_from), creep_pct_per_day / 100.0 * creep_days, creep_days, SOURCE
    )
    faults = (
        Fault(FaultMode.KNOCKED, at_day, METAL_CHANGE),  # at once, and for the better
        Fault(FaultMode.AIRFLOW_STEP, at_day, SINK_CHANGE),
        Fault(FaultMode.POWER_SCALE, at_day, 1.0 / SHUNT_FACTOR_TRUE - 1.0, source=SOURCE),
        creep,
    )
    values = MachineValues(
        kind="laptop",
        name="demo laptop",
        stacks=(STACK,),
        surroundings=Surroundings(
            ambient_offset_k=0.4,
            board_offset_k=6.0,
            ssd_offset_k=9.0,
            case_resistance_k_per_w=0.02,
            case_s=500.0,
        ),
        climate=ClimateValues(
            mean_c=22.5,
            season_k=3.5,
            heatwaves=tuple(Heatwave(_day(first), n_days, extra_k) for first, n_days, extra_k in HEATWAVES),
        ),
        habits=Habits(1.3, SWITCHED_ON_HOUR, TASKS, absences=tuple(_switched_off(days))),
        n_fan_tachs=2,
    )
    at = datetime(worked_on.year, worked_on.month, worked_on.day, tzinfo=UTC) + timedelta(hours=BENCH_HOUR)
    start = datetime(FIRST_DAY.year, FIRST_DAY.month, FIRST_DAY.day, tzinfo=UTC)
    return Scenario(
        values, round(start.timestamp() * 1000), days, faults, _entries(round(at.timestamp() * 1000))
    )


def _day(day: date) -> int:
    return (day - FIRST_DAY).days


def _entries(at_utc_ms: int) -> tuple[JournalEntry, ...]:
    """One Saturday on the bench."""
    return (
        JournalEntry(
            at_utc_ms,
            EntryKind.PLATING,
            numbers={"plating_min": 20.0, "plating_um": 3.0},
            cost_milli=34_000,
            currency="EUR",
            note="heatsink nickel-plated, fins straightened",
        ),
        JournalEntry(
            at_utc_ms + HOUR_MS, EntryKind.LIQUID_METAL, cost_milli=16_000, currency="EUR", note="both dies"
        ),
        JournalEntry(
            at_utc_ms + 2 * HOUR_MS,
            EntryKind.SHUNT,
            SOURCE,
            numbers={
                "shunt_from_mohm": SHUNT_FROM_MOHM,
                "shunt_to_mohm": SHUNT_TO_MOHM,
                "power_factor_ci95_pct": 2.0,
            },
            cost_milli=6_000,
            currency="EUR",
            note="1 % resistors",
        ),
    )


def _switched_off(days: int) -> Iterator[tuple[float, float]]:
    """All but some evenings: beginning and length [days]."""
    rng = random.Random(f"demo/{SEED}")  # noqa: S311 - a simulation, no secret
    off_from = 0.0
    for day in range(days):
        # Drawn for every day, so that a shorter life is the beginning of a longer one.
        on_at = day + (SWITCHED_ON_HOUR + rng.uniform(-0.3, 0.3)) / DAY_H
        if rng.random() < EVENINGS_SHARE:
            yield off_from, on_at - off_from
            off_from = on_at + ON_H / DAY_H
    yield off_from, days + 1.0 - off_from
