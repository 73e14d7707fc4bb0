"""A complete change of work is no change of the machine, and hides none that comes after it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from simulated_cells import World, cells

from heatdrift.reports.drift import INTERFACE
from heatdrift.reports.judged_part import JudgedPart, judged_part
from heatdrift.reports.part_series import part_series

N_WORLDS, N_DAYS, CHANGE_DAY, STEP_DAY = 40, 90, 35, 60


def judged(seed: int, step: float, class_sd: float = 0.12) -> JudgedPart:
    """Two kinds of work for some weeks, then two others that nobody has seen before."""
    rng = np.random.default_rng(seed)
    effects = tuple(class_sd * rng.standard_normal(4))
    usage = np.zeros((N_DAYS, 4))
    share = rng.uniform(0.2, 0.8, N_DAYS)
    usage[:CHANGE_DAY, 0], usage[:CHANGE_DAY, 1] = share[:CHANGE_DAY], 1.0 - share[:CHANGE_DAY]
    usage[CHANGE_DAY:, 2], usage[CHANGE_DAY:, 3] = share[CHANGE_DAY:], 1.0 - share[CHANGE_DAY:]
    level = np.where(np.arange(N_DAYS) >= STEP_DAY, step, 0.0)
    table = cells(World(n_days=N_DAYS, effects=effects, usage=usage, level=level), seed)
    value = np.exp(table["log_value"])
    table = table.assign(part="interface", value=value, standard_error=value * table["standard_error"])
    return judged_part("interface", lambda: part_series(table, "interface"), INTERFACE)


def test_another_kind_of_work_raises_no_alarm() -> None:
    parts = [judged(seed, 0.0) for seed in range(N_WORLDS)]
    # Classes twelve per cent apart: as long as each day's error was taken for its own, every third one cried.
    assert sum(part.is_changed for part in parts) <= 1
    said = [part.change.ci95_pct for part in parts if part.change.ci95_pct is not None]
    # An interval that holds 0, or a word that nothing can be said. 95 % are claimed; how wide classes lie is
    # only known from two that met two, so that some ask for more than was given.
    assert sum(low <= 0.0 <= high for low, high in said) >= 0.8 * len(said)


def test_a_step_after_it_is_found_all_the_same() -> None:
    parts = [judged(seed, 0.12) for seed in range(N_WORLDS)]
    found = [part for part in parts if part.is_changed]
    assert len(found) >= 0.85 * N_WORLDS  # where classes lie far apart it could be one of them
    days = [
        (pd.Timestamp(part.changed_by.onset_utc or "") - pd.Timestamp("2026-01-01", tz="UTC")).days
        for part in found
    ]
    assert np.median(np.abs(np.array(days) - STEP_DAY)) <= 2
