"""The pictures of one source's work: its clocks, its fan and its thermal cycles."""

from __future__ import annotations

import pandas as pd

from ...store.packing import DAY_MS
from ..verdict import Verdict
from .clocks import Days


def baseline_days(verdict: Verdict, from_utc_ms: int) -> Days | None:
    """Days of a source's baseline; None where there is none that ends before a moment [ms since 1970]."""
    for part in (verdict.interface, verdict.airflow, verdict.fan):
        if part.series is not None:
            baseline = part.series.baseline
            begin, end = (
                int(pd.Timestamp(day).timestamp() * 1000) for day in (baseline.from_day, baseline.to_day)
            )
            return (begin, end + DAY_MS) if end + DAY_MS <= from_utc_ms else None
    return None
