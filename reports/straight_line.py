"""Straight lines with uncertainty: errors known or not, in one direction or both.

The covariance of intercept and slope is part of every result: without it an error away from the centre of
the data comes out wrong by a factor of two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..store.errors import AnalysisError, TooFewWindowsError

Array = npt.NDArray[np.float64]

SLOPE_ROUNDS = 200
SLOPE_TOLERANCE = 1e-13


@dataclass(frozen=True, slots=True)
class StraightLine:
    """A line y = intercept + slope * x.

    Attributes
    ----------
    intercept, slope, intercept_error, slope_error, covariance
        With standard errors and the covariance of the two.
    chi_squared
        Sum of the squared residuals, each over its standard deviation (1 where none was given).
    degrees_of_freedom
        Points less parameters.
    is_scaled
        Whether the errors come from the scatter of the points; else from the standard deviations given.
    """

    intercept: float
    slope: float
    intercept_error: float
    slope_error: float
    covariance: float
    chi_squared: float
    degrees_of_freedom: int
    is_scaled: bool

    @property
    def residual_sd(self) -> float:
        """Root of the mean square residual [y, or standard deviations where they were given]."""
        return math.sqrt(self.chi_squared / self.degrees_of_freedom)

    @property
    def correlation(self) -> float:
        """Correlation of intercept and slope; 0 where the line was held at the origin."""
        product = self.intercept_error * self.slope_error
        return self.covariance / product if product else 0.0

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at ``x`` and its standard error."""
        variance = self.intercept_error**2 + 2.0 * x * self.covariance + (x * self.slope_error) ** 2
        return self.intercept + self.slope * x, math.sqrt(max(variance, 0.0))

    def inverse(self, y: float, y_error: float = 0.0) -> tuple[float, float]:
        """Where the line reaches ``y``, itself known to ``y_error``, and its standard error.

        Raises
        ------
        AnalysisError
            The line is flat.
        """
        if self.slope == 0.0:
            raise AnalysisError("not identifiable: a flat line reaches no value", remedy="vary x")
        x = (y - self.intercept) / self.slope
        _, line_error = self.at(x)
        return x, math.hypot(line_error, y_error) / abs(self.slope)


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, y_sd: npt.ArrayLike | None = None) -> StraightLine:
    """Fit a line to points with errors in y alone [1]_, [2]_.

    Parameters
    ----------
    x, y
        Shape (n_points,), finite.
    y_sd
        Standard deviation of each y, or of all. Where None, all points are trusted alike and the errors come
        from their scatter.

    Raises
    ------
    TooFewWindowsError
        Fewer than 3 points.
    AnalysisError
        All x are the same, or something is not finite.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), annex H.3.
    .. [2] ISO/TS 28037:2010, clauses 6 and annex E.
    """
    xs, ys = points(x, y, 3)
    weights = np.ones(len(xs)) if y_sd is None else 1.0 / spread(y_sd, len(xs)) ** 2
    total = float(weights.sum())
    # Centred: with epoch seconds on the x axis the sums would otherwise cancel to nothing.
    x_mean, y_mean = float(weights @ xs) / total, float(weights @ ys) / total
    away = xs - x_mean
    square = float(weights @ away**2)
    if square <= total * (np.finfo(float).eps * 8 * float(np.abs(xs).max())) ** 2:
        raise AnalysisError("not identifiable: all x are the same", remedy="vary x")
    slope = float((weights * away) @ (ys - y_mean)) / square
    intercept = y_mean - slope * x_mean
    residuals = ys - y_mean - slope * away
    chi_squared = float(weights @ residuals**2)
    degrees = len(xs) - 2
    factor = chi_squared / degrees if y_sd is None else 1.0
    return StraightLine(
        intercept,
        slope,
        math.sqrt(factor * (1.0 / total + x_mean**2 / square)),
        math.sqrt(factor / square),
        -factor * x_mean / square,
        chi_squared,
        degrees,
        y_sd is None,
    )


