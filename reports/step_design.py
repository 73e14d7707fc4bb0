"""The linear model of the temperature around a load step, for given time constants.

T(t) = T0 + sum of R_k (h_k * P)(t): the die's lag, the plate's, and two fixed slow ones that together follow
a sink whose fan changes speed meanwhile. Sources on the same sink add slow lags of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from .lags import held_power, lag_responses
from .step_windows import Looks, StepSettings, StepWindows

Array = npt.NDArray[np.float64]

# A sink takes minutes and its fan half a minute to a minute: a window of one minute cannot tell how many, but
# two lags on either side follow it. On machines with known truth the pair leaves half the error of one lag.
SLOW_S = (60.0, 400.0)
# Heat of a neighbour comes through its plate and ours: at first it does not rise at all, which two slow lags
# cannot say.
NEIGHBOUR_S = (20.0, *SLOW_S)
DIE_COLUMN, PLATE_COLUMN = 1, 2


@dataclass(frozen=True, slots=True)
class PowerSeries:
    """Power at each look [W], and the energy up to it [J]."""

    power_w: Array
    energy_j: Array


class StepDesign:
    """Temperatures around some steps, and the columns that have to explain them.

    Parameters
    ----------
    looks, windows, settings
        From `usable_looks` and `cut_windows`.
    chosen
        Which steps of the windows.
    powers
        From `powers_at`: of the source, then of each on the same sink.

    Attributes
    ----------
    is_read
        Rows that take part, shape (n_steps, n_rows).
    after_onset_s
        Time since the first look of the step [s], same shape.
    temperature_c, power_w
        Readings, same shape; the temperature is 0 where it takes no part.
    """

    def __init__(
        self,
        looks: Looks,
        windows: StepWindows,
        settings: StepSettings,
        chosen: npt.NDArray[np.int64],
        powers: Sequence[PowerSeries],
    ) -> None:
        indices, is_read = windows.indices[chosen], windows.is_read[chosen]
        times_s = looks.power_end_s[indices]
        first = np.argmax(is_read, axis=1)[:, None]
        self._lead = int(first.min()) if len(chosen) else 0
        average_s = np.inf if settings.average_s is None else settings.average_s
        reach_s = np.where(windows.is_far, np.inf, average_s)
        parts = []
        for number, series in enumerate(powers):
            power_w = _row_means(looks, series, indices, windows.is_far)
            level_w = np.take_along_axis(power_w, first, axis=1)[..., None]
            held = held_power(times_s, power_w, reach_s)
            if number == 0:
                self._power, self._level_w = held, level_w
            parts.append(lag_responses(held, NEIGHBOUR_S if number else SLOW_S) - level_w)
        self._fixed = np.concatenate(parts, axis=-1)[:, self._lead :]
        kept = slice(self._lead, None)
        self.is_read = is_read[:, kept]
        self.after_onset_s = (times_s - looks.times_s[windows.onsets[chosen]][:, None])[:, kept]
        self.power_w = looks.power_w[indices][:, kept]
        self.temperature_c = np.where(is_read, looks.temperature_c[indices], 0.0)[:, kept]

    @property
    def n_rows(self) -> int:
        """Readings that take part."""
        return int(self.is_read.sum())

    def basis(self, log_constants: Array) -> Array:
        """Columns for the logarithms of the time constants of die and plate [log s].

        Returns
        -------
        Array
            Shape (n_steps, n_rows, n_columns), 0 in rows that take no part: ones, die, plate, two
            slow lags, and three for each other source [W].
        """
        answers = lag_responses(self._power, np.exp(log_constants).tolist()) - self._level_w
        ones = np.ones((*self._fixed.shape[:-1], 1))
        columns = np.concatenate([ones, answers[:, self._lead :], self._fixed], axis=-1)
        return np.asarray(columns * self.is_read[..., None])


def powers_at(looks: Looks, others: Sequence[pd.DataFrame]) -> list[PowerSeries]:
    """Power of a source at its own looks, and of others from their last readings not later than each look.

    A part that was not read heats as if switched off.
    """
    found = [_with_energy(looks, looks.power_w)]
    for frame in others:
        times_s = pd.DatetimeIndex(frame.index).as_unit("ms").asi8 / 1000.0
        power_w = np.nan_to_num(frame["power_w"].to_numpy(float))
        if len(times_s):
            at = np.searchsorted(times_s, looks.times_s, "right") - 1
            found.append(_with_energy(looks, np.where(at >= 0, power_w[np.maximum(at, 0)], 0.0)))
    return found


def _with_energy(looks: Looks, power_w: Array) -> PowerSeries:
    spacing_s = np.diff(looks.power_end_s, prepend=looks.power_end_s[:1])
    return PowerSeries(power_w, np.cumsum(power_w * spacing_s))


def _row_means(
    looks: Looks, series: PowerSeries, indices: npt.NDArray[np.int64], is_far: npt.NDArray[np.bool_]
) -> Array:
    """Power at the looks of the windows; in columns that stand for several rows their mean [W]."""
    before = np.concatenate([indices[:, :1], indices[:, :-1]], axis=1)
    span_s = looks.power_end_s[indices] - looks.power_end_s[before]
    mean_w = (series.energy_j[indices] - series.energy_j[before]) / np.where(span_s > 0.0, span_s, 1.0)
    return np.asarray(np.where(is_far & (span_s > 0.0), mean_w, series.power_w[indices]))
