"""Histories of invented machines by code and physics that the package knows nothing of.

``python tests/bench/other_machines.py --machines 24 --seed 1 --to DIR --jobs 2`` writes a folder for each:
``table.parquet`` or ``table.csv`` in the exchange format, ``journal.toml`` where something was declared, and
``truth.json`` for the one who judges.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from other_physics import FanControl, Floats, Network, Senses, Stretches, fin_factor, solve
from scipy.signal import lfilter

DECK = (
    *["none"] * 4,
    *["creep_linear"] * 3,
    *["creep_root"] * 2,
    *["creep_saturating"] * 2,
    *["knocked"] * 2,
    *["clogging"] * 2,
    *["blocked", "moved"],
    *["fan_wear"],
    *["power_scale"] * 2,
    *["temperature_offset", "new_work", "heatwave"],
    *["repaste"] * 2,
)
CAUSES = {
    **{
        "creep_linear": "interface",
        "creep_root": "interface",
        "creep_saturating": "interface",
        "knocked": "interface",
    },
    **{"clogging": "airflow", "blocked": "airflow", "moved": "airflow", "fan_wear": "fan"},
    **{"power_scale": "telemetry", "temperature_offset": "telemetry"},
}
STEPS = ("knocked", "blocked", "moved", "power_scale", "temperature_offset")
BEFORE_S, COOLING_S, IDLE_LEFT_S = 420, 1500, 900.0
STEP_SHARE = 0.1  # of the most a source draws: what makes a step
# kind of work: power of (gpu0, cpu0) in caps, flicker, busy memory, share of heat made at the sensor
WORK = {
    "game": ((0.92, 0.4), 0.05, 45.0, 0.9),
    "capped_frames": ((0.55, 0.32), 0.025, 30.0, 0.86),
    "render": ((1.15, 0.25), 0.01, 12.0, 0.93),
    "compile": ((0.06, 1.05), 0.02, 3.0, 0.95),
    "inference": ((0.85, 0.2), 0.02, 85.0, 0.78),
}


@dataclass(frozen=True)
class OtherMachine:
    """A machine and what will happen to it; ratios are of one day each, 1 at the start."""

    seed: int
    number: int
    mode: str
    source: str
    n_days: int
    onset_day: int
    is_laptop: bool
    network: Network
    control: FanControl
    senses: Senses
    cap_w: Floats
    limit_c: float
    idle_w: Floats
    favourites: tuple[str, ...]
    later_favourites: tuple[str, ...]
    missing: tuple[str, ...]
    hours_a_day: float
    size: float
    start_s: int
    all_seconds: bool
    is_csv: bool
    interface_ratio: Floats = field(repr=False)
    airflow_ratio: Floats = field(repr=False)
    joint_factor: Floats = field(repr=False)
    flow_factor: Floats = field(repr=False)
    wear_factor: Floats = field(repr=False)

    @property
    def fans(self) -> tuple[int, ...]:
        return (0, 0) if self.is_laptop else (0, 1)

    @property
    def expected_cause(self) -> str:
        cause = CAUSES.get(self.mode, "none")
        return "airflow" if cause == "fan" and "fan" in self.missing else cause

    @property
    def expected_shape(self) -> str | None:
        return None if self.expected_cause == "none" else "step" if self.mode in STEPS else "creep"


def draw_network(rng: np.random.Generator, is_laptop: bool, cap_w: Floats) -> Network:
    """Layers sized so that a full load warms the joint by 10 to 20 K, the rest by 25 to 40 K."""
    capacity: list[float] = []
    edges: list[tuple[int, int, float, str, int]] = []
    dies, plates = [], []
    case = 20 if is_laptop else 40

    def node(c: float) -> int:
        capacity.append(c)
        return len(capacity) - 1

    air = node(case * rng.uniform(18, 30))
    edges.append((air, -1, float(rng.uniform(3, 6) / cap_w.sum()), "fixed", 0))
    shared: tuple[int, int] | None = None
    for s, cap in enumerate(cap_w):
        r_fast, r_slow = rng.uniform(10, 20) / cap, rng.uniform(24, 34) / (cap_w.sum() if is_laptop else cap)
        lag = rng.uniform(0.35, 0.9)
        first, second = node(0.1 * lag / r_fast), node(lag / (0.7 * r_fast))
        third = node(rng.uniform(9, 14) / (0.25 * r_fast + 0.3 * r_slow))
        fourth = node(rng.uniform(0.3, 0.5) * capacity[third])
        edges += [(first, second, 0.3 * r_fast, "fixed", 0), (second, third, 0.7 * r_fast, "joint", s)]
        edges.append((third, fourth, 0.08 * r_fast, "fixed", 0))
        dies.append(first)
        plates.append(third)
        if shared is None or not is_laptop:
            chamber = node(rng.uniform(0.5, 0.8) * capacity[third])
            fins = node(rng.uniform(45, 80) / (0.65 * r_slow))
            fan = 0 if is_laptop else s
            edges.append((chamber, fins, 0.2 * r_slow, "fixed", 0))
            edges.append((fins, air, 0.55 * r_slow, "fin", fan))
            shared = (chamber, fins)
        edges.append((fourth, shared[0], float(rng.uniform(5, 8) / cap), "chamber", s))
    return Network(np.array(capacity), tuple(edges), tuple(dies), tuple(plates))


def nominal(network: Network, control: FanControl, n: int, n_fans: int) -> tuple[Floats, Floats, Floats]:
    fin = fin_factor(np.full((n, n_fans), 0.6), np.full((n, n_fans), 20.0), control.exponent)
    return np.ones((n, 2)), np.ones((n, 2)), fin


def growth(mode: str, n_days: int, onset: int) -> Floats:
    """From 0 before the onset to 1 at the end."""
    days = np.arange(n_days)
    x = np.clip((days - onset) / (n_days - 1 - onset), 0.0, 1.0)
    if mode in STEPS:
        return np.asarray((days >= onset).astype(float))
    if mode == "creep_root":
        return np.asarray(np.sqrt(x))
    if mode == "creep_saturating":
        return np.asarray((1.0 - np.exp(-4.0 * x)) / (1.0 - np.exp(-4.0)))
    return np.asarray(x)


def draw(seed: int, number: int) -> OtherMachine:
    """Draw machine ``number`` of a set; each set goes through the whole deck of faults before it repeats."""
    deck = np.random.default_rng([seed, 77, number // len(DECK)]).permutation(np.array(DECK))
    mode = str(deck[number % len(DECK)])
    rng = np.random.default_rng([seed, 78, number])
    is_laptop = bool(rng.random() < 0.5)
    cap_w = np.array(
        [rng.uniform(70, 130), rng.uniform(35, 60)]
        if is_laptop
        else [rng.uniform(160, 320), rng.uniform(75, 140)]
    )
    source = 0 if mode == "repaste" or rng.random() < 0.65 else 1
    n_days = int(rng.integers(90, 111))
    onset = int(n_days * rng.uniform(0.38, 0.6))
    kind = "table" if mode == "fan_wear" or rng.random() < 0.5 else "pi"
    control = FanControl(
        kind,
        float(rng.uniform(68, 76)),
        float(rng.choice([0.0, 0.2, 0.25])),
        48.0,
        float(rng.uniform(0.02, 0.06)),
        float(rng.uniform(0.6, 0.8)),
    )
    n_fans = 1 if is_laptop else 2
    while True:  # lags between the two parts would leave the truth undefined
        network = draw_network(rng, is_laptop, cap_w)
        joint, chamber, fin = nominal(network, control, 2, n_fans)
        joint[1] *= 2.2
        lags = network.lags_s(joint, chamber, fin)
        if not ((lags > 2.2) & (lags < 4.5)).any():
            break
    grid = np.linspace(0.4, 3.0, 400)
    joint, chamber, fin = nominal(network, control, len(grid), n_fans)
    joint[:, source] = grid
    fast, _ = network.parts(source, joint, chamber, fin, 0.9)
    fast = fast / np.interp(1.0, grid, fast)
    flow = np.linspace(0.2, 1.0, 400)
    joint, chamber, _ = nominal(network, control, len(flow), n_fans)
    moved = np.full((len(flow), n_fans), 0.6)
    moved[:, 0 if is_laptop else source] *= flow
    _, slow = network.parts(
        source, joint, chamber, fin_factor(moved, np.full_like(moved, 20.0), control.exponent), 0.9
    )
    slow = slow / slow[-1]
    size, grown = float(rng.uniform(0.10, 0.45)), growth(mode, n_days, onset)
    interface, airflow, wear = np.ones(n_days), np.ones(n_days), np.ones(n_days)
    if CAUSES.get(mode) == "interface":
        interface = 1.0 + size * grown
    elif mode == "repaste":
        size = -float(rng.uniform(0.08, 0.3))
        after = np.arange(n_days) - onset
        interface = np.where(after >= 0, 1.0 + size + 0.03 * np.exp(-np.maximum(after, 0) / 1.5), 1.0)
    elif CAUSES.get(mode) in ("airflow", "fan"):
        size = float(rng.uniform(0.12, 0.4))
        airflow = 1.0 + min(size, slow[0] - 1.0) * grown
    elif mode == "power_scale":
        size = float(rng.choice([rng.uniform(0.72, 0.9), rng.uniform(1.1, 1.3)]))
    elif mode == "temperature_offset":
        size = float(rng.choice([-1, 1]) * rng.uniform(3, 7))
    let_through = np.interp(airflow, slow[::-1], flow[::-1])
    if mode == "fan_wear":
        let_through, wear = wear, let_through
    favourites = tuple(str(k) for k in rng.permutation(list(WORK))[: int(rng.integers(2, 5))])
    later = (
        tuple(k for k in WORK if k not in favourites) + favourites[:1] if mode == "new_work" else favourites
    )
    optional = ("ambient", "fan", "utilization", "memory_utilization", "clock")
    shares = (0.5, 0.1 if mode == "fan_wear" else 0.35, 0.15, 0.4, 0.1)
    missing = tuple(name for name, share in zip(optional, shares, strict=True) if rng.random() < share)
    senses = Senses(
        str(rng.choice(["floor", "round", "round", "eighth"])),
        float(rng.uniform(0.1, 0.4)),
        float(rng.choice([0.0, 0.0, rng.uniform(0.5, 1.2)])),
        float(rng.uniform(0.02, 0.25)),
        float(rng.choice([0.0, 2e-4])),
        float(rng.choice([0.003, 0.01])),
    )
    return OtherMachine(
        *(
            seed,
            number,
            mode,
            ("gpu0", "cpu0")[source],
            n_days,
            onset,
            is_laptop,
            network,
            control,
            senses,
            cap_w,
        ),
        *(float(rng.uniform(90, 97)), cap_w * np.array([rng.uniform(0.04, 0.09), rng.uniform(0.05, 0.12)])),
        *(favourites, later, missing, float(rng.uniform(1.0, 3.0)), size),
        *(
            1_740_000_000 // 86400 * 86400 + int(rng.integers(0, 300)) * 86400,
            bool(rng.random() < 0.1),
            bool(rng.random() < 0.15),
        ),
        *(interface, airflow, np.interp(interface, fast, grid), let_through, wear),
    )


def room_by_minute(machine: OtherMachine, rng: np.random.Generator) -> Floats:
    """Season, weather, day, heating, and a heatwave where one is due [°C]."""
    minute = np.arange((machine.n_days + 1) * 1440)
    day = minute / 1440.0
    season = np.cos(2 * np.pi * (day + machine.start_s / 86400 - 200) / 365)  # warmest in the middle of July
    weather = lfilter([1.0], [1.0, -0.75], rng.normal(0.0, 0.8, machine.n_days + 2))
    room = (
        rng.uniform(20.5, 23.5)
        + rng.uniform(1, 3.5) * season
        + np.interp(day, np.arange(machine.n_days + 2), weather)
    )
    room = room + rng.uniform(0.4, 1.2) * np.cos(2 * np.pi * (day - 0.7))
    heats = (season < -0.2) & (rng.random() < 0.7)
    room = room + heats * (0.6 * (minute % 47 / 47 - 0.5) - 1.5 * ((minute % 1440 < 360).astype(float)))
    if machine.mode == "heatwave":
        room = room + rng.uniform(6, 9) * np.exp(-(((day - machine.onset_day - 5) / 4.0) ** 4))
    return np.asarray(room + lfilter([0.02], [1.0, -0.98], rng.normal(0.0, 0.6, len(minute))))


def work_of(machine: OtherMachine, day: int, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    """Level without flicker, flickering power [W], and (share, busy memory, kind) of one stretch of load."""
    seconds = int(np.clip(rng.gamma(4.0, machine.hours_a_day * 900.0), 1500, 10000))
    level, flicker = np.zeros((seconds, 2)), np.zeros((seconds, 2))
    about = np.zeros((seconds, 2))
    names = machine.later_favourites if day >= machine.onset_day else machine.favourites
    t = 0
    while t < seconds:
        name = str(rng.choice(names))
        (gpu, cpu), wobble, memory, share = WORK[name]
        until = min(seconds, t + int(rng.uniform(1200, 4000)))
        while t < until:
            pause = name in ("game", "capped_frames", "compile") and rng.random() < 0.35
            long_s = rng.uniform(20, 100) if pause or name == "compile" else rng.uniform(120, 900)
            end = min(until, t + int(long_s))
            shift = rng.choice([1.0, 0.82]) if name == "inference" else rng.uniform(0.93, 1.05)
            level[t:end] = (0.15, 0.15) if pause else (gpu * shift, cpu * shift)
            flicker[t:end] = wobble
            about[t:end] = (share, 2.0 if pause else memory)
            t = end
        t = min(seconds, until + int(rng.uniform(60, 420)))  # between two kinds of work
    rest = machine.idle_w / machine.cap_w
    level = np.vstack([np.zeros((BEFORE_S, 2)), level, np.zeros((COOLING_S, 2))])
    flicker = np.vstack([np.zeros((BEFORE_S, 2)), flicker, np.zeros((COOLING_S, 2))])
    about = np.vstack([np.zeros((BEFORE_S, 2)), about, np.zeros((COOLING_S, 2))])
    about[about[:, 0] == 0.0] = (0.9, 1.0)
    level = np.maximum(level, rest) * machine.cap_w
    noise = lfilter([0.5], [1.0, -0.87], rng.normal(size=level.shape), axis=0)
    wanted = np.maximum(
        level * (1.0 + flicker * noise + 0.01 * rng.normal(size=level.shape)), 0.5 * rest * machine.cap_w
    )
    change = np.diff(level, axis=0, prepend=level[:1])
    part = rng.random(len(level))[:, None]
    return level, np.maximum(wanted - np.where(np.abs(change) > 1.0, part * change, 0.0), 0.3 * rest), about


def stretches_of(
    machine: OtherMachine, rng: np.random.Generator
) -> list[tuple[int, int, tuple[Floats, Floats, Floats]]]:
    """(day, second of the day, work) of each stretch: weekends, days off, one holiday."""
    holiday = int(rng.integers(15, machine.n_days - 15))
    found = []
    for day in range(machine.n_days):
        weekend = (day + 3) % 7 >= 5
        if holiday <= day < holiday + 6 or rng.random() < (0.05 if weekend else 0.15):
            continue
        if weekend and rng.random() < 0.4:
            found.append((day, int(rng.uniform(7.5, 9.5) * 3600), work_of(machine, day, rng)))
        found.append((day, int(rng.uniform(14.0, 19.0) * 3600), work_of(machine, day, rng)))
    return sorted(found, key=lambda one: -len(one[2][0]))


def rows_kept(level: Floats, cap_w: Floats, all_seconds: bool) -> NDArray[np.int64]:
    """Number of the row that each second goes into: single near steps, 5 s under load, 60 s at rest."""
    t = np.arange(len(level))
    steps = np.flatnonzero(
        (np.abs(np.diff(level, axis=0, prepend=level[:1])) > STEP_SHARE * cap_w).any(axis=1)
    )
    near, taken = np.zeros(len(t), dtype=bool), []
    for step in steps:
        if sum(step - one < 3600 for one in taken) < 12:
            taken.append(step)
            near[max(0, step - 10) : step + 61] = True
    loaded = (t >= BEFORE_S - 10) & (t < len(t) - COOLING_S + 90)
    single = near | (loaded & all_seconds)
    key = np.where(single, t, np.where(loaded, t // 5 * 5, t // 60 * 60) + 0.5)
    return np.asarray(np.flatnonzero(np.diff(key, prepend=-1.0)))


def frame_of(machine: OtherMachine) -> pd.DataFrame:
    """The whole history, with every column that a machine could have."""
    rng = np.random.default_rng([machine.seed, 79, machine.number])
    room = room_by_minute(machine, rng)
    found = stretches_of(machine, rng)
    n, n_t = len(found), max(len(one[2][0]) for one in found)
    days = np.array([one[0] for one in found])
    wanted, share, air = np.zeros((n, n_t, 2)), np.full((n, n_t, 2), 0.9), np.zeros((n, n_t))
    for i, (day, at, (level, power, about)) in enumerate(found):
        wanted[i, : len(level)], share[i, : len(level), 0] = power, about[:, 0]
        air[i] = np.interp((day * 86400 + at + np.arange(n_t)) / 60.0, np.arange(len(room)), room)
    joint, n_fans = np.ones((n, 2)), 1 if machine.is_laptop else 2
    flow, wear = np.ones((n, n_fans)), np.ones((n, n_fans))
    own = ("gpu0", "cpu0").index(machine.source)
    joint[:, own] = machine.joint_factor[days]
    flow[:, machine.fans[own]], wear[:, machine.fans[own]] = (
        machine.flow_factor[days],
        machine.wear_factor[days],
    )
    lengths = np.array([len(one[2][0]) for one in found])
    work = Stretches(wanted, share, lengths, air, joint, flow, wear)
    felt, made, clock, fan = solve(
        machine.network, work, machine.control, machine.cap_w, machine.limit_c, machine.fans
    )
    top_rpm = (4800.0,) if machine.is_laptop else (2700.0, 1900.0)
    pieces, rest_rise, ends = [], np.zeros((machine.n_days, 4)), []
    for i, (day, at, (level, _, about)) in enumerate(found):
        m = len(level)
        keep = rows_kept(level, machine.cap_w, machine.all_seconds)
        columns: dict[str, Floats] = {"time": day * 86400.0 + at + np.arange(m)}
        for s, name in enumerate(("gpu0", "cpu0")):
            columns[f"{name}.temperature_c"] = machine.senses.temperature(felt[i, :m, s], rng)
            columns[f"{name}.power_w"] = machine.senses.power(made[i, :m, s], rng)
            busy = np.clip(100.0 * level[:, s] / machine.cap_w[s], 0.0, 100.0)
            columns[f"{name}.utilization_pct"] = np.round(np.clip(busy + rng.normal(0.0, 2.0, m), 0.0, 100.0))
            top = (2100.0, 4600.0)[s]
            columns[f"{name}.clock_mhz"] = np.round(np.where(busy > 12.0, top * clock[i, :m, s], 0.3 * top))
        columns["gpu0.memory_utilization_pct"] = np.round(
            np.clip(about[:, 1] + rng.normal(0.0, 1.5, m), 0.0, 100.0)
        )
        columns["ambient.temperature_c"] = np.round(air[i, :m] + rng.normal(0.0, 0.08, m), 1)
        for f in range(n_fans):
            rpm = top_rpm[f] * np.repeat(fan[i, :m:10, f], 10)[:m] * wear[i, f]
            columns[f"fan{f + 1}.speed_rpm"] = np.round(rpm * (1.0 + rng.normal(0.0, 0.006, m)))
        counts = np.diff(np.append(keep, m))
        pieces.append(pd.DataFrame({k: np.add.reduceat(v, keep) / counts for k, v in columns.items()}))
        rest_rise[day, :2], rest_rise[day, 2:] = felt[i, 60, :] - air[i, 60], made[i, 60, :]
        ends.append(
            (columns["time"][0], columns["time"][-1], felt[i, m - 1] - air[i, m - 1] - rest_rise[day, :2])
        )
    pieces.append(rest_of(machine, room, rest_rise, ends, fan[:, 0].mean(axis=0) * top_rpm, rng))
    frame = pd.concat(pieces, ignore_index=True).sort_values("time", ignore_index=True)
    if rng.random() < 0.4:  # nobody recorded for some days
        gap = rng.uniform(0.2, 0.9) * machine.n_days * 86400
        frame = frame[~frame["time"].between(gap, gap + rng.uniform(0.3, 3.0) * 86400)]
    after = frame["time"] >= machine.onset_day * 86400
    if machine.mode == "power_scale":
        column = f"{machine.source}.power_w"
        frame[column] = frame[column].where(~after, frame[column] * machine.size)
    if machine.mode == "temperature_offset":
        column = f"{machine.source}.temperature_c"
        frame[column] = frame[column].where(~after, frame[column] + round(machine.size))
    return frame


def rest_of(
    machine: OtherMachine,
    room: Floats,
    rest_rise: Floats,
    ends: list[tuple[float, float, Floats]],
    rpm: Floats,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """A row a minute while the machine is on and at rest; six looks make a row."""
    minute = np.arange(machine.n_days * 1440)
    used = rest_rise[:, 2] > 0.0
    day = minute // 1440
    at_s = minute * 60.0 + 30.0
    on = used[day] & (minute % 1440 > 60 * (12 if machine.is_laptop else 7)) & (minute % 1440 < 60 * 23)
    left = np.zeros((len(minute), 2))
    for start, end, excess in ends:
        on &= ~((at_s > start - 40.0) & (at_s < end + 40.0))
        first = int(end // 60)
        span = slice(first, min(first + 120, len(minute)))
        left[span] += np.exp(-(at_s[span] - end).clip(0.0) / IDLE_LEFT_S)[:, None] * excess
    minute, day, at_s, left = minute[on], day[on], at_s[on], left[on]
    columns: dict[str, Floats] = {"time": at_s}
    for s, name in enumerate(("gpu0", "cpu0")):
        stir = lfilter([0.3], [1.0, -0.9], rng.normal(0.0, 0.5, len(minute)))
        true = room[minute] + rest_rise[day, s] + left[:, s] + stir
        looks = [machine.senses.temperature(true, rng) for _ in range(6)]
        columns[f"{name}.temperature_c"] = np.mean(looks, axis=0)
        columns[f"{name}.power_w"] = machine.senses.power(rest_rise[day, 2 + s] * (1.0 + 0.05 * stir), rng)
        columns[f"{name}.utilization_pct"] = np.clip(np.round(rng.normal(3.0, 2.0, len(minute))), 0.0, 100.0)
        columns[f"{name}.clock_mhz"] = np.full(len(minute), (630.0, 1380.0)[s])
    columns["gpu0.memory_utilization_pct"] = np.ones(len(minute))
    columns["ambient.temperature_c"] = np.round(room[minute] + rng.normal(0.0, 0.05, len(minute)), 1)
    worn = machine.fans[("gpu0", "cpu0").index(machine.source)]
    for f, speed in enumerate(rpm):
        columns[f"fan{f + 1}.speed_rpm"] = np.round(speed * (machine.wear_factor[day] if f == worn else 1.0))
    return pd.DataFrame(columns)


def write(machine: OtherMachine, folder: Path) -> None:
    """Write table, journal and truth of a machine into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    frame = frame_of(machine)
    gone = {
        "utilization": ".utilization_pct",
        "memory_utilization": ".memory_utilization_pct",
        "clock": ".clock_mhz",
    }
    gone |= {"ambient": "ambient.temperature_c", "fan": ".speed_rpm"}
    frame = frame.drop(columns=[c for c in frame for name in machine.missing if c.endswith(gone[name])])
    frame["time"] = (frame["time"] + machine.start_s).round(3)
    if machine.is_csv:
        frame.round(3).to_csv(folder / "table.csv", index=False)
    else:
        frame.round(3).to_parquet(folder / "table.parquet", index=False)
    if machine.mode == "repaste":
        at = pd.Timestamp(machine.start_s + machine.onset_day * 86400 + 39600, unit="s", tz="UTC").isoformat()
        (folder / "journal.toml").write_text(f'[[entry]]\ntime = {at}\nkind = "compound"\npath = "gpu0"\n')
    truth = {
        "mode": machine.mode,
        "expected_cause": machine.expected_cause,
        "expected_shape": machine.expected_shape,
        "source": machine.source,
        "onset_day": machine.onset_day,
        "size": machine.size,
        "missing": machine.missing,
        "is_laptop": machine.is_laptop,
        "fan_control": machine.control.kind,
        "start_s": machine.start_s,
        "interface_ratio": machine.interface_ratio.round(5).tolist(),
        "airflow_ratio": machine.airflow_ratio.round(5).tolist(),
    }
    (folder / "truth.json").write_text(json.dumps(truth))


def write_one(seed: int, number: int, to: Path) -> str:
    machine = draw(seed, number)
    write(machine, to / f"{number:03d}-{machine.mode}")
    return f"{number:03d} {machine.mode}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    for name, value in (("--machines", 24), ("--seed", 1), ("--jobs", 1)):
        parser.add_argument(name, type=int, default=value)
    parser.add_argument("--to", type=Path, required=True)
    asked = parser.parse_args()
    n = asked.machines
    with ProcessPoolExecutor(asked.jobs) as pool:
        for line in pool.map(write_one, [asked.seed] * n, range(n), [asked.to] * n):
            print(line, flush=True)


if __name__ == "__main__":
    main()
