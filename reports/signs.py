"""Gathers what each cause would leave its mark on: both parts, idle, fan, and how fast the die answers."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd

from .baseline import MOST_DAYS, log_with_error
from .era_model import EraModel
from .idle_series import ABOVE_AIR, IN_KELVIN, KELVIN_PER_LOG
from .judged_part import JudgedPart, change_now
from .part_series import IDLE
from .reference_temperature import ReferenceKind
from .remeasure import Stretch
from .shown import Shift, Signs

USUAL_SHARE, LEAST_SHARE, MOST_SHARE = 0.3, 0.05, 0.95  # of the interface part in the rise


def signs_of(
    cells: pd.DataFrame,
    model: EraModel | None,
    parts: tuple[JudgedPart, JudgedPart, JudgedPart, JudgedPart, JudgedPart],
    stretch: Stretch | None,
    *,
    since: pd.Timestamp | None = None,
    log_creep_odds: float = 0.0,
) -> Signs:
    """What one source shows against its baseline.

    Parameters
    ----------
    cells
        Of the era, up to now.
    model
        Of the era.
    parts
        Interface and airflow part, the fan, idle, and the neighbour on the sink.
    stretch
        What was measured of a changed joint.
    since
        Day on which something changed: what was before says nothing of what that changed beside itself.
    log_creep_odds
        As in `Signs`.
    """
    interface, airflow, fan, idle, apart = parts
    share = float(cells["interface_share"].mean()) if cells["interface_share"].notna().any() else USUAL_SHARE
    share = min(max(share, LEAST_SHARE), MOST_SHARE)
    load_rise_k = math.nan
    if model is not None and model.air is not None and model.constants is not None and share > 0.0:
        load_rise_k = model.constants.interface_resistance_k_per_w * model.step_range_w / share
    return Signs(
        _shift(interface, since),
        _shift(airflow, since),
        _in_kelvin(_shift(idle, since)),
        _shift(fan, since) if fan.change.pct is not None and fan.change.pct < 0.0 else None,
        _idle_rise_k(cells, model, load_rise_k),
        load_rise_k if math.isfinite(load_rise_k) else 0.0,
        share,
        Shift(stretch.slower, stretch.slower_error) if stretch is not None else None,
        model is not None
        and model.reference is not None
        and model.reference.kind != ReferenceKind.OWN_IDLE.value,
        log_creep_odds,
        _in_kelvin(_shift(apart, since)),
        *_apart_k(model),
        is_fan_read=model is None or bool(model.fan),
    )


def _apart_k(model: EraModel | None) -> tuple[float, float]:
    """By how much the interface part, and all of the own power, hold the two thermometers apart [K]."""
    if model is None or model.constants is None or not model.apart:
        return 0.0, 0.0
    known = model.apart[0]
    return model.constants.interface_resistance_k_per_w * known.usual_w, known.own_k_per_w * known.usual_w


def _shift(part: JudgedPart, since: pd.Timestamp | None) -> Shift | None:
    """What the detector thinks it changed by, else what the newest days say."""
    if part.is_changed and part.detection is not None:
        now, ci95 = part.detection.change_pct, part.detection.change_ci95_pct
    else:
        told = part.change if part.series is None else change_now(part.series, since=since)
        if told.pct is None or told.ci95_pct is None:
            return None
        now, ci95 = told.pct, told.ci95_pct
    # Both parts answer to more than wander, a power reading of one of two on a sink above all.
    is_step = part.is_changed and part.changed_by.shape == "step" and part.name in IN_KELVIN
    return Shift(*log_with_error(now, ci95), part.is_changed, is_step)


def _in_kelvin(shift: Shift | None) -> Shift | None:
    """A shift of the idle temperature as it is [K]."""
    if shift is None:
        return None
    error_k = shift.standard_error * KELVIN_PER_LOG
    return replace(shift, value=shift.value * KELVIN_PER_LOG, standard_error=error_k)


def _idle_rise_k(cells: pd.DataFrame, model: EraModel | None, load_rise_k: float) -> float:
    """How far idle was above the air in the first days [K]: measured, else by its share of the power."""
    mine = cells[(cells["part"] == IDLE) & (cells["workload_class"] == ABOVE_AIR)].sort_values("day")
    if len(mine):
        return float(mine["value"].iloc[:MOST_DAYS].median())
    if model is None or not math.isfinite(load_rise_k) or model.step_range_w <= 0.0:
        return 0.0
    return load_rise_k * model.idle_w.get("", 0.0) / model.step_range_w
