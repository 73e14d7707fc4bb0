"""How wrong the readings around a load step are, and how long they stay so.

A sensor that counts whole degrees errs by up to half a degree, and by the same for as long as the temperature
stands still: neighbouring errors are alike. Standard errors that count each look as news would be too small.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from .projection import LinearFits

Array = npt.NDArray[np.float64]

N_LAGS = 16  # at 1 s: a slope of 1 K in 16 s is the slowest that a load step leaves for long
LEAST_PAIRS = 30


def autocovariance(
    basis: Array, linear: LinearFits, is_read: npt.NDArray[np.bool_], times_s: Array
) -> tuple[float, ...]:
    """Autocovariance of the readings around their fits, pooled over all steps.

    What the fits have swallowed is given back as if the errors were independent.

    Parameters
    ----------
    basis, linear
        Fits and their columns.
    is_read
        Rows that take part, shape (n_steps, n_rows).
    times_s
        Their times [s].

    Returns
    -------
    tuple of float
        At 0, 1, ... s [K²], tapered so that no variance comes out negative.
    """
    residuals_k = linear.residuals
    freedom = max(int(is_read.sum()) - residuals_k.shape[0] * basis.shape[2], 1)
    variance_k2 = float(np.sum(residuals_k**2)) / freedom
    found = [variance_k2]
    for lag in range(1, N_LAGS):
        early, late = slice(None, -lag), slice(lag, None)
        spacing_s = times_s[:, late] - times_s[:, early]
        is_pair = is_read[:, early] & is_read[:, late] & (np.abs(spacing_s - lag) < 0.5)
        n_pairs = int(is_pair.sum())
        if n_pairs < LEAST_PAIRS:
            break
        swallowed = np.einsum("src,scr->sr", basis[:, early], linear.inverses[:, :, late])
        products = residuals_k[:, early] * residuals_k[:, late] + variance_k2 * swallowed
        found.append(float(products[is_pair].sum()) / n_pairs * (1.0 - lag / N_LAGS))
    return tuple(found)


def standard_errors(weights: Array, times_s: Array, autocovariance_k2: Sequence[float]) -> Array:
    """Standard errors of weighted sums of readings.

    Parameters
    ----------
    weights
        Shape (n_steps, n_rows), 0 where a row takes no part.
    times_s
        Times of the rows [s], same shape.
    autocovariance_k2
        As from `autocovariance`.
    """
    variance = autocovariance_k2[0] * np.sum(weights**2, axis=1)
    n_rows = weights.shape[1]
    lags = np.arange(len(autocovariance_k2), dtype=float)
    for shift in range(1, min(len(autocovariance_k2), n_rows)):
        spacing_s = times_s[:, shift:] - times_s[:, :-shift]
        shared_k2 = np.interp(spacing_s, lags, autocovariance_k2, right=0.0)
        variance = variance + 2.0 * np.sum(shared_k2 * weights[:, shift:] * weights[:, :-shift], axis=1)
    least = 0.25 * autocovariance_k2[0] * np.sum(weights**2, axis=1)
    errors: Array = np.sqrt(np.maximum(variance, least))
    return errors
