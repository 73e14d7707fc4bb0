"""Observations of some workload classes over many days, with the truth written beside them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatdrift.reports.classes import day_cells

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class World:
    """How days, classes and errors are drawn.

    Attributes
    ----------
    effects
        By which each class reads more (logarithm).
    error
        Stated error of one observation; what is drawn is ``true_over_stated`` times it.
    day_sd
        Scatter of the days themselves.
    outliers
        Share of observations that are off by a half.
    """

    n_days: int = 60
    per_day: int = 60
    effects: tuple[float, ...] = (0.0, 0.06, -0.05, 0.12)
    error: float = 0.07
    true_over_stated: float = 1.0
    day_sd: float = 0.003
    outliers: float = 0.02
    first_day: str = "2026-01-01"
    level: Array | None = None
    usage: Array | None = field(default=None)  # shape (n_days, n_classes), rows sum to 1


def observations(world: World, seed: int) -> pd.DataFrame:
    """Draw a world."""
    rng = np.random.default_rng(seed)
    n_classes = len(world.effects)
    level = np.zeros(world.n_days) if world.level is None else world.level
    level = level + world.day_sd * rng.standard_normal(world.n_days)
    parts = []
    for number in range(world.n_days):
        usage = rng.dirichlet(np.ones(n_classes)) if world.usage is None else world.usage[number]
        which = rng.choice(n_classes, world.per_day, p=usage)
        noise = world.error * world.true_over_stated * rng.standard_normal(world.per_day)
        noise += np.where(rng.random(world.per_day) < world.outliers, -0.5, 0.0)
        day = pd.Timestamp(world.first_day) + pd.Timedelta(days=number)
        parts.append(
            pd.DataFrame(
                {
                    "day": day.date().isoformat(),
                    "workload_class": [f"class {k}" for k in which],
                    "log_value": level[number] + np.array(world.effects)[which] + noise,
                    "standard_error": world.error,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def cells(world: World, seed: int) -> pd.DataFrame:
    """Draw a world and put it into cells."""
    return day_cells(observations(world, seed))
