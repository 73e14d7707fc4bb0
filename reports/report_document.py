"""The report as one document for programs: schema ``heatdrift-report/1``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import pandas as pd

from ..store.derived import DerivedStore
from ..store.packing import DAY_MS
from ..store.reader import Reader
from .baseline import NORMAL_95, Change
from .cause import Cause
from .cycles import thermal_cycles
from .derivation import Derivation
from .evidence_words import shown
from .fits import fit_stretch
from .heat_path import Estimate
from .judgement import Verdict
from .load_stretches import load_stretches, minutes_of_load
from .machine_frames import POWER_STAGE
from .outlook import outlook
from .reference_conditions import ReferenceConditions
from .verdict_document import moment, verdict_document
from .window_groups import loaded

SCHEMA = "heatdrift-report/1"
MONTH_MS = 30 * DAY_MS


def report_document(
    reader: Reader,
    derived: DerivedStore,
    derivation: Derivation,
    verdicts: Sequence[Verdict],
    *,
    span_utc_ms: tuple[int, int],
    conditions: ReferenceConditions,
) -> dict[str, Any]:
    """Put a report together; the comparisons of entries are the caller's to add.

    Parameters
    ----------
    reader, derived, derivation
        Of the machine, up to date.
    verdicts
        One for each source.
    span_utc_ms
        The period that is reported [ms since 1970].
    conditions
        Room and power at which temperatures are quoted.
    """
    from_utc_ms, to_utc_ms = span_utc_ms
    return {
        "schema": SCHEMA,
        "machine": {"uuid": reader.machine_uuid, "name": reader.machine_name},
        "from": moment(from_utc_ms),
        "to": moment(to_utc_ms),
        "coverage": _coverage(reader, derived, from_utc_ms, to_utc_ms),
        "paths": [
            _path(reader, derived, derivation, one, span_utc_ms=span_utc_ms, conditions=conditions)
            for one in verdicts
            if not one.source.startswith(POWER_STAGE)
        ],
        "entries": [],
        "messages": [],
    }


def _path(
    reader: Reader,
    derived: DerivedStore,
    derivation: Derivation,
    one: Verdict,
    *,
    span_utc_ms: tuple[int, int],
    conditions: ReferenceConditions,
) -> dict[str, Any]:
    detection = one.leading.detection if one.leading else None
    baseline = _baseline_fit(derived, derivation, one)
    interface, airflow, total = baseline
    total_change = _total_change(one, interface, total)
    windows = derived.windows(one.source, *span_utc_ms)
    of_work = windows["power_w"][loaded(windows)] if len(windows) else pd.Series(dtype=float)
    usual_w = float(of_work.median()) if len(of_work) else math.nan
    power_w = conditions.power_w(one.source, usual_w)
    share = interface.k_per_w / total.k_per_w if interface and total else 0.3
    moving = None
    if detection is not None and one.cause in (Cause.INTERFACE, Cause.AIRFLOW):
        moving = detection, share if one.cause is Cause.INTERFACE else 1.0 - share
    ahead = outlook(
        one.source,
        total,
        total_change=total_change,
        moving=moving,
        ambient_c=conditions.ambient_c,
        power_w=power_w,
    )
    frame = reader.source_frame(one.source, *span_utc_ms)
    return {
        **{key: value for key, value in verdict_document(one).items() if key != "parts"},
        "interface_resistance": _resistance(interface, one.interface.change, one.interface.reason),
        "airflow_resistance": _resistance(airflow, one.airflow.change, one.airflow.reason),
        "total_resistance": _resistance(total, _as_change(total_change), one.airflow.reason),
        "outlook": _finite(asdict(ahead)),
        "endurance": _endurance(frame),
        "thermal_cycles": _cycles(frame),
    }


def _baseline_fit(
    derived: DerivedStore, derivation: Derivation, one: Verdict
) -> tuple[Estimate | None, Estimate | None, Estimate | None]:
    """Interface part, airflow part and whole in the days of the baseline."""
    series = one.interface.series or one.airflow.series
    if one.model is None:
        return None, None, None
    era = fit_stretch(derived, derivation, one.model, one.era.from_utc_ms, one.era.to_utc_ms)
    if series is None:
        return era.interface, era.airflow, era.total
    begin, end = (round(day.timestamp() * 1000) for day in (series.baseline.from_day, series.baseline.to_day))
    fit = fit_stretch(derived, derivation, one.model, begin, end + DAY_MS)
    return fit.interface or era.interface, fit.airflow or era.airflow, fit.total or era.total


def _total_change(
    one: Verdict, interface: Estimate | None, total: Estimate | None
) -> tuple[float, float] | None:
    """Logarithm of the whole's ratio and its error, from both parts."""
    own, rest = one.interface.change, one.airflow.change
    if own.pct is None or own.ci95_pct is None or rest.pct is None or rest.ci95_pct is None:
        return None
    if interface is None or total is None:
        return None
    share = interface.k_per_w / total.k_per_w
    ratio = 1.0 + (share * own.pct + (1.0 - share) * rest.pct) / 100.0
    errors = [(ci95[1] - ci95[0]) / 200.0 / NORMAL_95 for ci95 in (own.ci95_pct, rest.ci95_pct)]
    return math.log(ratio), math.hypot(share * errors[0], (1.0 - share) * errors[1]) / ratio


