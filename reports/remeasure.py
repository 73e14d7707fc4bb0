"""How much a joint has really changed: its time constants are identified anew from the newest steps.

A joint that resists more also answers slower, so steps that are fitted with the time constants of the era's
beginning show a change too small. Once a change is seen, the newest steps are fitted with time constants of
their own; by as much as they then show more, every day of the series is stretched. Where the power reading
changed and not the joint, the time constants are what they were and nothing is stretched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError, TooFewWindowsError
from ..store.packing import DAY_MS
from ..store.reader import Reader
from .answer_curve import AnswerCurve
from .baseline import Baseline
from .day_levels import fit_day_levels
from .days import interface_step_cells, steps_of
from .derivation import Derivation
from .era_model import EraModel
from .machine_frames import read_frames
from .part_series import INTERFACE, PartSeries, interface_cells
from .time_constants import MODEL_SHARE, identify_time_constants

Array = npt.NDArray[np.float64]

NEWEST_MS = 10 * DAY_MS
LEAST_DAYS, MANY_DAYS = 3, 7  # of two days, one with odd work makes half
LEAST_SEEN = 0.015  # a smaller change cannot be stretched: its own error would be
LEAST_STRETCH, MOST_STRETCH = 0.7, 3.0
# The model of two lags fits neither state exactly; of what is given back so much may be wrong.
UNCERTAIN_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Stretch:
    """By how much a change seen with held time constants has to be multiplied [of logarithms].

    Attributes
    ----------
    factor, relative_error
        With its standard error as a share of it.
    slower, slower_error
        Logarithm by which the die answers slower than in the era's beginning, and its standard error.
    until_utc_ms
        What was recorded later did not count [ms since 1970].
    is_young
        Whether there were fewer days since the change than are used otherwise.
    seen
        The change at which it was measured, as seen [log units]; 0 where that was not kept.
    """

    factor: float
    relative_error: float
    slower: float
    slower_error: float
    until_utc_ms: int
    is_young: bool
    seen: float = 0.0

    def applied(self, series: PartSeries, curve: AnswerCurve | None = None) -> PartSeries:
        """A series, every day of it stretched.

        What is hidden grows with the change: half-way through a creep it is less than at its end. There the
        curve is followed, and what was measured beyond it is given back in proportion.

        Parameters
        ----------
        series
            With held time constants.
        curve
            What a change should hide; None stretches all days alike.
        """
        seen = series.rows["log_ratio"].to_numpy(float)
        factors = np.full(len(seen), self.factor)
        at_rest = self.factor
        if curve is not None and self.seen:
            at_rest = float(_given_back(curve, np.array([LEAST_SEEN]))[0])
            beyond = self.factor / float(_given_back(curve, np.array([self.seen]))[0]) - 1.0
            factors = _given_back(curve, seen) * (1.0 + beyond * np.clip(seen / self.seen, 0.0, 1.0))
        columns = ["log_ratio", "standard_error"]
        rows = series.rows.assign(**{name: series.rows[name] * factors for name in columns})
        return replace(
            series,
            rows=rows,
            baseline_standard_error=series.baseline_standard_error * at_rest,
            classes=series.classes.stretched(factors),
        )


def _given_back(curve: AnswerCurve, seen: Array) -> Array:
    """True over seen change as the curve has it; near none as for the least that can be measured."""
    safe = np.where(np.abs(seen) < LEAST_SEEN, LEAST_SEEN, seen)
    true, _ = curve.true_log_ratio(safe, np.ones(len(safe)))
    return np.asarray(true / safe, float)


def measure_stretch(
    reader: Reader,
    derivation: Derivation,
    model: EraModel,
    cells: pd.DataFrame,
    baseline: Baseline,
    *,
    changed_from_utc_ms: int,
    until_utc_ms: int,
) -> Stretch:
    """Measure by how much held time constants hide a change.

    Parameters
    ----------
    reader, derivation
        Of the machine, up to date.
    model, cells, baseline
        Of the era, up to the moment.
    changed_from_utc_ms
        Onset of the change [ms since 1970].
    until_utc_ms
        Nothing from then on is used [ms since 1970].

    Raises
    ------
    AnalysisError
        The newest steps are too few, or the change too small, to tell.
    """
    begin = max(changed_from_utc_ms, until_utc_ms - NEWEST_MS) // DAY_MS * DAY_MS
    if model.constants is None:
        raise AnalysisError(model.no_steps)
    frames = read_frames(reader, derivation.scales, begin, until_utc_ms)
    if model.source not in frames.sources:
        raise TooFewWindowsError("no reading since the change")
    others = [frames.sources[name] for name in model.shared_with if name in frames.sources]
    constants = identify_time_constants(frames.sources[model.source], model.step_settings, others)
    steps = steps_of(frames, replace(model, constants=constants))
    anew = interface_step_cells(steps, model.memory_slope)
    first_day = pd.Timestamp(begin, unit="ms").strftime("%Y-%m-%d")
    kept = cells[cells["part"] == INTERFACE]
    earlier = kept[kept["day"] < first_day]
    seen, seen_error = _shift(kept, baseline, first_day)
    true, true_error = _shift(pd.concat([earlier, anew], ignore_index=True), baseline, first_day)
    if abs(seen) < max(LEAST_SEEN, 2.0 * seen_error):
        raise AnalysisError("the change is too small to be measured anew")
    factor = min(max(true / seen, LEAST_STRETCH), MOST_STRETCH)
    # Both fits rest on the same steps, so their own errors nearly cancel; those of the time constants do not.
    shared = [
        math.sqrt(max(one.common_relative_error**2 - MODEL_SHARE**2, 0.0))
        for one in (constants, model.constants)
    ]
    error = math.hypot(*shared, UNCERTAIN_SHARE * (true - seen), true_error - seen_error)
    n_days = int(anew["day"].nunique())
    if n_days < LEAST_DAYS:
        raise TooFewWindowsError(f"the change has been seen on {n_days} days only")
    return Stretch(
        factor,
        error / abs(true) if true else 1.0,
        math.log(constants.interface_s / model.constants.interface_s),
        math.hypot(constants.interface_relative_error, model.constants.interface_relative_error),
        until_utc_ms,
        n_days < MANY_DAYS,  # after a hole, many days are few readings
        seen,
    )


def _shift(cells: pd.DataFrame, baseline: Baseline, from_day: str) -> tuple[float, float]:
    """Logarithm of the ratio of the days from one on to the baseline, and its error."""
    if not len(cells):
        raise TooFewWindowsError("no usable load step since the change")
    levels = fit_day_levels(interface_cells(cells))
    days = levels.days
    later = np.asarray(days >= pd.Timestamp(from_day, tz="UTC"))
    earlier = np.asarray((days >= baseline.from_day) & (days <= baseline.to_day))
    if not later.any() or not earlier.any():
        raise TooFewWindowsError("no usable load step since the change")
    return levels.difference(earlier, later)
