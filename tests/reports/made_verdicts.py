"""Verdicts made by hand, for what is decided over several of them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from heatdrift.reports.baseline import Change
from heatdrift.reports.cause import Blame, Cause
from heatdrift.reports.detection import Detection
from heatdrift.reports.eras import Era
from heatdrift.reports.judged_part import JudgedPart
from heatdrift.reports.power_scale import PowerScale
from heatdrift.reports.verdict import Verdict


def part(name: str, onset: str | None, pct: float) -> JudgedPart:
    """A part that changed in one step on a day, or holds where that is None."""
    found = Detection(
        state="holding" if onset is None else "changed",
        log_bayes_factor=0.0,
        confidence=1.0,
        detected_utc=onset,
        onset_utc=onset,
        onset_ci95_utc=None,
        recovered_utc=None,
        change_pct=pct,
        change_ci95_pct=(pct - 1.0, pct + 1.0),
        trend_pct_per_30d=None,
        trend_ci95=None,
        shape="step" if onset else None,
        shape_probabilities={},
        reversal_utc=None,
        autocorrelation=0.0,
        error_scale=1.0,
        n_rows=60,
    )
    return JudgedPart(name, None, found, Change(pct, (pct - 1.0, pct + 1.0)))


def verdict(
    source: str,
    cause: Cause,
    leading: str,
    *,
    onset: str,
    pct: float,
    shared_with: tuple[str, ...] = (),
    blame: Blame | None = None,
) -> Verdict:
    """A verdict that one part leads; all others hold."""
    parts: dict[str, Any] = {
        name: part(name, onset, pct) if name == leading else part(name, None, 0.0)
        for name in ("interface", "airflow", "fan", "idle", "apart")
    }
    model: Any = SimpleNamespace(shared_with=shared_with, fan="", reference=None)
    era = Era(source, 0, 0, 1, (), (), frozenset(), PowerScale())
    return Verdict(
        source, era, model, **parts, state="watch", cause=cause, blame=blame, leading=parts[leading]
    )
