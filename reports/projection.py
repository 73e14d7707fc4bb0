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

from ..store.errors import AnalysisError

Array = npt.NDArray[np.float64]
# Basis for nonlinear parameters: shape (n_sets, n_rows, n_columns); rows of padding are 0.
Basis = Callable[[Array], Array]

# Columns scaled to length 1 whose smallest singular value is below this share of the largest tell nothing
# apart: of 16 digits, 10 would be lost in the coefficients.
LEAST_SINGULAR_SHARE = 1e-10
SHARED_TOLERANCE = 1e-3  # of a logarithm, and of a squared standard deviation
MOST_TRIALS = 150
FIRST_STEP = 0.3
CURVATURE_STEP = 0.1
N_SEARCHES = 3  # from the best of the starts: one may lie before a wrong valley


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of the nonlinear parameters beforehand.

    Arrays of shape (n_parameters,): where they lie, the standard deviation of that, and their limits.
    """

    center: Array
    sd: Array
    least: Array
    most: Array


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
    basis: Basis, values: Array, starts: Sequence[Array], tolerance: float = 1e-12
) -> ProjectedFit:
    """Fit one data set to the last digit.

    Parameters
    ----------
    basis
        Basis for given nonlinear parameters.
    values
        Shape (1, n_rows).
    starts
        Where to begin; the search goes on from the best few.
    tolerance
        Relative change at which the search ends.

    Raises
    ------
    AnalysisError
        There are not more rows than parameters, or the columns cannot be told apart.
    """

    from scipy.optimize import least_squares  # noqa: PLC0415 - 0.2 s that most nights do not need

    def misfit(parameters: Array) -> Array:
        return fit_linear(basis(parameters), values).residuals.ravel()

    freedom = _freedom(basis(starts[0]), values.size, len(starts[0]))
    begun = sorted(starts, key=lambda start: float(np.sum(misfit(start) ** 2)))[:N_SEARCHES]
    ends = [
        least_squares(misfit, start, jac="3-point", xtol=tolerance, ftol=tolerance, gtol=tolerance)
        for start in begun
    ]
    best = min(ends, key=lambda end: float(end.cost))
    slopes: Array = np.asarray(best.jac, float)
    return _judge(basis, values, best.x, slopes.T @ slopes, freedom)


def fit_shared(
    basis: Basis, values: Array, n_rows: int, starts: Sequence[Array], prior: Prior
) -> ProjectedFit:
    """Fit nonlinear parameters that many data sets share.

    Linear parameters by the hundred carry their own errors into every derivative, so that products of first
    derivatives promise a sharper minimum than there is; the minimum itself is measured.

    Parameters
    ----------
    basis
        Basis for given nonlinear parameters.
    values
        Shape (n_sets, n_rows), padding 0.
    n_rows
        Rows that are not padding, over all sets.
    starts
        Where to begin; the search goes on from the best.
    prior
        Holds a parameter where the values say nothing about it, weighed by the noise that they show.

    Raises
    ------
    AnalysisError
        There are not more rows than parameters, or the columns cannot be told apart.
    """

    from scipy.optimize import minimize  # noqa: PLC0415 - as above

    def squares(parameters: Array) -> float:
        return _unexplained(basis(np.clip(parameters, prior.least, prior.most)), values)

    freedom = _freedom(basis(starts[0]), n_rows, len(starts[0]))
    begun = best_start(basis, values, starts)
    variance = squares(begun) / freedom

    def cost(parameters: Array) -> float:
        # Outside the limits only the prior speaks, and leads back.
        return squares(parameters) / variance + float(np.sum(((parameters - prior.center) / prior.sd) ** 2))

    ends = [
        minimize(
            cost,
            start,
            method="Nelder-Mead",
            options={
                "xatol": SHARED_TOLERANCE,
                "fatol": SHARED_TOLERANCE,
                "maxfev": MOST_TRIALS,
                # The method's own first steps are shares of the start, and none at a logarithm of 0.
                "initial_simplex": np.vstack([start, start + FIRST_STEP * np.eye(len(start))]),
            },
        )
        for start in sorted(starts, key=cost)[:N_SEARCHES]
    ]
    best = min(ends, key=lambda end: float(end.fun))
    found = np.clip(np.asarray(best.x, float), prior.least, prior.most)
    # Knowing the values leaves nobody less sure than the prior was.
    scaled = _curvature(cost, found) * np.outer(prior.sd, prior.sd)
    sharpness, axes = np.linalg.eigh(scaled)
    held = (axes * np.maximum(sharpness, 1.0)) @ axes.T / np.outer(prior.sd, prior.sd)
    return _judge(basis, values, found, variance * held, freedom)


def best_start(basis: Basis, values: Array, starts: Sequence[Array]) -> Array:
    """The nonlinear parameters, of some, with which the linear ones explain most."""
    return min(starts, key=lambda start: _unexplained(basis(start), values))


def _unexplained(basis: Array, values: Array) -> float:
    """Sum of squares that no linear parameters explain."""
    lengths = np.linalg.norm(basis, axis=1, keepdims=True)
    orthogonal = np.linalg.qr(basis / np.where(lengths > 0.0, lengths, 1.0))[0]
    explained = orthogonal @ (orthogonal.transpose(0, 2, 1) @ values[..., None])
    return float(np.sum((values - explained[..., 0]) ** 2))


def _freedom(columns: Array, n_rows: int, n_nonlinear: int) -> int:
    n_unknown = columns.shape[0] * columns.shape[2] + n_nonlinear
    if n_rows <= n_unknown:
        raise AnalysisError(f"not identifiable: {n_rows} readings for {n_unknown} unknowns")
    return int(n_rows - n_unknown)


def _curvature(cost: Callable[[Array], float], at: Array) -> Array:
    """Half the second derivatives of a cost around its minimum."""
    n = len(at)
    shifts = CURVATURE_STEP * np.eye(n)
    middle = cost(at)
    found = np.empty((n, n))
    for i in range(n):
        found[i, i] = cost(at + shifts[i]) - 2.0 * middle + cost(at - shifts[i])
        for j in range(i):
            along, across = shifts[i] + shifts[j], shifts[i] - shifts[j]
            found[i, j] = (cost(at + along) + cost(at - along) - cost(at + across) - cost(at - across)) / 4.0
            found[j, i] = found[i, j]
    return found / (2.0 * CURVATURE_STEP**2)


def _judge(basis: Basis, values: Array, found: Array, curvature: Array, freedom: int) -> ProjectedFit:
    linear = fit_linear(basis(found), values)
    if not linear.is_known.any():
        raise AnalysisError("not identifiable: the parts of the answer cannot be told apart")
    least = float(np.linalg.eigvalsh(curvature).min())
    if least <= np.finfo(float).eps * float(np.abs(curvature).max()):
        raise AnalysisError("not identifiable: the time constants do not change the fit")
    variance = float(np.sum(linear.residuals**2)) / freedom
    covariance: Array = np.asarray(np.linalg.inv(curvature) * variance, float)
    return ProjectedFit(found, covariance, linear, float(np.sqrt(variance)))
