"""Sums of exponentials through points: a cooling curve, or the Foster form of a heating one."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from ..store.errors import AnalysisError
from .projection import LEAST_SINGULAR_SHARE, fit_projected

Array = npt.NDArray[np.float64]

N_GRID = 10  # starting time constants over the span of the points: a factor of two to three apart


@dataclass(frozen=True, slots=True)
class ExponentialFit:
    """y(t) = level + sum of amplitude_k exp(-t / time constant_k), slowest first.

    Attributes
    ----------
    level, level_sd
        Constant and its standard deviation; 0 where none was asked for.
    amplitudes, amplitude_sds
        In the unit of the values.
    rates_per_s, rate_sds_per_s
        Inverses of the time constants.
    residual_sd
        Over the degrees of freedom.
    """

    level: float
    level_sd: float
    amplitudes: tuple[float, ...]
    amplitude_sds: tuple[float, ...]
    rates_per_s: tuple[float, ...]
    rate_sds_per_s: tuple[float, ...]
    residual_sd: float


def fit_exponentials(times_s: Array, values: Array, n_terms: int, *, has_level: bool) -> ExponentialFit:
    """Fit a sum of exponentials by variable projection, from starts of its own.

    Parameters
    ----------
    times_s, values
        Shape (n_points,), no NaN.
    n_terms
        Number of exponentials.
    has_level
        Whether a constant is added.

    Raises
    ------
    AnalysisError
        Too few points, or terms that the points cannot tell apart.
    """

    def basis(log_rates: Array) -> Array:
        columns = np.exp(-np.exp(log_rates) * times_s[:, None])
        if has_level:
            columns = np.column_stack([np.ones(len(times_s)), columns])
        return columns[None]

    span_s = float(np.ptp(times_s))
    if len(times_s) < 2 or span_s <= 0.0:
        raise AnalysisError(f"not identifiable: {len(times_s)} points at one time")
    if np.ptp(values) == 0.0:
        raise AnalysisError(f"not identifiable: all values are {values[0]:g}")
    spacing_s = span_s / (len(times_s) - 1)
    grid = np.linspace(np.log(0.3 / span_s), np.log(2.0 / spacing_s), N_GRID)
    starts = [np.array(start) for start in combinations(grid, n_terms)]
    fit = fit_projected(basis, values[None], starts)
    order = np.argsort(fit.parameters)
    log_rates = fit.parameters[order]
    columns = basis(log_rates)[0]
    coefficients = np.linalg.lstsq(columns, values, rcond=None)[0]
    amplitudes = coefficients[int(has_level) :]
    rates_per_s = np.exp(log_rates)
    slopes = -amplitudes * times_s[:, None] * columns[:, int(has_level) :]
    sds = fit.residual_sd * _unit_sds(np.column_stack([columns, slopes]))
    n_linear = columns.shape[1]
    return ExponentialFit(
        level=float(coefficients[0]) if has_level else 0.0,
        level_sd=float(sds[0]) if has_level else 0.0,
        amplitudes=tuple(amplitudes.tolist()),
        amplitude_sds=tuple(sds[int(has_level) : n_linear].tolist()),
        rates_per_s=tuple(rates_per_s.tolist()),
        rate_sds_per_s=tuple(sds[n_linear:].tolist()),
        residual_sd=fit.residual_sd,
    )


def _unit_sds(derivatives: Array) -> Array:
    """Standard deviations of all parameters for errors of size 1."""
    lengths = np.linalg.norm(derivatives, axis=0)
    _, singular, right = np.linalg.svd(
        derivatives / np.where(lengths > 0.0, lengths, 1.0), full_matrices=False
    )
    if singular[-1] <= LEAST_SINGULAR_SHARE * singular[0]:
        raise AnalysisError("not identifiable: the points cannot tell the terms apart")
    sds: Array = np.sqrt(np.sum((right / singular[:, None]) ** 2, axis=0)) / lengths
    return sds
