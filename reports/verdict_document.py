"""A verdict as a document: what is kept of each night and what programs read."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import pandas as pd

from ..store.verdicts import StoredVerdict
from .baseline import Change
from .evidence_words import evidence_of
from .idle_series import in_its_unit
from .judgement import JudgedPart, Verdict
from .remeasure import Stretch

NIGHT_MS = 28 * 3_600_000  # what a day showed is known after the night that follows it


def verdict_document(one: Verdict) -> dict[str, Any]:
    """What is known of one source, ready for JSON."""
    found = one.leading.detection if one.leading else None
    series = one.interface.series or one.airflow.series
    return {
        "source": one.source,
        "era": one.era.name,
        "days_in_era": 0 if series is None else len(series.rows),
        "state": one.state,
        "cause": one.cause.value,
        "part": one.leading.name if one.leading else None,
        "shape": found.shape if found else None,
        "confidence": confidence(one),
        "onset": found.onset_utc if found else None,
        "onset_ci95": list(found.onset_ci95_utc) if found and found.onset_ci95_utc else None,
        "detected": known_after(found.detected_utc) if found else None,
        **_size(one),
        "trend_pct_per_30d": found.trend_pct_per_30d if found else None,
        "trend_ci95": list(found.trend_ci95) if found and found.trend_ci95 else None,
        "parts": {part.name: _change(part.change) for part in (one.interface, one.airflow, one.fan)},
        "idle": _idle(one),
        "evidence": evidence_of(one),
        "excluded": list(one.blame.excluded) if one.blame else [],
    }


def stored(one: Verdict, day: str, recipe: str, stretch: Stretch | None) -> StoredVerdict:
    """A verdict as the store keeps it, under the last day that it knew of."""
    document = verdict_document(one) | {"stretch": asdict(stretch) if stretch else None}
    body = json.dumps(document, allow_nan=False, ensure_ascii=False)
    return StoredVerdict(one.source, day, recipe, one.state, one.cause.value, document["shape"] or "", body)


def confidence(one: Verdict) -> float | None:
    """Probability that it changed, and for this reason; while nothing has, that nothing did."""
    if one.leading is not None and one.leading.detection is not None:
        return one.leading.detection.confidence * (one.blame.probability if one.blame else 1.0)
    judged: list[JudgedPart] = [part for part in (one.interface, one.airflow) if part.detection is not None]
    if not judged:
        return None
    return math.prod(1.0 - part.detection.confidence for part in judged if part.detection is not None)


def known_after(day_utc: str | None) -> str | None:
    """When the night came that knew of a day; RFC 3339."""
    if day_utc is None:
        return None
    return moment(round(pd.Timestamp(day_utc).timestamp() * 1000) + NIGHT_MS)


def moment(utc_ms: int) -> str:
    """A moment in RFC 3339."""
    return datetime.fromtimestamp(utc_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _size(one: Verdict) -> dict[str, Any]:
    """How much the leading part changed: kelvin for the idle temperature, else per cent."""
    if one.leading is None or one.leading.detection is None:
        return {"change_pct": None, "change_ci95_pct": None}
    found = one.leading.detection
    change, ci95, unit = in_its_unit(one.leading.name, found.change_pct, found.change_ci95_pct)
    if unit == "%":
        return {"change_pct": change, "change_ci95_pct": list(ci95)}
    return {"change_pct": None, "change_ci95_pct": None, "change_k": change, "change_ci95_k": list(ci95)}


def _idle(one: Verdict) -> dict[str, Any]:
    told = one.idle.change
    if told.pct is None or told.ci95_pct is None:
        return {"change_k": None, "change_ci95_k": None, "reason": told.reason or None}
    change, ci95, _ = in_its_unit(one.idle.name, told.pct, told.ci95_pct)
    return {"change_k": change, "change_ci95_k": list(ci95), "reason": None}


def _change(told: Change) -> dict[str, Any]:
    return {
        "change_pct": told.pct,
        "change_ci95_pct": list(told.ci95_pct) if told.ci95_pct else None,
        "reason": told.reason or None,
    }
