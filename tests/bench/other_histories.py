"""Days of invented machines: room, work, what is recorded of it, and when.

Rows are single seconds near load steps, means of 5 s under load and of 60 s at rest.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from other_physics import FanControl, Floats, Network, Senses, Stretches, solve  # type: ignore[import-not-found]
from scipy.signal import lfilter

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
    """A machine and what will happen to it; ratios are of one day each, 1 at the start.

    ``interface_ratio`` is that of the lags below 3 s. A joint that grows also moves heat to slower lags;
    ``joint_ratio`` counts all that it adds as interface. Layers have no sharper border than these two.
    """

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
    joint_ratio: Floats = field(repr=False)
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
    near = np.zeros(len(t), dtype=bool)
    taken: list[int] = []
    for step in steps:
        if sum(step - one < 3600 for one in taken) < 12:
            taken.append(int(step))
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
