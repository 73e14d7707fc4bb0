"""What happens to one laptop in a year, drawn from a seed before any of it happens.

All moments are true seconds since the first midnight (UTC); what the laptop's own clock shows is something
else. A life lasts from one boot to the next: until the battery is dead, or a newer kernel wants a reboot.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

from heatdrift.fake_sensors.ageing import Fault, FaultMode
from heatdrift.fake_sensors.workload import Segment, Task, on_grain, work

DAY_S = 86_400.0
HOUR_S = 3600.0
START_UTC_MS = round(datetime(2026, 3, 1, tzinfo=UTC).timestamp() * 1000)
KIND, MACHINE_SEED = "laptop", 10  # a GPU behind NVML, a probe in the room
ZONE = "Europe/Berlin"
SUMMER_TIME_DAYS = (28, 238)  # the nights of 29 March and of 25 October 2026, 01:00 UTC
MORNING_UTC_HOURS = {28: 4.75, 238: 5.75}  # a quarter of an hour before seven on the wall
LETTER_AFTER_S = 4000.0  # into such a night something is found that can wait until the morning
LETTER = "found in the night of the change"
WARM_UP_S, TAIL_S = 660.0, 540.0  # idle before and after work: five quiet minutes, then the nightly children
LONG_IDLE_S = 1.5 * HOUR_S
DEAD, REBOOT, END = "battery", "reboot", "end"
HOLIDAY = 150, 164
KERNELS = ("6.8.0-45-generic", "6.8.0-52-generic", "6.11.0-9-generic", "6.12.3-1-generic")
DRIVERS = ("550.90.07", "560.35.03", "565.57.01", "570.86.16")


@dataclass(frozen=True, slots=True)
class Session:
    """A stretch awake: idle, work, idle; without work where its two ends are one."""

    from_s: float
    work_from_s: float
    work_to_s: float
    to_s: float


@dataclass(slots=True)
class Life:
    """From one boot to the next.

    ``steps`` are what somebody does to the clock: moment and seconds. ``end_s`` is when the battery is dead,
    else when the service was asked to stop.
    """

    number: int
    sessions: list[Session]
    wrong_by_s: float = 0.0
    steps: list[tuple[float, float]] = field(default_factory=list)
    end: str = END
    end_s: float = 0.0
    n_updates: int = 0

    @property
    def from_s(self) -> float:
        """The boot."""
        return self.sessions[0].from_s

    @property
    def kernel(self) -> str:
        """Release of the kernel."""
        return KERNELS[self.n_updates % len(KERNELS)]

    @property
    def driver(self) -> str:
        """Release of the GPU's driver."""
        return DRIVERS[self.n_updates % len(DRIVERS)]


@dataclass(frozen=True, slots=True)
class Campaign:
    """A number of days, what goes wrong with the cooler, and on which days something else does.

    ``death_days`` end with a dead battery, ``update_days`` with a newer kernel and driver; on ``ahead_days``
    the clock is a day ahead for a minute.
    """

    seed: int
    n_days: int
    fault: Fault
    death_days: tuple[int, ...]
    update_days: tuple[int, ...]
    ahead_days: tuple[int, ...]

    @classmethod
    def short(cls, seed: int, n_days: int) -> Campaign:
        """A spring: a blow loosens the cooler in the fourth week."""
        fault = Fault(FaultMode.KNOCKED, 26.3, 0.3, source="gpu0")
        return cls(seed, n_days, fault, (5, 9, 14, n_days - 7), (18,), (22,))

    @classmethod
    def long(cls, seed: int, n_days: int) -> Campaign:
        """A year: the compound is pumped out from the seventh month on."""
        rng = random.Random(f"{seed}/long")
        fault = Fault(FaultMode.PUMP_OUT, 0.6 * n_days, 0.3, 0.3 * n_days, "gpu0")
        deaths, day = [], 0
        while (day := day + rng.randint(18, 32)) < n_days - 3:
            deaths.append(day)
        return cls(
            seed, n_days, fault, tuple(deaths), tuple(range(70, n_days - 3, 85)), tuple(range(20, n_days, 30))
        )


def lives(campaign: Campaign) -> list[Life]:
    """Everything that happens, in order."""
    rng = random.Random(f"{campaign.seed}/year")
    found: list[Life] = []
    sessions: list[Session] = []
    n_updates, wrong_by_s = 0, 0.0
    for day in range(campaign.n_days):
        sessions += _day(rng, day, campaign)
        if not sessions or day == campaign.n_days - 1:
            continue
        last = sessions[-1]
        is_dying = day in campaign.death_days
        if not is_dying and day not in campaign.update_days:
            continue
        life = Life(len(found), sessions, wrong_by_s, end=DEAD if is_dying else REBOOT, n_updates=n_updates)
        life.end_s = _end_s(rng, last, is_dying, len(found))
        found.append(life)
        n_updates += not is_dying
        # A battery that was quite dead takes the clock with it: to 1970, or to what is set as local time.
        wrong_by_s = rng.choice((0.0, -last.to_s - START_UTC_MS / 1000, HOUR_S)) if is_dying else 0.0
        sessions = []
    if sessions:
        found.append(
            Life(len(found), sessions, wrong_by_s, end_s=sessions[-1].to_s - 5.0, n_updates=n_updates)
        )
    for life in found:
        life.steps = sorted(_steps(rng, life, campaign))
    return found


