"""What the owner does all day: idle, games, renders, memory-heavy work, in evenings of differing length."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

HOUR_S = 3600.0
DAY_S = 24 * HOUR_S
LAST_END_S = DAY_S - 300.0  # sessions stay within their day
LEAST_SESSION_S = 300.0
ROOM_FOR_BREAKS = 1.25  # breaks of some eight minutes in sessions of an hour
GRAIN_S = 0.1  # work changes on this grid, so that the steps of the machine come in few lengths


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of constant work.

    ``cpu_level`` and ``gpu_level`` are the power asked for, as a share of the power limit (above 1 the limit
    decides); ``memory_level`` is the share of time in which memory is busy; ``flicker`` is the relative
    standard deviation of the power within the stretch, ``flicker_s`` how long such a swing lasts [s].
    """

    end_s: float
    name: str
    cpu_level: float
    gpu_level: float
    memory_level: float
    flicker: float
    flicker_s: float
    is_off: bool = False


@dataclass(frozen=True, slots=True)
class Task:
    """Something the owner comes back to, always with the same load."""

    name: str
    cpu_level: float
    gpu_level: float
    memory_level: float
    flicker: float
    flicker_s: float
    stretch_s: tuple[float, float]
    pause_s: tuple[float, float]
    pause_level: float


@dataclass(frozen=True, slots=True)
class Habits:
    """How a machine is used.

    Attributes
    ----------
    load_hours_a_day
        Mean hours under load in a day.
    evening_hour
        Mean hour at which the longest session begins.
    tasks
        What is done in them.
    later_tasks, change_day
        What is done instead, from this day on.
    is_off_at_night
        Asleep from one to seven in the morning.
    absences
        Stretches in which nobody is there and the machine is off: beginning [days since the start] and length
        [days], in order and apart.
    """

    load_hours_a_day: float
    evening_hour: float
    tasks: tuple[Task, ...]
    later_tasks: tuple[Task, ...] = ()
    change_day: float = float("inf")
    is_off_at_night: bool = False
    absences: tuple[tuple[float, float], ...] = ()


def draw_task(rng: random.Random, kind: str) -> Task:
    """Invent a task: ``game``, ``render``, ``compute`` (memory-heavy), or ``compile`` (processor alone)."""
    uniform = rng.uniform
    name = f"{kind}-{rng.randrange(1000)}"
    if kind == "render":
        return Task(
            name,
            uniform(0.15, 0.9),
            uniform(0.9, 1.15),
            uniform(0.2, 0.5),
            0.012,
            4.0,
            (300, 1800),
            (15, 90),
            0.1,
        )
    if kind == "compute":
        return Task(
            name,
            uniform(0.1, 0.35),
            uniform(0.55, 0.85),
            uniform(0.7, 0.98),
            0.02,
            6.0,
            (300, 2100),
            (10, 60),
            0.05,
        )
    if kind == "compile":
        return Task(name, uniform(0.8, 1.2), uniform(0.0, 0.04), 0.02, 0.05, 3.0, (40, 400), (20, 240), 0.05)
    return Task(
        name,
        uniform(0.3, 0.65),
        uniform(0.6, 1.1),
        uniform(0.25, 0.6),
        uniform(0.02, 0.07),
        uniform(2.0, 8.0),
        (300, 2100),
        (15, 90),
        uniform(0.15, 0.4),
    )


def draw_habits(rng: random.Random, load_hours_a_day: float | None = None) -> Habits:
    """Invent an owner; ``load_hours_a_day`` fixes the mean load."""
    kinds = ["game", "game", rng.choice(["render", "compute"]), rng.choice(["game", "compile", "compute"])]
    hours = rng.uniform(1.5, 5.0)
    return Habits(
        load_hours_a_day=hours if load_hours_a_day is None else load_hours_a_day,
        evening_hour=rng.uniform(17.0, 20.5),
        tasks=tuple(draw_task(rng, kind) for kind in kinds),
    )


