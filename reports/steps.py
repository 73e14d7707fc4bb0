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
        self._windows, self._linear, self._constants = windows, linear, constants
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
        is_read, after_s = design.is_read, design.after_onset_s
        before, after = is_read & (after_s < 0.0), is_read & (after_s > SETTLE_S)
        self._n_looks = is_read.sum(axis=1)
        self._span_s = np.where(is_read, after_s, 0.0).max(axis=1, initial=0.0)
        self._power_w = [_row_medians(design.power_w, side) for side in (before, after)]
        n_before = before.sum(axis=1)
        warmth_c = np.where(before, design.temperature_c, 0.0).sum(axis=1)
        self._temperature_c = np.where(n_before > 0, warmth_c / np.maximum(n_before, 1), np.nan)
        read_rows = looks.rows[windows.indices[:, windows.indices.shape[1] - is_read.shape[1] :]]
        memory_pct = frame["memory_utilization_pct"].to_numpy(float)[read_rows]
        self._memory_pct = [_row_medians(memory_pct, side) for side in (before, after)]
        self._clock_mhz = _row_medians(frame["clock_mhz"].to_numpy(float)[read_rows], after)
        self._fan_s = self._fan = None
        if fan_speed is not None and len(fan_speed):
            self._fan_s = pd.DatetimeIndex(fan_speed.index).as_unit("ms").asi8 / 1000.0
            self._fan = fan_speed.to_numpy(float)

    def step(self, number: int) -> LoadStep:
        residual_k = float(self._residual_sd_k[number])
        reason = self._windows.reasons[number] or self._doubt(number, residual_k)
        known = not reason
        die, plate = (float(self._linear.coefficients[number, c]) for c in (DIE_COLUMN, PLATE_COLUMN))
        span_s = float(self._span_s[number])
        return LoadStep(
            at_utc_ms=round(self._onset_s[number] * 1000),
            power_before_w=_had(self._power_w[0][number]),
            power_after_w=_had(self._power_w[1][number]),
            temperature_before_c=_had(self._temperature_c[number]),
            interface_resistance_k_per_w=die if known else None,
            standard_error_k_per_w=float(self._errors[0][number]) if known else None,
            plate_resistance_k_per_w=plate if known else None,
            plate_standard_error_k_per_w=float(self._errors[1][number]) if known else None,
            residual_sd_k=residual_k if known else None,
            n_looks=int(self._n_looks[number]),
            span_s=span_s,
            memory_utilization_before_pct=_had(self._memory_pct[0][number]),
            memory_utilization_after_pct=_had(self._memory_pct[1][number]),
            clock_after_mhz=_had(self._clock_mhz[number]),
            fan_speed=self._fan_speed(number, span_s),
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

    def _fan_speed(self, number: int, span_s: float) -> float | None:
        if self._fan_s is None or self._fan is None:
            return None
        from_s = self._onset_s[number]
        begin, end = np.searchsorted(self._fan_s, [from_s - 1.0, from_s + span_s])
        values = self._fan[begin:end]
        values = values[np.isfinite(values)]
        return float(values.mean()) if len(values) else None


def _row_medians(values: Array, chosen: npt.NDArray[np.bool_]) -> Array:
    """Median of the chosen values of each row, NaN where none was had."""
    ordered = np.sort(np.where(chosen, values, np.nan), axis=1)  # NaN comes last
    count = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(len(ordered))
    low, high = (ordered[rows, np.maximum(place, 0)] for place in ((count - 1) // 2, count // 2))
    return np.where(count > 0, (low + high) / 2.0, np.nan)


def _had(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