def segments(life: Life, tasks: tuple[Task, ...], seed: int) -> Iterator[Segment]:
    """The work of a life, in seconds since its boot, without end."""
    rng = random.Random("/".join((str(seed), "work", str(life.number))))
    now_s = 0.0
    for session in life.sessions:
        begin_s = on_grain(session.from_s - life.from_s)
        if begin_s > now_s:
            yield Segment(begin_s, "off", 0.0, 0.0, 0.0, 0.0, 1.0, is_off=True)
        now_s = on_grain(session.work_from_s - life.from_s)
        yield _idle(now_s)
        end_s, is_first = session.work_to_s - life.from_s, True
        while now_s < end_s:
            task = rng.choice(tasks)
            span_s = rng.uniform(840, 960) if is_first else rng.uniform(140, 260)
            is_first = False
            now_s = on_grain(min(now_s + span_s, end_s))
            yield work(task, now_s, rng.gauss(1.0, 0.03))
            now_s = on_grain(now_s + rng.uniform(25, 70))
            yield work(task, now_s, task.pause_level)
        now_s = on_grain(max(session.to_s - life.from_s, now_s + 1.0))
        yield _idle(now_s)
    yield _idle(now_s + 10 * DAY_S)


def is_summer_time_night(session: Session) -> bool:
    """Whether somebody sits there, and does nothing, while the clock on the wall is changed."""
    return session.work_from_s == session.work_to_s and session.from_s % DAY_S < HOUR_S


def _idle(end_s: float) -> Segment:
    return Segment(end_s, "idle", 0.01, 0.0, 0.01, 0.3, 5.0)


def _day(rng: random.Random, day: int, campaign: Campaign) -> Iterator[Session]:
    """When the lid is open."""
    first, last = day == 0, day == campaign.n_days - 1
    must_be_there = first or last or day in campaign.death_days or day in campaign.update_days
    is_away = rng.random() < 0.05 or day % 7 == 6 or HOLIDAY[0] <= day < HOLIDAY[1]
    if is_away and not must_be_there and day not in SUMMER_TIME_DAYS:
        return  # the lid stays shut
    if day in SUMMER_TIME_DAYS:  # through the hour that the wall has not, or has twice
        begin_s = day * DAY_S + 0.4 * HOUR_S
        yield Session(begin_s, begin_s + WARM_UP_S, begin_s + WARM_UP_S, begin_s + 1.5 * HOUR_S)
        begin_s = day * DAY_S + MORNING_UTC_HOURS[day] * HOUR_S
        yield Session(begin_s, begin_s + WARM_UP_S, begin_s + WARM_UP_S, begin_s + 0.75 * HOUR_S)
    hour = max(12.0, min(20.0, rng.gauss(16.5, 0.8)))
    if rng.random() < 0.06:
        hour = 23.2  # past midnight
    begin_s = day * DAY_S + hour * HOUR_S
    work_from_s = begin_s + WARM_UP_S
    work_to_s = work_from_s + rng.uniform(26, 32) * 60.0
    tail_s = LONG_IDLE_S if day % 12 == 4 and hour < 20.0 else TAIL_S
    if rng.random() < 0.2 and work_to_s + 5400.0 < (day + 1) * DAY_S:  # two sessions with a nap between them
        half_s = work_from_s + (work_to_s - work_from_s) / 2
        yield Session(begin_s, work_from_s, half_s, half_s + TAIL_S)
        begin_s = half_s + TAIL_S + 1800.0
        work_from_s, work_to_s = begin_s + WARM_UP_S, begin_s + WARM_UP_S + (work_to_s - half_s)
    yield Session(begin_s, work_from_s, work_to_s, work_to_s + tail_s)


def _end_s(rng: random.Random, last: Session, is_dying: bool, number: int) -> float:
    """When a life ends: in sleep, under load, or while the nightly children have the pen."""
    if not is_dying:
        return last.to_s - 5.0
    moments = (
        rng.uniform(last.work_from_s + 60.0, last.work_to_s),
        last.from_s + rng.uniform(300.0, 340.0),
        last.to_s + rng.uniform(60.0, 1200.0),
    )
    return moments[number % len(moments)]


def _steps(rng: random.Random, life: Life, campaign: Campaign) -> Iterator[tuple[float, float]]:
    """What is done to the clock: mended after a boot, by hand now and then, with the summer time."""
    if life.wrong_by_s:
        yield life.from_s + 180.0, -life.wrong_by_s
    for session in life.sessions:
        day = int(session.from_s // DAY_S)
        if session.to_s > life.end_s or session.from_s == life.from_s:
            continue
        # Another system that keeps the clock in local time has an hour put on it, or taken off.
        if is_summer_time_night(session):
            by_s = HOUR_S if day == SUMMER_TIME_DAYS[0] else -HOUR_S
            yield from ((session.from_s + 2000.0, by_s), (session.from_s + 3000.0, -by_s))
        elif day % 10 == 7:
            by_s = rng.choice((-300.0, 300.0, -HOUR_S, HOUR_S))
            yield from ((session.work_to_s - 900.0, by_s), (session.work_to_s - 200.0, -by_s))
        elif day in campaign.ahead_days:  # a day ahead, and back again
            yield from ((session.from_s + 120.0, DAY_S), (session.from_s + 200.0, -DAY_S))
