"""A power stage that shows its temperature and not its own loss: its rise against the power that it feeds.

    rise above the air = offset + a P + b P^2

Switching loss goes with the current, conduction loss with its square; at one voltage that is P and P^2. A
smaller sense resistor lets both grow where no sensor of the source sees it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError, TooFewWindowsError
from .regression import autocorrelation_covariance, fit_huber, robust_sd

Array = npt.NDArray[np.float64]

LEAST_WINDOWS = 30
LEAST_RANGE = 2.0  # highest over lowest power: on less, P and P^2 are one straight line
ENDS = (0.02, 0.98)
PREFIX = "temperature_c."


@dataclass(frozen=True, slots=True, eq=False)
class PowerStage:
    """One stage and the source that it seems to feed.

    Attributes
    ----------
    name, feeds
        Of the stage, and of the source.
    offset_k, k_per_w, k_per_w2
        Terms of the rise, for true watts of the source.
    covariance
        Of the three, in their units.
    residual_sd_k, unexplained_share
        Scatter around the curve [K], and as a share of how far the rise moves.
    low_w, high_w
        Powers between which it was seen.
    n_windows
        What it rests on.
    """

    name: str
    feeds: str
    offset_k: float
    k_per_w: float
    k_per_w2: float
    covariance: Array
    residual_sd_k: float
    unexplained_share: float
    low_w: float
    high_w: float
    n_windows: int

    def rise_k(self, power_w: float) -> tuple[float, float]:
        """Rise above the air at a power of the source, and its standard error [K]; wide where not seen."""
        terms = np.array([1.0, power_w, power_w**2])
        value = float(terms @ [self.offset_k, self.k_per_w, self.k_per_w2])
        return value, math.sqrt(float(terms @ self.covariance @ terms))


def fit_power_stage(name: str, windows: Mapping[str, pd.DataFrame]) -> PowerStage:
    """Fit a stage to the power of the source that explains it best.

    Parameters
    ----------
    name
        ``vrm0``, say.
    windows
        Settled windows of each source that may be fed by it, with ``temperature_c.<name>`` and
        ``reference_c``.

    Raises
    ------
    TooFewWindowsError
        Too few windows with every source.
    AnalysisError
        No source's power varied enough.
    """
    fits, reasons = [], []
    for source, found in windows.items():
        try:
            fits.append(_fit(name, source, found))
        except AnalysisError as reason:
            reasons.append(reason)
    if not fits:
        raise (
            reasons[0] if reasons else AnalysisError(f"not identifiable: {name} was never seen with a source")
        )
    # Each source has windows of its own, quiet ones or not: what counts is how much of the movement is left.
    return min(fits, key=lambda fit: fit.unexplained_share)


def _fit(name: str, source: str, windows: pd.DataFrame) -> PowerStage:
    column = f"{PREFIX}{name}"
    if column not in windows or "reference_c" not in windows:
        raise AnalysisError(f"not identifiable: {name} was never seen with {source}")
    rows = windows[["power_w", column, "reference_c"]].dropna()
    if len(rows) < LEAST_WINDOWS:
        raise TooFewWindowsError(
            f"not identifiable: {len(rows)} settled windows of {name} with {source}",
            remedy=f"record for longer: {LEAST_WINDOWS} are needed",
        )
    power_w = rows["power_w"].to_numpy(float)
    low_w, high_w = (float(end) for end in np.quantile(power_w, ENDS))
    if high_w < LEAST_RANGE * low_w:
        raise AnalysisError(
            f"not identifiable: the power of {source} hardly varies", remedy="record work of different power"
        )
    scaled = power_w / high_w
    design = np.column_stack([np.ones(len(scaled)), scaled, scaled**2])
    rise_k = rows[column].to_numpy(float) - rows["reference_c"].to_numpy(float)
    fit = fit_huber(design, rise_k)
    scale = np.array([1.0, 1.0 / high_w, 1.0 / high_w**2])
    values = fit.coefficients * scale
    covariance = autocorrelation_covariance(design, fit) * np.outer(scale, scale)
    return PowerStage(
        name,
        source,
        float(values[0]),
        float(values[1]),
        float(values[2]),
        covariance,
        fit.residual_sd,
        fit.residual_sd / max(robust_sd(rise_k - np.median(rise_k)), np.finfo(float).eps),
        low_w,
        high_w,
        len(rows),
    )
