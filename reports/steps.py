"""Load steps: what each one says about the interface part of its heat path.

These are psi-like quantities in the sense of JESD51-12: total power, one sensor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from .projection import LinearFits, fit_linear
from .step_design import DIE_COLUMN, PLATE_COLUMN, StepDesign, powers_at
from .step_noise import standard_errors
from .step_windows import Looks, StepSettings, StepWindows, cut_windows, find_onsets, usable_looks
from .time_constants import TimeConstants, identify_time_constants, refuse_silent

__all__ = ["LoadStep", "StepSettings", "TimeConstants", "fit_steps", "identify_time_constants"]

Array = npt.NDArray[np.float64]

# A step whose interface part is known no better than to a half of what is usual tells nothing.
WORST_RELATIVE_ERROR = 0.5
WORST_NOISE_FACTOR = 3.0  # times the usual scatter: something else heats or cools within the window
CHUNK_STEPS = 256  # fits into a processor's cache
SETTLE_S = 1.5  # the first look of a step is a mixture of before and after


@dataclass(frozen=True, slots=True)
class LoadStep:
    """One load step; what could not be known is None, and ``not_identifiable`` says why.

    Attributes
    ----------
    at_utc_ms
        First look that shows it [ms since 1970].
    power_before_w, power_after_w
        Medians before and after [W].
    temperature_before_c
        Mean before [°C].
    interface_resistance_k_per_w, standard_error_k_per_w
        Sum of the resistances whose time constants lie below 3 s [K/W], and its standard error apart from
        what all steps share (see `TimeConstants.common_relative_error`).
    plate_resistance_k_per_w, plate_standard_error_k_per_w
        The same of the plate's lag.
    residual_sd_k
        Scatter of the readings around the fit [K].
    n_looks, span_s
        Readings used, and how long after the step the last of them came [s].
    memory_utilization_before_pct, memory_utilization_after_pct, clock_after_mhz
        Medians, None where not had.
    fan_speed
        Mean over the window, in the unit that was handed in; None where not had.
    not_identifiable
        Empty where the step could be fitted.
    """

    at_utc_ms: int
    power_before_w: float | None
    power_after_w: float | None
    temperature_before_c: float | None
    interface_resistance_k_per_w: float | None
    standard_error_k_per_w: float | None
    plate_resistance_k_per_w: float | None
    plate_standard_error_k_per_w: float | None
    residual_sd_k: float | None
    n_looks: int
    span_s: float
    memory_utilization_before_pct: float | None
    memory_utilization_after_pct: float | None
    clock_after_mhz: float | None
    fan_speed: float | None
    not_identifiable: str = ""


def fit_steps(
    frame: pd.DataFrame,
    constants: TimeConstants,
    settings: StepSettings | None = None,
    others: Sequence[pd.DataFrame] = (),
    fan_speed: pd.Series[float] | None = None,
) -> list[LoadStep]:
    """Fit every load step of a stretch of history.

    A step needs the few minutes before it and nothing else, so that a day that is added gives what it would
    have given within its year, as long as ``step_range_w`` of the settings is fixed.

    Parameters
    ----------
    frame
        A source as `Reader.source_frame` gives it, with corrected power.
    constants
        Of this source and era.
    settings
        What makes a step.
    others
        Frames of the sources on the same sink.
    fan_speed
        Speed of the fan that cools this source, any unit, UTC index.

    Raises
    ------
    AnalysisError
        No power, no temperature, or a temperature that never changed.
    """
    settings = settings or StepSettings()
    looks = usable_looks(frame)
    refuse_silent(frame, looks)
    windows = cut_windows(looks, find_onsets(looks, settings), settings)
    if not len(windows.onsets):
        return []
    powers = powers_at(looks, others)
    steps: list[LoadStep] = []
    for begin in range(0, len(windows.onsets), CHUNK_STEPS):
        part = windows.part(begin, begin + CHUNK_STEPS)
        design = StepDesign(looks, part, settings, np.arange(len(part.onsets)), powers)
        linear = fit_linear(design.basis(constants.log_constants), design.temperature_c)
        teller = _Teller(frame, looks, part, design, linear, constants=constants, fan_speed=fan_speed)
        steps += [teller.step(number) for number in range(len(part.onsets))]
    return steps


class _Teller:
    """Puts each step into words."""

    def __init__(
        self,
        frame: pd.DataFrame,
        looks: Looks,
        windows: StepWindows,
        design: StepDesign,
        linear: LinearFits,
        *,
        constants: TimeConstants,
        fan_speed: pd.Series[float] | None,
    ) -> None:
        self._windows, self._design, self._linear, self._constants = windows, design, linear, constants
        self._onset_s = looks.times_s[windows.onsets]
        noise = constants.noise_autocovariance_k2
        spare = design.is_read.sum(axis=1) - linear.coefficients.shape[1]
        squares = np.sum(linear.residuals**2, axis=1)
        self._residual_sd_k = np.sqrt(squares / np.where(spare > 0, spare, np.nan))
        # Where the readings of a step scatter more than usual, so does what they say.
        excess = np.fmax(1.0, self._residual_sd_k / np.sqrt(noise[0]))
        self._errors = [
            excess * standard_errors(linear.inverses[:, column], design.after_onset_s, noise)
            for column in (DIE_COLUMN, PLATE_COLUMN)
        ]
        self._noise_k = float(np.sqrt(noise[0]))
        self._lead = windows.indices.shape[1] - design.is_read.shape[1]
        self._rows = looks.rows
        self._covariates = {
            name: frame[name].to_numpy(float) for name in ("memory_utilization_pct", "clock_mhz")
        }
        self._fan_s = self._fan = None
        if fan_speed is not None and len(fan_speed):
            self._fan_s = pd.DatetimeIndex(fan_speed.index).as_unit("ms").asi8 / 1000.0
            self._fan = fan_speed.to_numpy(float)

    def step(self, number: int) -> LoadStep:
        design = self._design
        is_read, after_s = design.is_read[number], design.after_onset_s[number]
        before, after = is_read & (after_s < 0.0), is_read & (after_s > SETTLE_S)
        power_w, temperature_c = design.power_w[number], design.temperature_c[number]
        n_looks = int(is_read.sum())
        residual_k = float(self._residual_sd_k[number])
        reason = self._windows.reasons[number] or self._doubt(number, residual_k)
        known = not reason
        die, plate = (float(self._linear.coefficients[number, c]) for c in (DIE_COLUMN, PLATE_COLUMN))
        return LoadStep(
            at_utc_ms=round(self._onset_s[number] * 1000),
            power_before_w=_median(power_w[before]),
            power_after_w=_median(power_w[after]),
            temperature_before_c=float(temperature_c[before].mean()) if before.any() else None,
            interface_resistance_k_per_w=die if known else None,
            standard_error_k_per_w=float(self._errors[0][number]) if known else None,
            plate_resistance_k_per_w=plate if known else None,
            plate_standard_error_k_per_w=float(self._errors[1][number]) if known else None,
            residual_sd_k=residual_k if known else None,
            n_looks=n_looks,
            span_s=float(after_s[is_read].max(initial=0.0)),
            memory_utilization_before_pct=self._covariate("memory_utilization_pct", number, before),
            memory_utilization_after_pct=self._covariate("memory_utilization_pct", number, after),
            clock_after_mhz=self._covariate("clock_mhz", number, after),
            fan_speed=self._fan_speed(number, float(after_s[is_read].max(initial=0.0))),
            not_identifiable=reason,
        )

    def _doubt(self, number: int, residual_k: float) -> str:
        if not np.isfinite(residual_k):
            return "not identifiable: fewer looks than unknowns"
        error = float(self._errors[0][number])
        usual = self._constants.interface_resistance_k_per_w
        if not error <= WORST_RELATIVE_ERROR * usual:
            return f"not identifiable: standard error {error:.2g} K/W where {usual:.2g} K/W is usual"
        if residual_k > WORST_NOISE_FACTOR * self._noise_k:
            usually = f"{self._noise_k:.2g} K is usual"
            return f"not identifiable: readings scatter by {residual_k:.2g} K around the fit, {usually}"
        return ""

    def _covariate(self, name: str, number: int, chosen: npt.NDArray[np.bool_]) -> float | None:
        indices = self._windows.indices[number, self._lead :][chosen]
        return _median(self._covariates[name][self._rows[indices]])

    def _fan_speed(self, number: int, span_s: float) -> float | None:
        if self._fan_s is None or self._fan is None:
            return None
        from_s = self._onset_s[number]
        begin, end = np.searchsorted(self._fan_s, [from_s - 1.0, from_s + span_s])
        values = self._fan[begin:end]
        values = values[np.isfinite(values)]
        return float(values.mean()) if len(values) else None


def _median(values: Array) -> float | None:
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    ordered, half = np.sort(values), len(values) // 2  # for so few a third of the time of a partition
    return float((ordered[half] + ordered[-1 - half]) / 2.0)