def fit_line_through_origin(
    x: npt.ArrayLike, y: npt.ArrayLike, y_sd: npt.ArrayLike | None = None
) -> StraightLine:
    """Fit y = slope * x, as a temperature rise over power is; parameters as in `fit_line`.

    Raises
    ------
    TooFewWindowsError
        Fewer than 2 points.
    AnalysisError
        All x are 0, or something is not finite.
    """
    xs, ys = points(x, y, 2)
    weights = np.ones(len(xs)) if y_sd is None else 1.0 / spread(y_sd, len(xs)) ** 2
    square = float(weights @ xs**2)
    if square == 0.0:
        raise AnalysisError("not identifiable: all x are 0", remedy="vary x")
    slope = float((weights * xs) @ ys) / square
    chi_squared = float(weights @ (ys - slope * xs) ** 2)
    degrees = len(xs) - 1
    factor = chi_squared / degrees if y_sd is None else 1.0
    return StraightLine(0.0, slope, 0.0, math.sqrt(factor / square), 0.0, chi_squared, degrees, y_sd is None)


def fit_line_both(
    x: npt.ArrayLike, y: npt.ArrayLike, x_sd: npt.ArrayLike, y_sd: npt.ArrayLike
) -> StraightLine:
    """Fit a line to points with known, uncorrelated errors in x and y [1]_, [2]_.

    Powers are no exact numbers either: taken as such, their errors would flatten the line.

    Parameters
    ----------
    x, y
        Shape (n_points,), finite.
    x_sd, y_sd
        Standard deviation of each, or of all.

    Returns
    -------
    StraightLine
        Errors from the standard deviations given, not scaled by the scatter.

    Raises
    ------
    TooFewWindowsError
        Fewer than 3 points.
    AnalysisError
        The slope cannot be found.

    References
    ----------
    .. [1] D. York et al., Am. J. Phys. 72 (2004) 367.
    .. [2] ISO/TS 28037:2010, clause 7.
    """
    xs, ys = points(x, y, 3)
    x_weights, y_weights = 1.0 / spread(x_sd, len(xs)) ** 2, 1.0 / spread(y_sd, len(xs)) ** 2
    slope = fit_line(xs, ys, y_sd).slope
    for _ in range(SLOPE_ROUNDS):
        weights = x_weights * y_weights / (x_weights + slope**2 * y_weights)
        total = float(weights.sum())
        x_mean, y_mean = float(weights @ xs) / total, float(weights @ ys) / total
        u, v = xs - x_mean, ys - y_mean
        adjusted = weights * (u / y_weights + slope * v / x_weights)
        before, slope = slope, float((weights * adjusted) @ v) / float((weights * adjusted) @ u)
        if not math.isfinite(slope):
            break
        if abs(slope - before) <= SLOPE_TOLERANCE * abs(slope):
            return _line_of_both(xs, ys, weights, slope, adjusted)
    raise AnalysisError("not identifiable: no slope fits errors in both directions", remedy="vary x more")


def _line_of_both(xs: Array, ys: Array, weights: Array, slope: float, adjusted: Array) -> StraightLine:
    total = float(weights.sum())
    x_mean, y_mean = float(weights @ xs) / total, float(weights @ ys) / total
    seen = x_mean + adjusted  # where on the line each point most likely lies
    seen_mean = float(weights @ seen) / total
    slope_variance = 1.0 / float(weights @ (seen - seen_mean) ** 2)
    intercept = y_mean - slope * x_mean
    chi_squared = float(weights @ (ys - intercept - slope * xs) ** 2)
    return StraightLine(
        intercept,
        slope,
        math.sqrt(1.0 / total + seen_mean**2 * slope_variance),
        math.sqrt(slope_variance),
        -seen_mean * slope_variance,
        chi_squared,
        len(xs) - 2,
        False,
    )


def points(x: npt.ArrayLike, y: npt.ArrayLike, at_least: int) -> tuple[Array, Array]:
    """Both as float arrays of one length; refuses what is not finite or too little."""
    xs, ys = np.asarray(x, float), np.asarray(y, float)
    if len(xs) < at_least:
        raise TooFewWindowsError(
            f"not identifiable: {len(xs)} points, {at_least} are needed", remedy="record for longer"
        )
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        raise AnalysisError(
            "not identifiable: a value is missing or not finite", remedy="leave such rows out"
        )
    return xs, ys


def spread(sd: npt.ArrayLike, n_points: int) -> Array:
    """Standard deviations, one for each point; refuses what is not above 0."""
    values = np.broadcast_to(np.asarray(sd, float), (n_points,))
    if not (values > 0.0).all() or not np.isfinite(values).all():
        raise AnalysisError("not identifiable: a standard deviation is not above 0", remedy="give a true one")
    return values
