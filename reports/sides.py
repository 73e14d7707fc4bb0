"""Two stretches of one source's life, brought to what they have in common."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.derived import DerivedStore
from ..store.errors import AnalysisError
from .baseline import Change, change
from .day_levels import DayLevels, fit_day_levels
from .days import total_cells
from .era_model import EraModel, KnownReference
from .part_series import INTERFACE, TOTAL, log_cells
from .window_groups import loaded

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Days of one side: from the first moment up to, not including, the second [ms since 1970]."""

    from_utc_ms: int
    to_utc_ms: int
    n_days: int


@dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """A source before and after.

    Attributes
    ----------
    scale_error
        Relative error that a change of the power scale between both brings into their ratio.
    """

    derived: DerivedStore
    source: str
    before: Stretch
    after: Stretch
    scale_error: float

    def interface(self, eras: tuple[int, int], constants_error: float) -> Change:
        """Change of the interface part, by the load steps of like classes.

        Parameters
        ----------
        eras
            Both, by their beginning [ms since 1970].
        constants_error
            Relative error that time constants of their own bring into the ratio.
        """
        cells = log_cells(self.derived.cells(self.source), INTERFACE)
        at_ms = pd.DatetimeIndex(pd.to_datetime(cells["day"], utc=True)).as_unit("ms").asi8
        is_in = _is_in(at_ms, self.before) | _is_in(at_ms, self.after)
        mine = cells[is_in & cells["era_from_utc_ms"].isin(eras).to_numpy()]
        return self._change(mine, math.hypot(self.scale_error, constants_error))

    def total(self, model: EraModel, now: EraModel | None) -> tuple[Change, float]:
        """Change of the whole at the same fan speed, and the interface part's share in it before.

        Parameters
        ----------
        model
            Of the era before; what both sides are held against.
        now
            Of the era after.
        """
        try:
            cells = self._total_cells(model, now)
        except AnalysisError as reason:
            return Change(None, None, str(reason)), math.nan
        share = cells["interface_share"].to_numpy(float)
        weights = np.isfinite(share) * cells["n"].to_numpy(float)
        mean = float(np.nan_to_num(share) @ weights / weights.sum()) if weights.any() else math.nan
        return self._change(log_cells(cells, TOTAL), self.scale_error), mean

    def usual_power_w(self) -> float:
        """Median power under load before [W]; NaN where there was none."""
        windows = self.derived.windows(self.source, self.before.from_utc_ms, self.before.to_utc_ms)
        of_work = windows["power_w"][loaded(windows)] if len(windows) else pd.Series(dtype=float)
        return float(of_work.median()) if len(of_work) else math.nan

    def _change(self, cells: pd.DataFrame, extra_error: float) -> Change:
        try:
            levels = fit_day_levels(cells)
        except AnalysisError as reason:
            return Change(None, None, str(reason))
        return change(levels, _days_of(levels, self.before), _days_of(levels, self.after), extra_error)

    def _total_cells(self, model: EraModel, now: EraModel | None) -> pd.DataFrame:
        if model.air is None or model.reference is None:
            raise AnalysisError(model.no_air or "not comparable: what the air was before is not known")
        if now is None or now.reference is None:
            raise AnalysisError("not comparable: what the air was after is not known")
        told, told_now = _words(model.reference), _words(now.reference)
        if told != told_now:
            raise AnalysisError(f"not comparable: the air was told by {told} before and by {told_now} after")
        parts = []
        for side, reference in ((self.before, model.reference), (self.after, now.reference)):
            windows = self.derived.windows(self.source, side.from_utc_ms, side.to_utc_ms)
            if len(windows):
                # The same offset on both sides: what it is wrong by then cancels.
                shift_k = reference.offset_k - model.reference.offset_k
                found = total_cells(model, windows.assign(reference_c=windows["reference_c"] + shift_k))
                parts += [found] if len(found) else []
        if not parts:
            raise AnalysisError("not comparable: no settled window under load")
        return pd.concat(parts, ignore_index=True)


def _is_in(at_ms: npt.NDArray[np.int64], side: Stretch) -> Flags:
    flags: Flags = (at_ms >= side.from_utc_ms) & (at_ms < side.to_utc_ms)
    return flags


def _days_of(levels: DayLevels, side: Stretch) -> Flags:
    return _is_in(levels.days.as_unit("ms").asi8, side)


def _words(reference: KnownReference) -> str:
    return f"{reference.kind} {reference.name}".strip()
