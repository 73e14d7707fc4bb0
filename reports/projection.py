"""Least squares where few parameters are nonlinear and many linear: the linear ones are projected out.

For given nonlinear parameters the best linear ones are a linear fit; what remains is a search in the
nonlinear ones alone (variable projection [1]_). Many data sets may share the nonlinear parameters, each with
linear ones of its own.

References
----------
.. [1] G. H. Golub, V. Pereyra, The differentiation of pseudo-inverses and nonlinear least squares problems
   whose variables separate, SIAM Journal on Numerical Analysis 10 (1973) 413-432.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from ..store.errors import AnalysisError

Array = npt.NDArray[np.float64]
# Basis for nonlinear parameters: shape (n_sets, n_rows, n_columns); rows of padding are 0.
Basis = Callable[[Array], Array]

# Columns scaled to length 1 whose smallest singular value is below this share of the largest tell nothing
# apart: of 16 digits, 10 would be lost in the coefficients.
LEAST_SINGULAR_SHARE = 1e-10
N_SEARCHES = 3  # from the best of the starts: one may lie before a wrong valley


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of the nonlinear parameters beforehand.

    Arrays of shape (n_parameters,): where they lie, and the standard deviation of that.
    """

    center: Array
    sd: Array


@dataclass(frozen=True, slots=True)
class LinearFits:
    """One linear fit for each data set.

    Attributes
    ----------
    coefficients
        Shape (n_sets, n_columns).
    residuals
        Shape (n_sets, n_rows), 0 in padding.
    inverses
        What turns values into coefficients, shape (n_sets, n_columns, n_rows).
    is_known
        Whether the columns can be told apart, shape (n_sets,).
    """

    coefficients: Array
    residuals: Array
    inverses: Array
    is_known: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ProjectedFit:
    """Nonlinear parameters with the linear fits that belong to them.

    Attributes
    ----------
    parameters, parameters_covariance
        Nonlinear parameters and their covariance for independent errors of equal size.
    linear
        The linear fits at the optimum.
    residual_sd
        Residual standard deviation over the degrees of freedom.
    """

    parameters: Array
    parameters_covariance: Array
    linear: LinearFits
    residual_sd: float


def fit_linear(basis: Array, values: Array) -> LinearFits:
    """Fit each data set by its basis in least squares.

    Parameters
    ----------
    basis
        Shape (n_sets, n_rows, n_columns), padding rows all 0.
    values
        Shape (n_sets, n_rows), padding 0.
    """
    lengths = np.linalg.norm(basis, axis=1, keepdims=True)
    scaled = basis / np.where(lengths > 0.0, lengths, 1.0)
    # A small triangle carries all that the rows say of the columns, and is faster to decompose.
    orthogonal, triangle = np.linalg.qr(scaled)
    left, singular, right = np.linalg.svd(triangle)
    least = LEAST_SINGULAR_SHARE * singular[:, :1]
    is_known = np.asarray((singular > least).all(axis=1))
    inverted = np.where(singular > least, 1.0 / np.maximum(singular, np.finfo(float).tiny), 0.0)
    inverses = (right.transpose(0, 2, 1) * inverted[:, None, :]) @ (
        left.transpose(0, 2, 1) @ orthogonal.transpose(0, 2, 1)
    )
    inverses /= np.where(lengths > 0.0, lengths, 1.0).transpose(0, 2, 1)
    coefficients = (inverses @ values[..., None])[..., 0]
    residuals = values - (basis @ coefficients[..., None])[..., 0]
    return LinearFits(coefficients, residuals, inverses, is_known)


def fit_projected(
    basis: Basis,
    values: Array,
    n_rows: int,
    starts: Sequence[Array],
    *,
    prior: Prior | None = None,
    tolerance: float = 1e-12,
) -> ProjectedFit:
    """Fit nonlinear parameters that all data sets share, and linear ones of each.

    Parameters
    ----------
    basis
        Basis for given nonlinear parameters.
    values
        Shape (n_sets, n_rows), padding 0.
    n_rows
        Rows that are not padding, over all sets.
    starts
        Where to begin; the search goes on from the best few.
    prior
        Holds a parameter where the values say nothing about it, weighed by the noise that they show.
    tolerance
        Relative change at which the search ends.

    Raises
    ------
    AnalysisError
        There are not more rows than parameters, or the columns cannot be told apart in any set.
    """

    def misfit(parameters: Array) -> Array:
        return fit_linear(basis(parameters), values).residuals.ravel()

    n_columns = basis(starts[0]).shape[-1]
    freedom = n_rows - values.shape[0] * n_columns - len(starts[0])
    if freedom <= 0:
        raise AnalysisError(f"not identifiable: {n_rows} readings for {n_rows - freedom} unknowns")
    begun = sorted(starts, key=lambda start: float(np.sum(misfit(start) ** 2)))[:N_SEARCHES]
    noise = float(np.sqrt(np.sum(misfit(begun[0]) ** 2) / freedom))

    def objective(parameters: Array) -> Array:
        if prior is None:
            return misfit(parameters)
        return np.append(misfit(parameters), noise * (parameters - prior.center) / prior.sd)

    ends = [
        least_squares(objective, start, jac="3-point", xtol=tolerance, ftol=tolerance, gtol=tolerance)
        for start in begun
    ]
    best = min(ends, key=lambda end: float(end.cost))
    linear = fit_linear(basis(best.x), values)
    if not linear.is_known.any():
        raise AnalysisError("not identifiable: the parts of the answer cannot be told apart")
    variance = float(np.sum(linear.residuals**2)) / freedom
    slopes: Array = np.asarray(best.jac, float)
    curvature = slopes.T @ slopes
    if np.linalg.cond(curvature) > 1.0 / np.finfo(float).eps:
        raise AnalysisError("not identifiable: the time constants do not change the fit")
    covariance = np.linalg.inv(curvature) * variance
    return ProjectedFit(best.x, covariance, linear, float(np.sqrt(variance)))
