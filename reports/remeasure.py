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
import pandas as pd

from ..store.errors import AnalysisError, TooFewWindowsError
from ..store.packing import DAY_MS
from ..store.reader import Reader
from .baseline import Baseline
from .day_levels import fit_day_levels
from .days import interface_step_cells, steps_of
from .derivation import Derivation
from .era_model import EraModel
from .machine_frames import read_frames
from .part_series import INTERFACE, PartSeries, interface_cells
from .time_constants import MODEL_SHARE, identify_time_constants

NEWEST_MS = 10 * DAY_MS
LEAST_DAYS, MANY_DAYS = 3, 7  # of two days, one with odd work makes half
LEAST_SEEN = 0.015  # a smaller change cannot be stretched: its own error would be
LEAST_STRETCH, MOST_STRETCH = 0.7, 3.0
# The model of two lags fits neither state exactly; of what is given back so much may be wrong.
UNCERTAIN_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Stretch:
    """By how much every change seen with held time constants has to be multiplied [of logarithms].

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
    """

    factor: float
    relative_error: float
    slower: float
    slower_error: float
    until_utc_ms: int
    is_young: bool

    def applied(self, series: PartSeries) -> PartSeries:
        """A series, every day of it stretched."""
        columns = ["log_ratio", "standard_error"]
        rows = series.rows.assign(**{name: series.rows[name] * self.factor for name in columns})
        return replace(
            series,
            rows=rows,
            baseline_standard_error=series.baseline_standard_error * self.factor,
            classes=series.classes.stretched(np.full(len(rows), self.factor)),
        )


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
