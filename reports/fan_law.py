"""How a resistance falls with the speed of the air: R = still + moved * (speed / usual speed)^-n.

Heat passes into moving air as speed^0.5 (laminar) to speed^0.8 (turbulent) [1]_; the exponent is searched a
little beyond both. Without a wide range of speeds the exponent cannot be told, and then says so by its
interval.

References
----------
.. [1] H. D. Baehr, K. Stephan, Heat and Mass Transfer, flat plate: Nu = 0.664 Re^0.5 Pr^(1/3) laminar,
   0.036 Re^0.8 Pr^(1/3) turbulent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..store.errors import AnalysisError, TooFewWindowsError
from .straight_line import StraightLine, fit_line

Array = npt.NDArray[np.float64]

LEAST_EXPONENT, MOST_EXPONENT = 0.4, 0.9
N_EXPONENTS = 101
LEAST_SPEEDS = 4
LEAST_RATIO = 1.2  # of the fastest over the slowest: below, the law bends less than a sensor can show
CHI_SQUARED_95 = 3.841458820694124  # of one parameter


@dataclass(frozen=True, slots=True)
class FanLaw:
    """A fan law fitted to resistances at several speeds.

    Attributes
    ----------
    still_k_per_w, still_error_k_per_w
        The part that no fan moves [K/W], and its standard error.
    moved_k_per_w, moved_error_k_per_w
        The part that it does, at the usual speed [K/W], and its standard error.
    exponent, exponent_low, exponent_high
        And its 95 % interval, within the bounds of the search.
    usual_speed, slowest, fastest
        Median and range of the speeds it was learned from, in their own unit.
    is_intended
        The speed is what a driver asked for, not what a tachometer counted: it proves nothing about the fan.
    reduced_chi_squared
        About 1 where the standard errors given were true.
    """

    still_k_per_w: float
    still_error_k_per_w: float
    moved_k_per_w: float
    moved_error_k_per_w: float
    exponent: float
    exponent_low: float
    exponent_high: float
    usual_speed: float
    slowest: float
    fastest: float
    is_intended: bool
    reduced_chi_squared: float

    @property
    def is_exponent_known(self) -> bool:
        """Whether the speeds told anything about the exponent that its bounds did not."""
        return self.exponent_high - self.exponent_low < 0.9 * (MOST_EXPONENT - LEAST_EXPONENT)

    def resistance_k_per_w(self, speed: npt.ArrayLike) -> Array:
        """Resistance at some speeds [K/W]; NaN outside the range that was seen, with a tenth to spare."""
        speeds = np.asarray(speed, float)
        is_seen = (speeds >= 0.9 * self.slowest) & (speeds <= 1.1 * self.fastest)
        safe = np.where(is_seen, speeds, self.usual_speed)
        moved = self.moved_k_per_w * (safe / self.usual_speed) ** -self.exponent
        resistance: Array = np.where(is_seen, self.still_k_per_w + moved, np.nan)
        return resistance


def fit_fan_law(
    speed: npt.ArrayLike,
    resistance_k_per_w: npt.ArrayLike,
    error_k_per_w: npt.ArrayLike,
    *,
    is_intended: bool = False,
) -> FanLaw:
    """Fit a fan law: the exponent by search, the rest by least squares at each (variable projection).

    Parameters
    ----------
    speed
        Shape (n,), above 0, in any one unit.
    resistance_k_per_w, error_k_per_w
        Resistance at each speed and its standard error [K/W].
    is_intended
        The speed is only what a driver asked for.

    Raises
    ------
    TooFewWindowsError
        Fewer than `LEAST_SPEEDS` points.
    AnalysisError
        The fan hardly changes speed, a speed is not above 0, or more air does not cool more.
    """
    speeds, resistances = np.asarray(speed, float), np.asarray(resistance_k_per_w, float)
    _refuse_speeds(speeds)
    usual = float(np.median(speeds))
    exponents = np.linspace(LEAST_EXPONENT, MOST_EXPONENT, N_EXPONENTS)
    lines = [fit_line((speeds / usual) ** -n, resistances, error_k_per_w) for n in exponents]
    chi_squared = np.array([line.chi_squared for line in lines])
    best = int(np.argmin(chi_squared))
    line = lines[best]
    if line.slope <= 0.0:
        raise AnalysisError(
            "not identifiable: more air does not cool more", remedy="see whether this fan cools this source"
        )
    # Where the errors given were too small, the scatter itself says what a step in chi squared is worth.
    excess = max(1.0, line.chi_squared / max(line.degrees_of_freedom - 1, 1))
    inside = np.flatnonzero(chi_squared <= line.chi_squared + CHI_SQUARED_95 * excess)
    still_error, moved_error = _errors(lines, chi_squared, excess)
    return FanLaw(
        line.intercept,
        still_error,
        line.slope,
        moved_error,
        float(exponents[best]),
        float(exponents[inside[0]]),
        float(exponents[inside[-1]]),
        usual,
        float(speeds.min()),
        float(speeds.max()),
        is_intended,
        line.chi_squared / max(line.degrees_of_freedom - 1, 1),
    )


def _errors(lines: list[StraightLine], chi_squared: Array, excess: float) -> tuple[float, float]:
    """Standard errors of both parts over all exponents, each weighted by how well it fits."""
    weights = np.exp(-(chi_squared - chi_squared.min()) / (2.0 * excess))
    weights /= weights.sum()
    errors = []
    for values, own in (
        ([line.intercept for line in lines], [line.intercept_error for line in lines]),
        ([line.slope for line in lines], [line.slope_error for line in lines]),
    ):
        mean = float(weights @ np.array(values))
        variance = excess * np.square(own) + np.square(np.array(values) - mean)
        errors.append(math.sqrt(float(weights @ variance)))
    return errors[0], errors[1]


def _refuse_speeds(speeds: Array) -> None:
    if len(speeds) < LEAST_SPEEDS:
        raise TooFewWindowsError(
            f"not identifiable: {len(speeds)} fan speeds, {LEAST_SPEEDS} are needed",
            remedy="record for longer",
        )
    if not (np.isfinite(speeds).all() and (speeds > 0.0).all()):
        raise AnalysisError("not identifiable: a fan speed is not above 0", remedy="leave standing fans out")
    ratio = float(speeds.max() / speeds.min())
    if ratio < LEAST_RATIO:
        raise AnalysisError(
            f"not identifiable: the fan's speed varies by a factor of {ratio:.2f}, {LEAST_RATIO} is needed",
            remedy="record work of different power",
        )