def _as_change(log_change: tuple[float, float] | None) -> Change:
    if log_change is None:
        return Change(None, None, "a part is not known")
    value, error = log_change
    low, high = (100.0 * math.expm1(value + side * NORMAL_95 * error) for side in (-1, 1))
    return Change(100.0 * math.expm1(value), (low, high))


def _resistance(baseline: Estimate | None, told: Change, reason: str) -> dict[str, Any]:
    known = baseline is not None and told.pct is not None
    return {
        "baseline_k_per_w": baseline.k_per_w if baseline else None,
        "baseline_ci95": list(baseline.ci95) if baseline else None,
        "now_k_per_w": baseline.k_per_w * (1.0 + told.pct / 100.0) if known else None,  # type: ignore[union-attr,operator]
        "change_pct": told.pct,
        "change_ci95_pct": list(told.ci95_pct) if told.ci95_pct else None,
        "reason": told.reason or reason or None,
    }


def _endurance(frame: pd.DataFrame) -> dict[str, Any]:
    stretches = load_stretches(frame)
    means = {
        f"clock_mhz_{word}": shown(stretches[f"clock_mhz_{word}"].mean())
        for word in ("minute_1", "after_5_min", "after_20_min")
    }
    minutes = minutes_of_load(frame)
    seen = minutes[minutes["n"] > 0].reset_index()
    by_minute = [
        {name: shown(float(value)) for name, value in row.items()} for row in seen.to_dict("records")
    ]
    return {
        "by_minute": by_minute,
        "n_stretches": len(stretches),
        **means,
        "thermal_limited_pct": shown(stretches["thermal_limited_pct"].mean()),
    }


def _cycles(frame: pd.DataFrame) -> dict[str, Any]:
    found = thermal_cycles(frame)
    return {
        "by_range_k": {f"{low_k:g}": n for low_k, n in found.by_range_k.items()},
        "hot_h": {f"{hot_c:g}": hours for hot_c, hours in found.hot_h.items()},
        "recorded_h": found.recorded_h,
    }


def _coverage(reader: Reader, derived: DerivedStore, from_utc_ms: int, to_utc_ms: int) -> dict[str, Any]:
    days = {
        entry.name: sum(
            from_utc_ms - DAY_MS < round(pd.Timestamp(day, tz="UTC").timestamp() * 1000) < to_utc_ms
            and mark.n_rows > 0
            for day, mark in derived.marks(entry.name).items()
        )
        for entry in reader.sources()
    }
    n_gaps = sum(gap.to_utc_ms > from_utc_ms and gap.from_utc_ms < to_utc_ms for gap in reader.gaps())
    return {"days": math.ceil((to_utc_ms - from_utc_ms) / DAY_MS), "days_with_readings": days, "gaps": n_gaps}


def _finite(document: dict[str, Any]) -> dict[str, Any]:
    """A document without NaN, which JSON does not know."""
    return {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in document.items()
    }
