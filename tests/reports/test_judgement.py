"""What a neighbour's wrong power reading did is taken back."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from heatdrift.reports.baseline import Change
from heatdrift.reports.cause import Cause
from heatdrift.reports.detection import Detection
from heatdrift.reports.eras import Era
from heatdrift.reports.judgement import JudgedPart, Verdict, settle
from heatdrift.reports.power_scale import PowerScale


def part(name: str, onset: str | None) -> JudgedPart:
    found = Detection(
        state="holding" if onset is None else "changed",
        log_bayes_factor=0.0,
        confidence=1.0,
        detected_utc=onset,
        onset_utc=onset,
        onset_ci95_utc=None,
        recovered_utc=None,
        change_pct=-7.0,
        change_ci95_pct=(-8.0, -6.0),
        trend_pct_per_30d=None,
        trend_ci95=None,
        shape="step" if onset else None,
        shape_probabilities={},
        reversal_utc=None,
        autocorrelation=0.0,
        error_scale=1.0,
        n_rows=60,
    )
    return JudgedPart(name, None, found, Change(-7.0, (-8.0, -6.0)))


def verdict(source: str, cause: Cause, leading: str, onset: str, shared_with: tuple[str, ...]) -> Verdict:
    parts: dict[str, Any] = {
        name: part(name, onset if name == leading else None)
        for name in ("interface", "airflow", "fan", "idle")
    }
    era = Era(source, 0, 0, 1, (), (), frozenset(), PowerScale())
    model: Any = SimpleNamespace(shared_with=shared_with)
    return Verdict(
        source, era, model, **parts, state="watch", cause=cause, blame=None, leading=parts[leading]
    )


GPU = verdict("gpu0", Cause.TELEMETRY, "interface", "2026-02-14T00:00:00Z", ("cpu0",))
CPU = verdict("cpu0", Cause.UNKNOWN, "airflow", "2026-02-15T00:00:00Z", ("gpu0",))


def test_the_air_of_a_neighbour_holds_where_a_power_reading_changed() -> None:
    gpu, cpu = settle([GPU, CPU])
    assert gpu is GPU
    assert (cpu.state, cpu.cause, cpu.leading) == ("holding", Cause.NONE, None)
    assert "readings of gpu0" in cpu.remark


@pytest.mark.parametrize(
    "other",
    [
        replace(GPU, cause=Cause.INTERFACE),
        verdict("gpu0", Cause.TELEMETRY, "interface", "2026-03-20T00:00:00Z", ("cpu0",)),
    ],
    ids=["another-cause", "another-day"],
)
def test_nothing_is_taken_back_without_reason(other: Verdict) -> None:
    assert settle([other, CPU])[1] is CPU


def test_a_sink_of_its_own_is_not_touched() -> None:
    alone = verdict("cpu0", Cause.AIRFLOW, "airflow", "2026-02-15T00:00:00Z", ())
    assert settle([GPU, alone])[1] is alone
