"""Linear least squares that refuses what it cannot tell apart, robust against outliers, honest about time.

Readings of one machine are no independent draws: neighbours share room, dust and work. So every fit here can
give the covariance that holds under autocorrelation, and every fit looks at the conditioning of its columns
before it says a number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..store.errors import AnalysisError, TooFewWindowsError

Array = npt.NDArray[np.float64]

# Columns of unit length lose log10(condition) of 16 digits: with 8 gone, the 3 of a sensor are still safe.
CONDITION_LIMIT = 1e8
HUBER_THRESHOLD = 1.345  # 95 % efficient where there are no outliers (Huber 1981)
NORMAL_QUARTILE = 0.6744897501960817  # a normal deviate is below it in absolute value half of the time
HUBER_ROUNDS = 100
HUBER_TOLERANCE = 1e-10


@dataclass(frozen=True, slots=True, eq=False)
class LinearFit:
    """Coefficients of a linear model, with what is needed to judge them.

    Attributes
    ----------
    coefficients, covariance
        In the order of the columns.
    residuals
        Observed minus fitted, unweighted.
    weights
        What each row counted, 1 in full: below 1 an outlier was held back.
    residual_sd
        Standard deviation of the residuals; where standard deviations were given, of the weighted ones (then
        1 when they told the truth). Robust in a robust fit.
    condition_number
        Of the columns scaled to unit length.
    degrees_of_freedom
        Rows less columns.
    """

    coefficients: Array
    covariance: Array
    residuals: Array
    weights: Array
    residual_sd: float
    condition_number: float
    degrees_of_freedom: int

    @property
    def standard_errors(self) -> Array:
        """Standard error of each coefficient."""
        return np.sqrt(np.diag(self.covariance))


def fit_linear(design: npt.ArrayLike, target: npt.ArrayLike, names: Sequence[str] = ()) -> LinearFit:
    """Fit by least squares; errors from the residuals, taken as independent.

    Parameters
    ----------
    design
        Shape (n_rows, n_columns), finite.
    target
        Shape (n_rows,), finite.
    names
        What the columns mean, for the message where they cannot be told apart.

    Raises
    ------
    TooFewWindowsError
        No more rows than columns.
    AnalysisError
        A value is not finite, or the columns cannot be told apart.
    """
    columns, values = checked(design, target)
    lengths, condition_number = conditioned(columns, names)
    orthogonal, triangle = np.linalg.qr(columns / lengths)
    coefficients = np.linalg.solve(triangle, orthogonal.T @ values) / lengths
    residuals = values - columns @ coefficients
    # One step of refinement: what rounding left of the fit in the residuals goes back.
    coefficients = coefficients + np.linalg.solve(triangle, orthogonal.T @ residuals) / lengths
    residuals = values - columns @ coefficients
    degrees = len(values) - columns.shape[1]
    residual_sd = math.sqrt(float(residuals @ residuals) / degrees)
    inverse = np.linalg.inv(triangle) / lengths[:, None]
    covariance = residual_sd**2 * (inverse @ inverse.T)
    return LinearFit(
        coefficients, covariance, residuals, np.ones(len(values)), residual_sd, condition_number, degrees
    )


def fit_huber(
    design: npt.ArrayLike,
    target: npt.ArrayLike,
    names: Sequence[str] = (),
    threshold: float = HUBER_THRESHOLD,
) -> LinearFit:
    """Fit so that outliers pull no more than the threshold allows (Huber's M-estimate) [1]_.

    Parameters
    ----------
    design, target, names
        As in `fit_linear`.
    threshold
        Residuals beyond so many robust standard deviations count less.

    References
    ----------
    .. [1] P. J. Huber, Robust Statistics, Wiley 1981, chapter 7; the covariance is his (6.5) of section 7.6.
    """
    start = fit_linear(design, target, names)
    columns, values = checked(design, target)
    coefficients, residuals = start.coefficients, start.residuals
    scale = robust_sd(residuals)
    weights = np.ones(len(values))
    for _ in range(HUBER_ROUNDS):
        if scale <= np.finfo(float).eps * max(1.0, float(np.abs(values).max())):
            return start  # more than half of the rows fit exactly: nothing to hold back by
        weights = threshold / np.maximum(np.abs(residuals) / scale, threshold)
        root = np.sqrt(weights)
        before = coefficients
        lengths = np.linalg.norm(columns, axis=0)
        solved, *_ = np.linalg.lstsq(columns / lengths * root[:, None], values * root)
        coefficients = solved / lengths
        residuals = values - columns @ coefficients
        scale = robust_sd(residuals)
        if np.all(
            np.abs(coefficients - before) <= HUBER_TOLERANCE * (np.abs(before) + start.standard_errors)
        ):
            break
    covariance = _huber_covariance(columns, residuals, scale, threshold)
    return LinearFit(
        coefficients,
        covariance,
        residuals,
        weights,
        scale,
        start.condition_number,
        start.degrees_of_freedom,
    )


def autocorrelation_covariance(design: npt.ArrayLike, fit: LinearFit, n_lags: int | None = None) -> Array:
    """Covariance of a fit's coefficients that holds where neighbouring rows resemble each other [1]_.

    Parameters
    ----------
    design
        As given to the fit, rows in the order of time.
    fit
        Plain or robust; what an outlier counted less, it counts less here.
    n_lags
        How far rows resemble each other; from the residuals themselves where None [2]_.

    References
    ----------
    .. [1] W. K. Newey, K. D. West, Econometrica 55 (1987) 703.
    .. [2] D. W. K. Andrews, Econometrica 59 (1991) 817, equation (6.4) with the Bartlett kernel.
    """
    columns = np.asarray(design, float)
    n_rows, n_columns = columns.shape
    influence = fit.residuals * fit.weights
    if n_lags is None:
        n_lags = lags_of(influence)
    scores = columns * influence[:, None]
    middle = scores.T @ scores
    for lag in range(1, min(n_lags, n_rows - 1) + 1):
        crossed = scores[lag:].T @ scores[:-lag]
        middle += (1.0 - lag / (n_lags + 1.0)) * (crossed + crossed.T)
    # A row beyond the threshold has no slope in the influence function.
    slope = np.where(fit.weights < 1.0, 0.0, 1.0)
    bread = np.linalg.inv(columns.T @ (columns * slope[:, None]))
    covariance: Array = bread @ middle @ bread * (n_rows / (n_rows - n_columns))
    return covariance


def lags_of(residuals: npt.ArrayLike) -> int:
    """How many neighbours a residual resembles, from its first autocorrelation (Andrews 1991)."""
    values = np.asarray(residuals, float)
    total = float(values @ values)
    if len(values) < 3 or total == 0.0:
        return 0
    first = float(values[1:] @ values[:-1]) / total
    first = min(max(first, -0.97), 0.97)  # Andrews' rule has a pole at 1
    alpha = 4.0 * first**2 / ((1.0 - first) ** 2 * (1.0 + first) ** 2)
    return int(min(math.ceil(1.1447 * (alpha * len(values)) ** (1.0 / 3.0)), len(values) // 2))


def robust_sd(residuals: npt.ArrayLike) -> float:
    """Standard deviation from the median of the absolute residuals."""
    return float(np.median(np.abs(np.asarray(residuals, float)))) / NORMAL_QUARTILE


def checked(design: npt.ArrayLike, target: npt.ArrayLike) -> tuple[Array, Array]:
    """Both as float arrays; refuses what is not finite or too little."""
    columns, values = np.asarray(design, float), np.asarray(target, float)
    if columns.ndim == 1:
        columns = columns[:, None]
    if not (np.isfinite(columns).all() and np.isfinite(values).all()):
        raise AnalysisError(
            "not identifiable: a value is missing or not finite", remedy="leave such rows out"
        )
    n_rows, n_columns = columns.shape
    if n_rows <= n_columns:
        raise TooFewWindowsError(
            f"not identifiable: {n_rows} rows for {n_columns} unknowns", remedy="record for longer"
        )
    return columns, values


def conditioned(columns: Array, names: Sequence[str] = ()) -> tuple[Array, float]:
    """Length of each column, and the condition number of the columns scaled to unit length.

    Raises
    ------
    AnalysisError
        A column is all zero, or the columns cannot be told apart.
    """
    lengths: Array = np.linalg.norm(columns, axis=0)
    called = list(names) or [f"column {index}" for index in range(columns.shape[1])]
    for name, length in zip(called, lengths, strict=True):
        if length == 0.0:
            raise AnalysisError(f"not identifiable: {name} is always 0", remedy="vary it, or leave it out")
    condition_number = condition_of(columns / lengths)
    if condition_number > CONDITION_LIMIT:
        raise AnalysisError(
            f"not identifiable: {', '.join(called)} move together"
            f" (condition number {condition_number:.1e}, limit {CONDITION_LIMIT:.0e})",
            remedy="vary them independently",
        )
    return lengths, condition_number


def condition_of(scaled: Array) -> float:
    """Largest over smallest singular value of columns that are scaled alike, infinite where one follows."""
    singular = np.linalg.svd(scaled, compute_uv=False)
    return float(singular[0] / singular[-1]) if singular[-1] > 0.0 else math.inf


def _huber_covariance(columns: Array, residuals: Array, scale: float, threshold: float) -> Array:
    n_rows, n_columns = columns.shape
    standard = residuals / scale
    clipped = np.clip(standard, -threshold, threshold)
    inside = np.abs(standard) <= threshold
    mean_slope = float(inside.mean())
    correction = 1.0 + n_columns / n_rows * float(inside.var()) / mean_slope**2
    variance = (scale**2 * float(clipped @ clipped) / (n_rows - n_columns)) / mean_slope**2
    lengths = np.linalg.norm(columns, axis=0)
    triangle = np.linalg.qr(columns / lengths, mode="r")
    inverse = np.linalg.inv(triangle) / lengths[:, None]
    covariance: Array = correction**2 * variance * (inverse @ inverse.T)
    return covariance
