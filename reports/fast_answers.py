"""What a change does within the next two minutes: a distributed lag, fitted to differences of short bins.

What moves slowly, as rooms, seasons and tasks do, drops out of such differences; so what is left is who acts
on whom.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from .grid import Grid

Array = npt.NDArray[np.float64]

BIN_S = 20.0
LEAST_BINS = 200


@dataclass(frozen=True, slots=True)
class Answer:
    """Sum of the answers of all lags to one unit of what moved, and its standard error."""

    value: float
    standard_error: float

    @property
    def errors(self) -> float:
        """How many standard errors it is away from nothing."""
        return self.value / self.standard_error if self.standard_error > 0.0 else 0.0


def moves(index: pd.Index, readings: pd.Series) -> Array:
    """By how much some readings moved from one bin to the next; NaN where they were not had.

    Parameters
    ----------
    index
        Moments that set the bins, UTC.
    readings
        UTC index.
    """
    return np.diff(Grid.of(index, BIN_S).mean(readings))


def answers_to(
    moved: Array, causes: Sequence[Array], *, n_lags: int, least_active: float
) -> list[Answer] | None:
    """Fit what moved by what may have moved it, now and in the bins before.

    Parameters
    ----------
    moved
        As `moves` gives it, shape (n,).
    causes
        The same of each cause, shape (n,).
    n_lags
        How many bins an answer may take.
    least_active
        By how much all causes together must have moved within these bins; the rest only adds noise.

    Returns
    -------
    list of Answer or None
        One for each cause; None where too little moved, or all always together.
    """
    design = np.column_stack([_late(cause, n_bins) for cause in causes for n_bins in range(n_lags)])
    known = np.isfinite(design).all(axis=1) & np.isfinite(moved)
    known &= np.nansum(np.abs(design), axis=1) > least_active
    if int(known.sum()) < LEAST_BINS:
        return None
    design, moved = design[known], moved[known]
    normal = design.T @ design
    if np.linalg.matrix_rank(normal) < len(normal):
        return None
    covariance = np.linalg.inv(normal)
    fitted = covariance @ (design.T @ moved)
    covariance *= float(np.mean((moved - design @ fitted) ** 2))
    places = [slice(number * n_lags, (number + 1) * n_lags) for number in range(len(causes))]
    return [
        Answer(float(fitted[place].sum()), math.sqrt(max(float(covariance[place, place].sum()), 0.0)))
        for place in places
    ]


def _late(moved: Array, n_bins: int) -> Array:
    n_kept = max(len(moved) - n_bins, 0)
    return np.concatenate([np.full(len(moved) - n_kept, np.nan), moved[:n_kept]])
