"""What a changed joint shows while the time constants of its era are held.

A joint that resists more also answers slower: its time constant is its resistance times the heat capacity of
the die, which does not change. Steps are fitted with the time constant of the era, so a part of the change
goes into the slower lags, and the interface part seems to change by less than it did. How much less follows
from the fit itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.records import Cadence
from .steps import StepSettings, TimeConstants, fit_steps

Array = npt.NDArray[np.float64]

TRUE_RATIOS = np.exp(np.linspace(np.log(0.4), np.log(4.0), 21))
PHASES = 9  # a step comes anywhere within a second
# How much of the change goes into the slow lags depends on what came before the step, by a quarter: the curve
# is the mean over near and far predecessors, and a quarter of what it gives back is uncertain.
SPACINGS_S = (100.0, 180.0, 240.0)
UNCERTAIN_SHARE = 0.25
LOW_W, STEP_W, AIR_C = 20.0, 80.0, 30.0
OLD_K_PER_W = 0.1
PAUSE_S = 3600.0  # so long that nothing reaches from one history into the next
NOISE_K2 = 1.0  # so that no step is refused for what the old time constants leave unexplained
LEAST_SLOPE = 0.1  # flatter, what is seen tells hardly anything of what is


@dataclass(frozen=True, slots=True, eq=False)
class AnswerCurve:
    """Logarithm of the true ratio against that of the seen one; both 0 at no change.

    Attributes
    ----------
    seen, true
        Increasing, shape (n,).
    """

    seen: Array
    true: Array

    def true_log_ratio(self, seen: Array, standard_error: Array) -> tuple[Array, Array]:
        """The true ratios behind some seen ones, and their standard errors.

        Beyond the ends of the curve the last slope is carried on.
        """
        if len(self.seen) < 2:
            return seen, standard_error  # the curve is flat from the start: nothing can be given back
        slopes = np.diff(self.true) / np.diff(self.seen)
        piece = np.clip(np.searchsorted(self.seen, seen) - 1, 0, len(slopes) - 1)
        true: Array = self.true[piece] + slopes[piece] * (seen - self.seen[piece])
        return true, slopes[piece] * standard_error

    def uncertainty(self, true: float) -> float:
        """What the way back leaves open in a true log ratio."""
        return UNCERTAIN_SHARE * abs(true - float(np.interp(true, self.true, self.seen)))


@cache
def answer_curve(interface_s: float, plate_s: float) -> AnswerCurve:
    """The curve of an era with these time constants of die and plate [s]."""
    found = _seen(interface_s, plate_s)
    seen = np.log(np.where(found > 0.0, found, np.nan))  # what is seen below zero cannot be read backwards
    true = np.log(TRUE_RATIOS)
    seen = seen - float(np.interp(0.0, true, seen))
    # Where the curve turns flat it cannot be read backwards; it begins at one and is followed to there.
    middle = int(np.argmin(np.abs(true)))
    steep = np.diff(seen) >= LEAST_SLOPE * np.diff(true)
    end = middle + int(np.argmin(np.append(steep[middle:], False)))
    begin = middle - int(np.argmin(np.append(steep[:middle][::-1], False)))
    return AnswerCurve(seen[begin : end + 1], true[begin : end + 1])


def _seen(interface_s: float, plate_s: float) -> Array:
    """What a fit with the old time constants finds of joints whose resistances are `TRUE_RATIOS`."""
    onsets_s = np.cumsum(np.resize(SPACINGS_S, PHASES)) + (np.arange(PHASES) + 0.5) / PHASES
    times_s = np.arange(float(round(onsets_s[-1] + SPACINGS_S[0])))
    after_s = np.maximum(times_s[:, None] - onsets_s, 0.0)
    signs = np.resize([1.0, -1.0], PHASES)
    shown_w = LOW_W + STEP_W * np.minimum(after_s, 1.0) @ signs  # a reading is the mean of the last second
    period_s = times_s[-1] + PAUSE_S
    histories = []
    for number, ratio in enumerate(TRUE_RATIOS):  # all in one history: a fit of many steps costs little more
        rise_k = STEP_W * OLD_K_PER_W * ratio * -np.expm1(-after_s / (interface_s * ratio)) @ signs
        at_ms = np.round(1000.0 * (times_s + number * period_s)).astype(np.int64)
        values = {"temperature_c": AIR_C + rise_k, "power_w": shown_w}
        histories.append(pd.DataFrame(values, index=pd.to_datetime(at_ms, unit="ms", utc=True)))
    frame = pd.concat(histories).assign(
        cadence=int(Cadence.STEP), n_looks=1, memory_utilization_pct=np.nan, clock_mhz=np.nan
    )
    constants = TimeConstants(interface_s, plate_s, 0.0, 0.0, OLD_K_PER_W, 0.0, (NOISE_K2,), PHASES)
    found: list[list[float]] = [[] for _ in TRUE_RATIOS]
    for step in fit_steps(frame, constants, StepSettings(step_range_w=STEP_W)):
        if step.interface_resistance_k_per_w is not None:
            found[int(step.at_utc_ms / 1000.0 // period_s)].append(step.interface_resistance_k_per_w)
    return np.array([np.mean(values) for values in found])
