"""The verdict on one heat path: has a part of it changed, since when, how, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..store.derived import DerivedStore
from ..store.errors import AnalysisError
from ..store.packing import DAY_MS, day_of
from ..store.series import LATEST_UTC_MS
from .answer_curve import AnswerCurve, answer_curve
from .baseline import NORMAL_95, Change
from .cause import Blame, Cause, Shift, Signs, blame
from .derivation import Derivation
from .detection import Detection
from .drift import AIRFLOW, INTERFACE, DetectorSettings, detect
from .era_model import EraModel
from .eras import Era, Part
from .fits import fit_stretch
from .heat_path import PathFit
from .part_series import FAN, IDLE, PartSeries, airflow_series, part_series
from .part_series import INTERFACE as INTERFACE_PART
from .reference_temperature import ReferenceKind

NOW_DAYS = 30
# With a probe in the room the airflow part wanders less by season.
AIRFLOW_WITH_PROBE = DetectorSettings(systematic_sd=0.015, smallest_change=0.04)
FAN_SETTINGS = DetectorSettings(systematic_sd=0.015, smallest_change=0.05)
ACT_PCT = 15.0  # common practice, no source: by then some kelvin are lost, and it goes on
INTENDED_FAN = "_fan"
SAME_DAY = pd.Timedelta(days=4)  # an onset is known to some days


@dataclass(frozen=True, slots=True, eq=False)
class JudgedPart:
    """One part: its series and what the detector says; None where ``reason`` says why.

    Attributes
    ----------
    change
        Last thirty days of the era against the baseline.
    """

    name: str
    series: PartSeries | None
    detection: Detection | None
    change: Change
    reason: str = ""

    @property
    def is_changed(self) -> bool:
        """Whether the detector holds it for changed now."""
        return self.detection is not None and self.detection.state == "changed"


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """One source.

    Attributes
    ----------
    state
        ``holding``, ``watch`` or ``act``.
    leading
        The part that was seen to change first; None while nothing has.
    remark
        What else has to be said.
    """

    source: str
    era: Era
    model: EraModel | None
    fit: PathFit | None
    interface: JudgedPart
    airflow: JudgedPart
    fan: JudgedPart
    state: str
    cause: Cause
    blame: Blame | None
    leading: JudgedPart | None
    remark: str = ""


def judge(
    derived: DerivedStore, derivation: Derivation, source: str, until_utc_ms: int = LATEST_UTC_MS
) -> Verdict | None:
    """Judge one source as it stood at a moment; None where nothing had been recorded of it.

    Parameters
    ----------
    derived, derivation
        Of the machine, up to date.
    until_utc_ms
        Nothing of later days is used, but for what an era learned of its first month [ms since 1970].
    """
    eras = [era for era in derivation.eras[source] if era.from_utc_ms < until_utc_ms]
    if not eras:
        return None
    era = eras[-1]
    model = derivation.models[source].get(era.from_utc_ms)
    cells = derived.cells(
        source, to_day=day_of(min(until_utc_ms, LATEST_UTC_MS - DAY_MS) - 1 + DAY_MS).isoformat()
    )
    cells = cells[cells["era_from_utc_ms"] == era.from_utc_ms]
    interface, airflow = _both_parts(cells, model, era)
    if model is None or INTENDED_FAN in model.fan:
        none = "a speed that was only asked for proves nothing" if model else "no day with readings"
        fan = JudgedPart("fan", None, None, Change(None, None, none), none)
    else:
        fan = _part("fan", lambda: part_series(cells, FAN), FAN_SETTINGS)
    fit = None
    if model is not None:
        fit = fit_stretch(derived, derivation, model, era.from_utc_ms, min(era.to_utc_ms, until_utc_ms))
    changed = [part for part in (interface, airflow) if part.is_changed]
    if fan.is_changed and fan.detection is not None and fan.detection.change_pct < 0.0:
        changed.append(fan)  # one that turns faster than it used to is not worn
    found = blame(_signs(cells, model, interface, airflow, fan)) if changed else None
    if found is not None:
        # A power reading that changed leaves the joint as it was: nothing is to be turned back then.
        seen = _both_parts(cells, model, era, as_seen=True)
        other = blame(_signs(cells, model, *seen, fan))
        if other.likeliest is Cause.TELEMETRY and other.misfit < found.misfit:
            found, (interface, airflow) = other, seen
            changed = [part for part in (*seen, fan) if part.is_changed] or changed
    leading = min(changed, key=_detected) if changed else None
    cause = found.cause if found else Cause.NONE
    return Verdict(
        source, era, model, fit, interface, airflow, fan, _state(cause, changed), cause, found, leading
    )


def _both_parts(
    cells: pd.DataFrame, model: EraModel | None, era: Era, *, as_seen: bool = False
) -> tuple[JudgedPart, JudgedPart]:
    """Interface and airflow part; ``as_seen`` leaves what the held time constants hide where it is."""
    curve = None
    if not as_seen and model is not None and model.constants is not None:
        curve = answer_curve(model.constants.interface_s, model.constants.plate_s)
    has_run_in = Part.INTERFACE in era.resets
    interface = _part(
        "interface",
        lambda: part_series(cells, INTERFACE_PART, has_run_in=has_run_in, curve=curve),
        INTERFACE,
        curve,
    )
    kind = model.reference.kind if model is not None and model.reference is not None else ""
    settings = AIRFLOW_WITH_PROBE if kind == ReferenceKind.AMBIENT.value else AIRFLOW
    return interface, _part("airflow", lambda: airflow_series(cells, interface.series), settings)


def settle(verdicts: list[Verdict]) -> list[Verdict]:
    """Take back what a neighbour's wrong power reading did to those on the same sink.

    Its watts are in their sums: where they changed their scale, the air of the others seems to have changed.
    """
    wrong = {one.source: one for one in verdicts if one.cause is Cause.TELEMETRY}
    return [_settled(one, wrong) for one in verdicts]


def _settled(one: Verdict, wrong: Mapping[str, Verdict]) -> Verdict:
    shared = one.model.shared_with if one.model else ()
    for name in shared:
        other = wrong.get(name)
        if (
            other is None
            or other.leading is None
            or one.leading is not one.airflow
            or one.interface.is_changed
        ):
            continue
        if abs(_onset(one.leading) - _onset(other.leading)) <= SAME_DAY:
            return replace(
                one,
                state="holding",
                cause=Cause.NONE,
                leading=None,
                blame=None,
                remark=f"the air only seems changed: the power reading of {name} did on the same day",
            )
    return one


def _onset(part: JudgedPart) -> pd.Timestamp:
    assert part.detection is not None and part.detection.onset_utc is not None  # it was seen to change
    return pd.Timestamp(part.detection.onset_utc)


def _part(
    name: str, make: object, settings: DetectorSettings, curve: AnswerCurve | None = None
) -> JudgedPart:
    assert callable(make)
    try:
        series: PartSeries = make()
    except AnalysisError as reason:
        return JudgedPart(name, None, None, Change(None, None, str(reason)), str(reason))
    now = _change_now(series, curve)
    try:
        found = detect(series.rows, series.n_baseline, series.baseline_standard_error, settings)
    except AnalysisError as reason:
        return JudgedPart(name, series, None, now, str(reason))
    return JudgedPart(name, series, found, now)


def _change_now(series: PartSeries, curve: AnswerCurve | None) -> Change:
    """Last thirty days of the record against the baseline."""
    days = pd.DatetimeIndex(series.rows.index)
    later = np.asarray(
        (days > days[-1] - pd.Timedelta(days=NOW_DAYS)) & (np.arange(len(days)) >= series.n_baseline)
    )
    if not later.any():
        return Change(None, None, "no day after the baseline yet")
    rows = series.rows[later]
    errors = rows["standard_error"].to_numpy(float)
    weights = 1.0 / (errors**2 + float(np.median(errors)) ** 2)
    weights = weights / weights.sum()
    value = float(weights @ rows["log_ratio"].to_numpy(float))
    away = rows["log_ratio"].to_numpy(float) - value
    n = len(rows)
    own = float(np.sum((weights * errors) ** 2))
    seen = float(np.sum((weights * away) ** 2)) * n / (n - 1) if n > 2 else own
    hidden = curve.uncertainty(value) if curve else 0.0
    error = math.sqrt(max(own, seen) + series.baseline_standard_error**2 + hidden**2)
    low, high = (100.0 * math.expm1(value + side * NORMAL_95 * error) for side in (-1, 1))
    return Change(100.0 * math.expm1(value), (low, high))


def _signs(
    cells: pd.DataFrame, model: EraModel | None, interface: JudgedPart, airflow: JudgedPart, fan: JudgedPart
) -> Signs:
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


def _detected(part: JudgedPart) -> str:
    assert part.detection is not None  # only changed parts are asked
    return part.detection.detected_utc or ""


def _state(cause: Cause, changed: list[JudgedPart]) -> str:
    if not changed:
        return "holding"
    if cause in (Cause.INTERFACE, Cause.AIRFLOW, Cause.FAN):
        worst = max(abs(part.detection.change_pct) for part in changed if part.detection is not None)
        is_worse = any(
            part.detection.change_pct > 0 for part in changed if part.detection and part.name != "fan"
        )
        if worst >= ACT_PCT and (is_worse or cause is Cause.FAN):
            return "act"
    return "watch"
