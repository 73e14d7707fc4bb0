"""Finds how fast die and plate answer: once for a source and era, from many load steps together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError, TooFewWindowsError
from .projection import LinearFits, Prior, ProjectedFit, best_start, fit_linear, fit_shared
from .step_design import DIE_COLUMN, StepDesign, powers_at
from .step_noise import autocovariance, standard_errors
from .step_windows import Looks, StepSettings, StepWindows, cut_windows, find_onsets, usable_looks

Array = npt.NDArray[np.float64]

LEAST_STEPS = 4
MOST_STEPS = 200  # more change the time constants by less than their error
# What is known of any computer beforehand: a die answers within a tenth of a second to three seconds, a plate
# in some ten to thirty (common practice, no source).
FASTEST_S = 0.05  # looks a second apart tell nothing faster
SLOWEST_INTERFACE_S = 3.0  # the edge of the interface part
PRIOR = Prior(
    center=np.log([0.5, 15.0]),
    sd=np.array([1.0, 0.4]),
    least=np.log([FASTEST_S, 4.0]),
    most=np.log([SLOWEST_INTERFACE_S, 50.0]),
)
STARTS_S = [(die, plate) for die in (0.15, 0.4, 1.0) for plate in (8.0, 15.0, 28.0)]
# What remains when the time constants are right: fans and neighbours that two slow lags do not follow. Seen
# as the error of the mean over ten days of steps on 36 sources with known truth: below 0.9 % in half of them,
# and with this share 33 of their 95 % intervals hold the truth.
MODEL_SHARE = 0.02
DERIVATIVE_STEP = 0.05  # of a logarithm
# Work that pulses faster than a look a second heats and cools unseen; such steps scatter far more than the
# quiet ones, of which every source has a quarter.
QUIET_QUANTILE, QUIET_FACTOR = 0.25, 2.0
QUIET_K = 0.3  # a sensor of whole degrees scatters so; steps that it shows as a level scatter by nothing


@dataclass(frozen=True, slots=True)
class TimeConstants:
    """How a source answers to power, as far as all its steps share it.

    Attributes
    ----------
    interface_s, plate_s
        Time constants of die and plate [s].
    interface_relative_error, plate_relative_error
        Their relative standard errors.
    interface_resistance_k_per_w
        Interface part over all steps [K/W], weighted by certainty.
    common_relative_error
        What the error of the time constants and of the model does to the interface part of all steps alike,
        relative; it does not shrink with the number of steps, and cancels in ratios within an era.
    noise_autocovariance_k2
        Of the readings around the model, at 0, 1, 2 ... s [K²].
    n_steps
        Steps used.
    """

    interface_s: float
    plate_s: float
    interface_relative_error: float
    plate_relative_error: float
    interface_resistance_k_per_w: float
    common_relative_error: float
    noise_autocovariance_k2: tuple[float, ...]
    n_steps: int

    @property
    def log_constants(self) -> Array:
        """Logarithms of both time constants [log s]."""
        return np.log([self.interface_s, self.plate_s])


def identify_time_constants(
    frame: pd.DataFrame, settings: StepSettings | None = None, others: Sequence[pd.DataFrame] = ()
) -> TimeConstants:
    """Identify the time constants of a source from its load steps.

    The steps share the time constants; each has resistances of its own (variable projection).

    Parameters
    ----------
    frame
        One era of a source as `Reader.source_frame` gives it, with corrected power.
    settings
        What makes a step.
    others
        Frames of the sources on the same sink.

    Raises
    ------
    TooFewWindowsError
        Fewer than four usable steps.
    AnalysisError
        No power, no temperature, or nothing that changes.
    """
    settings = settings or StepSettings()
    looks = usable_looks(frame)
    refuse_silent(frame, looks)
    windows = cut_windows(looks, find_onsets(looks, settings), settings)
    chosen = _choose(looks, windows)
    if len(chosen) < LEAST_STEPS:
        raise TooFewWindowsError(
            f"not identifiable: {len(chosen)} usable load steps of {len(windows.onsets)} found",
            remedy=f"{LEAST_STEPS} are needed, each with looks a second apart",
        )
    powers = powers_at(looks, others)
    design = StepDesign(looks, windows, settings, chosen, powers)
    starts = [np.log(start) for start in STARTS_S]
    quiet = _quiet(design, best_start(design.basis, design.temperature_c, starts))
    if LEAST_STEPS <= quiet.sum() < len(chosen):
        design = StepDesign(looks, windows, settings, chosen[quiet], powers)
    fit = fit_shared(design.basis, design.temperature_c, design.n_rows, starts, PRIOR)
    return _summarise(design, fit)


def refuse_silent(frame: pd.DataFrame, looks: Looks) -> None:
    """Refuse a source that cannot have load steps.

    Raises
    ------
    AnalysisError
        With the reason.
    """
    for quantity, name in (("power_w", "power"), ("temperature_c", "temperature")):
        if not frame[quantity].notna().any():
            raise AnalysisError(f"not identifiable: no reading of {name}")
    if not len(looks.times_s):
        raise AnalysisError("not identifiable: power and temperature were never read together")
    if np.ptp(looks.temperature_c) == 0.0:
        raise AnalysisError(f"not identifiable: the temperature always was {looks.temperature_c[0]:g} °C")


def _choose(looks: Looks, windows: StepWindows) -> npt.NDArray[np.int64]:
    """Usable steps, the larger ones where there are more than needed, spread over the era."""
    usable = np.flatnonzero([not reason for reason in windows.reasons])
    if len(usable) <= MOST_STEPS:
        return usable
    onsets = windows.onsets[usable]
    change_w = np.abs(looks.power_w[onsets + 2] - looks.power_w[onsets - 1])
    large = usable[change_w >= 0.5 * np.quantile(change_w, 0.9)]
    if len(large) < MOST_STEPS:
        large = np.sort(usable[np.argsort(-change_w)[:MOST_STEPS]])
    spread: npt.NDArray[np.int64] = large[np.linspace(0, len(large) - 1, MOST_STEPS).astype(np.int64)]
    return spread


def _quiet(design: StepDesign, parameters: Array) -> npt.NDArray[np.bool_]:
    residuals_k = fit_linear(design.basis(parameters), design.temperature_c).residuals
    scatter_k = np.sqrt(np.sum(residuals_k**2, axis=1) / np.maximum(design.is_read.sum(axis=1), 1))
    quiet: npt.NDArray[np.bool_] = scatter_k <= QUIET_FACTOR * max(
        QUIET_K, float(np.quantile(scatter_k, QUIET_QUANTILE))
    )
    return quiet


def _summarise(design: StepDesign, fit: ProjectedFit) -> TimeConstants:
    interface_s, plate_s = (float(value) for value in np.exp(fit.parameters))
    if interface_s > 0.98 * SLOWEST_INTERFACE_S:
        raise AnalysisError(f"not identifiable: no answer faster than {SLOWEST_INTERFACE_S:g} s is seen")
    basis = design.basis(fit.parameters)
    linear = fit_linear(basis, design.temperature_c)
    covariance_k2 = autocovariance(basis, linear, design.is_read, design.after_onset_s)
    errors = standard_errors(linear.inverses[:, DIE_COLUMN], design.after_onset_s, covariance_k2)
    weights = 1.0 / errors**2
    weights /= weights.sum()
    resistance = float(weights @ linear.coefficients[:, DIE_COLUMN])
    if resistance <= 0.0:
        raise AnalysisError("not identifiable: the temperature does not follow the power")
    gradient = _gradient(design, fit.parameters, weights) / resistance
    common = float(np.sqrt(gradient @ fit.parameters_covariance @ gradient + MODEL_SHARE**2))
    relative = np.sqrt(np.diag(fit.parameters_covariance))
    return TimeConstants(
        interface_s=interface_s,
        plate_s=plate_s,
        interface_relative_error=float(relative[0]),
        plate_relative_error=float(relative[1]),
        interface_resistance_k_per_w=resistance,
        common_relative_error=common,
        noise_autocovariance_k2=covariance_k2,
        n_steps=len(weights),
    )


def _gradient(design: StepDesign, parameters: Array, weights: Array) -> Array:
    """How the mean interface part moves with the logarithm of each time constant [K/W]."""

    def mean(shift: Array) -> float:
        fits: LinearFits = fit_linear(design.basis(parameters + shift), design.temperature_c)
        return float(weights @ fits.coefficients[:, DIE_COLUMN])

    shifts = DERIVATIVE_STEP * np.eye(len(parameters))
    return np.array([(mean(shift) - mean(-shift)) / (2.0 * DERIVATIVE_STEP) for shift in shifts])
