"""Who heats whom: T_i = T_ref + sum over j of R_ij P_j, for the sources of one machine.

On shared heat pipes the processor's power warms the GPU. The matrix says by how much, where the powers moved
independently enough to tell; where they did not, it says that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError, TooFewWindowsError
from .regression import autocorrelation_covariance, checked, condition_of, fit_huber

Array = npt.NDArray[np.float64]

# Powers whose scaled condition number is higher are told apart by less than a tenth of their movement: with
# a degree of error in the temperatures the matrix would be noise.
POWER_CONDITION_LIMIT = 30.0
LEAST_WINDOWS = 12


@dataclass(frozen=True, slots=True, eq=False)
class CrossHeating:
    """The matrix of a machine.

    Attributes
    ----------
    sources
        Their order in the matrix.
    matrix_k_per_w, errors_k_per_w
        Row i: what each source's reported watt adds to the temperature of source i [K/W]; standard errors.
    offsets_k
        What the reference is wrong by, as each source sees it [K].
    condition_number
        Of the powers about their means, scaled to unit length.
    n_windows
        How many windows it rests on.
    """

    sources: tuple[str, ...]
    matrix_k_per_w: Array
    errors_k_per_w: Array
    offsets_k: Array
    condition_number: float
    n_windows: int

    def rise_k(self, powers_w: npt.ArrayLike) -> Array:
        """Rise of each source above the air at some powers [K], in the order of ``sources``."""
        rises: Array = self.matrix_k_per_w @ np.asarray(powers_w, float)
        return rises

    def asymmetry(self, one: str, other: str) -> tuple[float, float]:
        """R_ij - R_ji and its standard error [K/W].

        A passive network heats both ways alike: a difference beyond its error is a wrong power scale.
        """
        i, j = self.sources.index(one), self.sources.index(other)
        difference = float(self.matrix_k_per_w[i, j] - self.matrix_k_per_w[j, i])
        return difference, math.hypot(float(self.errors_k_per_w[i, j]), float(self.errors_k_per_w[j, i]))


def fit_cross_heating(
    temperatures_c: pd.DataFrame, powers_w: pd.DataFrame, reference_c: npt.ArrayLike
) -> CrossHeating:
    """Fit the matrix to windows in which all sources had settled, fans at one speed.

    Parameters
    ----------
    temperatures_c
        One column for each source [°C], in the order of time.
    powers_w
        The same rows and columns [W].
    reference_c
        The air in each row [°C]; a constant error of it is found as an offset.

    Raises
    ------
    TooFewWindowsError
        Fewer than `LEAST_WINDOWS` rows.
    AnalysisError
        A power never varies, the powers move together, or the columns differ.
    """
    sources = tuple(str(name) for name in temperatures_c.columns)
    if tuple(str(name) for name in powers_w.columns) != sources:
        raise AnalysisError("temperatures and powers are of different sources", remedy="give both of each")
    rises = temperatures_c.to_numpy(float) - np.asarray(reference_c, float)[:, None]
    powers = powers_w.to_numpy(float)
    is_had = np.isfinite(rises).all(axis=1) & np.isfinite(powers).all(axis=1)
    rises, powers = rises[is_had], powers[is_had]
    if len(powers) < max(LEAST_WINDOWS, len(sources) + 2):
        raise TooFewWindowsError(
            f"not identifiable: {len(powers)} settled windows of all sources, {LEAST_WINDOWS} are needed",
            remedy="record for longer",
        )
    condition_number = power_condition(powers, sources)
    design = np.column_stack([np.ones(len(powers)), powers])
    rows, errors, offsets = [], [], []
    for index in range(len(sources)):
        columns, target = checked(design, rises[:, index])
        fit = fit_huber(columns, target, ("the air", *sources))
        covariance = autocorrelation_covariance(columns, fit)
        rows.append(fit.coefficients[1:])
        errors.append(np.sqrt(np.diag(covariance))[1:])
        offsets.append(float(fit.coefficients[0]))
    return CrossHeating(
        sources, np.array(rows), np.array(errors), np.array(offsets), condition_number, len(powers)
    )


def power_condition(powers_w: Array, sources: tuple[str, ...]) -> float:
    """Condition number of powers about their means, scaled to unit length.

    Raises
    ------
    AnalysisError
        One never varies, or they move together.
    """
    about = powers_w - powers_w.mean(axis=0)
    lengths = np.linalg.norm(about, axis=0)
    for name, length, power in zip(sources, lengths, powers_w.T, strict=True):
        if length <= 1e-9 * max(1.0, float(np.abs(power).max())) * math.sqrt(len(power)):
            raise AnalysisError(
                f"not identifiable: the power of {name} never varies", remedy="let it work and idle"
            )
    condition_number = condition_of(about / lengths)
    if condition_number > POWER_CONDITION_LIMIT:
        raise AnalysisError(
            f"not identifiable: the powers of {', '.join(sources)} move together"
            f" (condition number {condition_number:.0f}, limit {POWER_CONDITION_LIMIT:.0f})",
            remedy="let one work while the others idle",
        )
    return condition_number
