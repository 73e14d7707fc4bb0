"""The report as one document for programs: schema ``heatdrift-report/1``."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import pandas as pd

from ..store.derived import DerivedStore
from ..store.packing import DAY_MS
from ..store.reader import Reader
from .baseline import Change
from .cycles import thermal_cycles
from .evidence_words import shown
from .heat_path import Estimate
from .judgement import Verdict
from .load_stretches import load_threshold_w, minutes_of_load
from .machine_frames import POWER_STAGE
from .sustained import sustained
from .verdict_document import moment, verdict_document
from .verdict_outlook import PathState, as_change

SCHEMA = "heatdrift-report/1"


def report_document(
    reader: Reader,
    derived: DerivedStore,
    verdicts: Sequence[Verdict],
    *,
    span_utc_ms: tuple[int, int],
    states: Mapping[str, PathState],
) -> dict[str, Any]:
    """Put a report together; the comparisons of entries are the caller's to add.

    Parameters
    ----------
    reader, derived
        Of the machine, up to date.
    verdicts
        One for each source.
    span_utc_ms
        The period that is reported [ms since 1970].
    states
        Of each source of the verdicts, at the end of the period.
    """
    from_utc_ms, to_utc_ms = span_utc_ms
    return {
        "schema": SCHEMA,
        "machine": {"uuid": reader.machine_uuid, "name": reader.machine_name},
        "from": moment(from_utc_ms),
        "to": moment(to_utc_ms),
        "coverage": _coverage(reader, derived, from_utc_ms, to_utc_ms),
        "paths": [
            _path(reader, derived, one, states[one.source], span_utc_ms)
            for one in verdicts
            if not one.source.startswith(POWER_STAGE)
        ],
        "entries": [],
        "messages": [],
    }


def _path(
    reader: Reader,
    derived: DerivedStore,
    one: Verdict,
    state: PathState,
    span_utc_ms: tuple[int, int],
) -> dict[str, Any]:
    frame = reader.source_frame(one.source, *span_utc_ms)
    return {
        **{key: value for key, value in verdict_document(one).items() if key != "parts"},
        "interface_resistance": _resistance(state.interface, one.interface.change, one.interface.reason),
        "airflow_resistance": _resistance(state.airflow, one.airflow.change, one.airflow.reason),
        "total_resistance": _resistance(state.total, as_change(state.total_change), one.airflow.reason),
        "outlook": _finite(asdict(state.ahead)),
        "endurance": _endurance(frame, _air_c(derived.windows(one.source, *span_utc_ms))),
        "thermal_cycles": _cycles(frame),
    }


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


def _endurance(frame: pd.DataFrame, air_c: pd.Series | None) -> dict[str, Any]:
    load_w = load_threshold_w(frame)
    minutes = minutes_of_load(frame, load_w)
    seen = minutes[minutes["n"] > 0].reset_index()
    by_minute = [
        {name: shown(float(value)) for name, value in row.items()} for row in seen.to_dict("records")
    ]
    return {
        "by_minute": by_minute,
        **sustained(frame, air_c, load_w).as_document(),
    }


def _air_c(windows: pd.DataFrame) -> pd.Series | None:
    """Temperature of the air, as the settled windows have it; None where nobody knows it."""
    if "reference_c" not in windows:
        return None
    known = windows["reference_c"].dropna()
    return known if len(known) else None


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
