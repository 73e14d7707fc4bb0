"""Gathers what each cause would leave its mark on: both parts, idle, fan, and how fast the die answers."""

from __future__ import annotations

import math

import pandas as pd

from .baseline import NORMAL_95
from .cause import Shift, Signs
from .era_model import EraModel
from .judged_part import JudgedPart
from .part_series import IDLE
from .remeasure import Stretch


def signs_of(
    cells: pd.DataFrame,
    model: EraModel | None,
    parts: tuple[JudgedPart, JudgedPart, JudgedPart],
    stretch: Stretch | None,
) -> Signs:
    """What one source shows against its baseline.

    Parameters
    ----------
    cells
        Of the era, up to now.
    model
        Of the era.
    parts
        Interface and airflow part, and the fan.
    stretch
        What was measured of a changed joint.
    """
    interface, airflow, fan = parts
    share = float(cells["interface_share"].mean()) if cells["interface_share"].notna().any() else 0.3
    idle_shift, idle_rise_k = _idle(cells)
    load_rise_k = math.nan
    if model is not None and model.air is not None and model.constants is not None and share > 0.0:
        load_rise_k = model.constants.interface_resistance_k_per_w * model.step_range_w / share
    return Signs(
        _shift(interface),
        _shift(airflow),
        idle_shift,
        _shift(fan) if fan.change.pct is not None and fan.change.pct < 0.0 else None,
        idle_rise_k,
        load_rise_k if math.isfinite(load_rise_k) else 0.0,
        share,
        Shift(stretch.slower, stretch.slower_error) if stretch is not None else None,
    )


def _shift(part: JudgedPart) -> Shift | None:
    """What the detector thinks it changed by, else the last thirty days."""
    if part.is_changed and part.detection is not None:
        now, (low, high) = part.detection.change_pct, part.detection.change_ci95_pct
    elif part.change.pct is not None and part.change.ci95_pct is not None:
        now, (low, high) = part.change.pct, part.change.ci95_pct
    else:
        return None
    spread = (math.log1p(high / 100.0) - math.log1p(low / 100.0)) / (2.0 * NORMAL_95)
    return Shift(math.log1p(now / 100.0), spread)


def _idle(cells: pd.DataFrame) -> tuple[Shift | None, float]:
    """Shift of the idle temperature above a probe [K], and its level in the first days."""
    mine = cells[(cells["part"] == IDLE) & (cells["workload_class"] == "above the air")].sort_values("day")
    if len(mine) < 2 * 10:
        return None, 0.0
    first, last = mine["value"].iloc[:14], mine["value"].iloc[-10:]
    error = math.hypot(float(first.std()) / math.sqrt(len(first)), float(last.std()) / math.sqrt(len(last)))
    return Shift(float(last.median() - first.median()), error), float(first.median())