class Workload:
    """The segments of one owner's life; the same seed gives the same life.

    Parameters
    ----------
    habits
        How the machine is used.
    seed
        Seed.
    start_hour
        Hour of the day at which time begins.
    """

    def __init__(self, habits: Habits, seed: str, start_hour: float = 0.0) -> None:
        self.habits = habits
        self._rng = random.Random(f"{seed}/work")  # noqa: S311 - a simulation, no secret
        self._start_s = start_hour * HOUR_S

    def segments(self) -> Iterator[Segment]:
        """Segments without end, each beginning where the one before ended, the first at 0."""
        return without(self._life(), self.habits.absences)

    def _life(self) -> Iterator[Segment]:
        now_s, day = 0.0, 0
        while True:
            for task, from_s, to_s in self._sessions(day):
                for made in self._idle(now_s, from_s, day):
                    now_s = made.end_s
                    yield made
                for made in self._session(task, now_s, to_s):
                    now_s = made.end_s
                    yield made
            day += 1
            for made in self._idle(now_s, day * DAY_S - self._start_s, day - 1):
                now_s = made.end_s
                yield made

    def _sessions(self, day: int) -> list[tuple[Task, float, float]]:
        """Sessions of one day in order: task, beginning and end [s]; none that has begun before time does."""
        rng, habits = self._rng, self.habits
        is_late = day >= habits.change_day
        tasks = (habits.later_tasks if is_late else ()) or habits.tasks
        # Days differ: some without load, some twice the mean.
        left_s = habits.load_hours_a_day * HOUR_S * min(2.0, max(0.0, rng.gauss(1.0, 0.45)))
        sessions = []
        begin_s = max(8.0 * HOUR_S, rng.gauss(habits.evening_hour, 0.8) * HOUR_S)
        begin_s = min(begin_s, LAST_END_S - ROOM_FOR_BREAKS * left_s)
        while left_s > LEAST_SESSION_S and begin_s < LAST_END_S - LEAST_SESSION_S:
            long_s = min(left_s, rng.uniform(0.4, 1.6) * HOUR_S, LAST_END_S - begin_s)
            from_s = day * DAY_S + begin_s - self._start_s
            if from_s > 0:
                sessions.append((rng.choice(tasks), from_s, from_s + long_s))
            left_s -= long_s
            begin_s += long_s + rng.uniform(60.0, 900.0)
        return sessions

    def _session(self, task: Task, from_s: float, to_s: float) -> Iterator[Segment]:
        rng, now_s = self._rng, from_s
        while now_s < to_s - 20.0:
            vary = rng.gauss(1.0, 0.04)
            end_s = on_grain(min(to_s, now_s + rng.uniform(*task.stretch_s)))
            yield work(task, end_s, vary)
            now_s = on_grain(end_s + rng.uniform(*task.pause_s))
            yield work(task, now_s, task.pause_level)

    def _idle(self, from_s: float, to_s: float, day: int) -> Iterator[Segment]:
        """Idle with blips of a few seconds, many by day and few by night."""
        rng, now_s = self._rng, from_s
        night_s = [(day * DAY_S + hour * HOUR_S - self._start_s) for hour in (1, 7)]
        while now_s < to_s - GRAIN_S:
            hour = ((now_s + self._start_s) / HOUR_S) % 24
            is_night = hour < 7
            if self.habits.is_off_at_night and night_s[0] <= now_s < night_s[1]:
                now_s = on_grain(min(to_s, night_s[1]))
                yield Segment(now_s, "off", 0.0, 0.0, 0.0, 0.0, 1.0, is_off=True)
                continue
            quiet_s = rng.expovariate(1.0 / (2400.0 if is_night else 700.0)) + 5.0
            end_s = min(to_s, now_s + quiet_s)
            if self.habits.is_off_at_night and now_s < night_s[0] < end_s:
                end_s = night_s[0]
            now_s = on_grain(max(end_s, now_s + GRAIN_S))
            yield Segment(now_s, "idle", 0.01, 0.0, 0.01, 0.3, 5.0)
            if now_s < to_s - 30.0:
                now_s = on_grain(now_s + rng.uniform(1.0, 7.0))
                level = 0.05 + min(0.5, rng.expovariate(1.0 / 0.07))
                yield Segment(now_s, "blip", level, 0.1 * level, 0.05, 0.1, 2.0)


def without(segments: Iterator[Segment], absences: Sequence[tuple[float, float]]) -> Iterator[Segment]:
    """The same life with the machine off in some stretches; what would have been done in them is left out.

    Parameters
    ----------
    segments
        Contiguous from 0 on, without end.
    absences
        Beginning and length of each [days], in order and apart.
    """
    begin_s = 0.0
    waiting = [(on_grain(day * DAY_S), on_grain((day + days) * DAY_S)) for day, days in absences]
    for segment in segments:
        while waiting and segment.end_s > waiting[0][0]:
            from_s, to_s = waiting[0]
            if begin_s < from_s:
                yield replace(segment, end_s=from_s)
            if begin_s < to_s:
                yield Segment(to_s, "off", 0.0, 0.0, 0.0, 0.0, 1.0, is_off=True)
                begin_s = to_s
            if segment.end_s <= to_s:
                break
            del waiting[0]
        if segment.end_s > begin_s:
            yield segment
            begin_s = segment.end_s


def demonstration(tasks: Sequence[Task], seed: str) -> Iterator[Segment]:
    """Work for an impatient onlooker: a step within the first minute, then one every minute or so."""
    rng = random.Random(f"{seed}/demonstration")  # noqa: S311 - a simulation, no secret
    now_s = 40.0
    yield Segment(now_s, "idle", 0.01, 0.0, 0.01, 0.3, 5.0)
    while True:
        for task in tasks:
            now_s = on_grain(now_s + rng.uniform(70.0, 150.0))
            yield work(task, now_s, 1.0)
            now_s = on_grain(now_s + rng.uniform(50.0, 120.0))
            yield Segment(now_s, "idle", 0.01, 0.0, 0.01, 0.3, 5.0)


def work(task: Task, end_s: float, share: float) -> Segment:
    """A stretch of a task at a share of its power."""
    return Segment(
        end_s,
        task.name,
        task.cpu_level * share,
        task.gpu_level * share,
        task.memory_level * min(1.0, share),
        task.flicker,
        task.flicker_s,
    )


def on_grain(moment_s: float) -> float:
    """The nearest moment on the grid of the machine's steps [s]."""
    return round(moment_s / GRAIN_S) * GRAIN_S
