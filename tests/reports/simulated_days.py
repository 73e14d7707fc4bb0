"""Series of days of machines that do not exist, healthy or with a change of known shape, size and day."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from heatdrift.reports.drift import AIRFLOW, INTERFACE, Detector, DetectorSettings

Array = npt.NDArray[np.float64]
N_BASELINE = 14


class Series(NamedTuple):
    """One series with what was put into it."""

    days: Array
    log_ratio: Array
    standard_error: Array
    baseline_standard_error: float


def simulate(
    rng: np.random.Generator,
    n_days: int = 365,
    *,
    scatter: float | None = None,
    season: float = 0.01,
    change: Callable[[Array], Array] | None = None,
) -> Series:
    """Days of one part: 1-4 % scatter with memory and heavy tails, stated errors wrong by up to 1.5, weekends
    or single days off, vacations, a seasonal wander of an amplitude up to ``season`` at any phase."""
    days = np.arange(n_days, dtype=float)
    is_there = rng.random(n_days) > rng.uniform(0.0, 0.4)
    if rng.random() < 0.5:
        is_there &= np.arange(n_days) % 7 < 5
    start = int(rng.integers(30, max(31, n_days - 20)))
    is_there[start : start + int(rng.integers(7, 28))] = False
    days = days[is_there]
    n = len(days)
    memory = rng.uniform(0.0, 0.6)
    scatter = rng.uniform(0.01, 0.04) if scatter is None else scatter
    errors = scatter * rng.lognormal(0.0, 0.25, n)
    unit = rng.standard_t(6, n) / np.sqrt(1.5)
    noise = np.empty(n)
    noise[0] = unit[0]
    for i in range(1, n):
        kept = memory ** (days[i] - days[i - 1])
        noise[i] = kept * noise[i - 1] + np.sqrt(1.0 - kept**2) * unit[i]
    size, phase = rng.uniform(0.0, season), rng.uniform(0.0, 2.0 * np.pi)
    wander = size * np.sin(2.0 * np.pi * days / 365.0 + phase)
    y = errors * noise + wander
    y = y - y[:N_BASELINE].mean()
    error = float(np.sqrt((errors[:N_BASELINE] ** 2).sum())) / N_BASELINE
    if change is not None:
        y = y + change(days)
    return Series(days, y, errors / np.exp(rng.uniform(-np.log(1.5), np.log(1.5))), error)


YEARS = 2
# one machine: two sources with an interface and an airflow part, and two more of what is followed
PARTS = ((INTERFACE, 0.01), (AIRFLOW, 0.04)) * 3


def walk(series: Series, settings: DetectorSettings = INTERFACE) -> Detector:
    """Give a detector all days, until it raises an alarm."""
    detector = Detector(N_BASELINE, series.baseline_standard_error, settings)
    for row in zip(series.days, series.log_ratio, series.standard_error, strict=True):
        day, log_ratio, error = map(float, row)
        detector.add(day, log_ratio, error)
        if detector.detected_day is not None:
            break
    return detector


def false_alarms(n_machines: int, seed: int) -> tuple[int, float]:
    """Alarms of healthy machines, and the machine-years in which they came."""
    rng = np.random.default_rng(seed)
    n_alarms = 0
    for _ in range(n_machines):
        for settings, season in PARTS:
            series = simulate(rng, 365 * YEARS, season=season)
            n_alarms += walk(series, settings).detected_day is not None
    return n_alarms, float(n_machines * YEARS)
