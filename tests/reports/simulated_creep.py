"""Parts that creep by a known law and clock to a limit, as days show them; what is said of it; the truth."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatdrift.reports.creep_laws import CreepForecast, forecast_creep, recent_weights
from heatdrift.reports.drift import INTERFACE, DetectorSettings, detect
from heatdrift.reports.heat_path import Estimate
from heatdrift.reports.outlook import Outlook, outlook
from heatdrift.store.errors import TooFewWindowsError

Array = npt.NDArray[np.float64]
LAWS = ("straight", "root", "levelling", "cycles, season", "cycles, holiday", "hot hours")
N_DAYS, N_BASELINE = 900, 14
AMBIENT_C, POWER_W = 25.0, 115.0
FIRST_DAY = pd.Timestamp("2026-01-01", tz="UTC")


@dataclass(frozen=True, slots=True)
class Case:
    """One part of one machine, looked at on one day.

    Attributes
    ----------
    law
        One of ``LAWS``.
    said
        The outlook; None where the creep was not detected, or not as one.
    true_days
        Until the limit; infinite where it is never reached within two years.
    """

    law: str
    said: Outlook | None
    true_days: float
    creep: CreepForecast | None


def use(rng: np.random.Generator, law: str) -> pd.DataFrame:
    """Cycles and hot hours of each day: weekends, weeks that differ, and a season or a change of habit."""
    day = np.arange(N_DAYS)
    level = (
        np.where(day % 7 >= 5, rng.uniform(0.7, 2.5), 1.0)
        * np.repeat(rng.lognormal(0.0, 0.2, N_DAYS // 7 + 1), 7)[:N_DAYS]
    )
    if law == "cycles, season":
        level = level * (1.0 + 0.5 * np.sin(2.0 * np.pi * day / 365.0 + rng.uniform(0.0, 2.0 * np.pi)))
    if law == "cycles, holiday":
        for _ in range(8):
            begin = int(rng.integers(0, N_DAYS))
            level[begin : begin + int(rng.integers(10, 30))] *= rng.choice([0.1, 2.5])
    cycles, hot_h = (rng.uniform(4.0, 15.0) * level * rng.lognormal(0.0, 0.3, N_DAYS) for _ in range(2))
    index = pd.Index((FIRST_DAY + pd.to_timedelta(day, unit="D")).strftime("%Y-%m-%d"), name="day")
    return pd.DataFrame({"cycles": cycles, "hot_h": hot_h}, index)


def true_course(rng: np.random.Generator, law: str, onset: int, exposure: pd.DataFrame) -> Array:
    """Ratio of the part on each day."""
    age = np.maximum(np.arange(N_DAYS) - onset, 0.0)
    size = rng.uniform(0.10, 0.40)  # in ninety days or what corresponds
    if law in ("straight", "root"):
        return np.asarray(1.0 + size * (age / 90.0) ** (1.0 if law == "straight" else 0.5))
    if law == "levelling":
        constant = rng.uniform(20.0, 90.0)
        return np.asarray(1.0 + 1.1 * size * -np.expm1(-age / constant))
    of_day = exposure["hot_h" if law == "hot hours" else "cycles"].to_numpy()
    passed = np.cumsum(np.where(age > 0.0, of_day, 0.0))
    return np.asarray(1.0 + size * passed / (90.0 * of_day.mean()))


def noisy(rng: np.random.Generator, n: int, is_there: npt.NDArray[np.bool_]) -> tuple[Array, Array]:
    """Errors of days that keep memory up to 0.6, and what is stated of them, wrong by up to 1.5."""
    memory, scatter = rng.uniform(0.0, 0.6), rng.uniform(0.008, 0.03)
    unit = rng.standard_t(6, n) / math.sqrt(1.5)
    noise = np.empty(n)
    noise[0] = unit[0]
    for i in range(1, n):
        noise[i] = memory * noise[i - 1] + math.sqrt(1.0 - memory**2) * unit[i]
    errors = scatter * rng.lognormal(0.0, 0.25, n)
    stated = errors / math.exp(rng.uniform(-math.log(1.5), math.log(1.5)))
    return (errors * noise)[is_there], stated[is_there]


def case(rng: np.random.Generator, law: str, settings: DetectorSettings = INTERFACE) -> Case:
    """Draw a machine, look at it 30 to 120 days after the onset, and say when its limit is really reached."""
    onset, age = int(rng.integers(20, 90)), int(rng.integers(30, 121))
    now = onset + age
    exposure = use(rng, law)
    ratio = true_course(rng, law, onset, exposure)
    is_there = rng.random(now + 1) > rng.uniform(0.0, 0.4)
    is_there[[0, now]] = True
    days = np.flatnonzero(is_there)
    error, stated = noisy(rng, now + 1, is_there)
    season = rng.uniform(0.0, settings.systematic_sd) * np.sin(
        2.0 * np.pi * days / 365.0 + rng.uniform(0.0, 2.0 * np.pi)
    )
    log_ratio = np.log(ratio[days]) + error + season
    log_ratio -= log_ratio[:N_BASELINE].mean()
    baseline_error = float(np.sqrt((stated[:N_BASELINE] ** 2).sum())) / N_BASELINE
    rows = pd.DataFrame(
        {"log_ratio": log_ratio, "standard_error": stated},
        FIRST_DAY + pd.to_timedelta(days, unit="D"),
    )
    share, total = rng.uniform(0.25, 0.6), rng.uniform(0.3, 0.5)
    whole = 1.0 + share * (ratio - 1.0)
    limit_ratio = whole[now] + share * (ratio[now] - 1.0) * rng.uniform(0.1, 1.5)
    reached = np.flatnonzero(whole >= limit_ratio)
    true_days = float(reached[0] - now) if len(reached) else math.inf
    found = detect(rows, N_BASELINE, baseline_error, settings)
    if found.state != "changed" or found.shape != "creep" or found.onset_ci95_utc is None:
        return Case(law, None, true_days, None)
    try:
        creep = forecast_creep(
            rows,
            found.onset_ci95_utc,
            baseline_standard_error=baseline_error,
            systematic_sd=settings.systematic_sd,
            exposure=exposure.iloc[: now + 1],
        )
    except TooFewWindowsError:
        return Case(law, None, true_days, None)
    # The whole as the report has it: both parts' last thirty days, the other one steady.
    own = math.exp(float(recent_weights(days.astype(float), stated) @ log_ratio))
    seen = 1.0 + share * (own - 1.0) + (1.0 - share) * 0.005 * rng.standard_normal()
    said = outlook(
        "gpu0",
        Estimate(total * math.exp(0.01 * rng.standard_normal()), 0.01 * total, 100),
        total_change=(math.log(seen), math.hypot((1.0 - share) * 0.005, share * 0.008) / seen),
        creep=creep,
        share=share,
        ambient_c=AMBIENT_C,
        power_w=POWER_W,
        limit_c=AMBIENT_C + POWER_W * total * limit_ratio,
    )
    return Case(law, said, true_days, creep)


def cases(n_each: int, seed: int, settings: DetectorSettings = INTERFACE) -> Iterator[Case]:
    """So many of each law."""
    rng = np.random.default_rng(seed)
    for _ in range(n_each):
        for law in LAWS:
            yield case(rng, law, settings)


def holds(one: Case) -> bool | None:
    """Whether the interval holds the true day; None where there is no interval."""
    if one.said is None or one.said.ci80_days is None:
        return None
    low, high = one.said.ci80_days
    return low <= one.true_days <= high
