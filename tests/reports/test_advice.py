"""What the owner is told to do: each cause has its own, the harmless comes first, dangers are named."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from heatdrift.reports.advice import Finding, advice_for, finding_of
from heatdrift.reports.baseline import Change
from heatdrift.reports.cause import Blame, Cause
from heatdrift.reports.detection import Detection
from heatdrift.reports.era_model import KnownReference
from heatdrift.reports.eras import Era
from heatdrift.reports.judgement import JudgedPart, Verdict
from heatdrift.reports.power_scale import PowerScale

CHANGED = Detection(
    state="changed",
    log_bayes_factor=5.0,
    confidence=0.99,
    detected_utc="2026-03-06T00:00:00Z",
    onset_utc="2026-02-13T12:00:00Z",
    onset_ci95_utc=("2026-02-04T00:00:00Z", "2026-02-21T00:00:00Z"),
    recovered_utc=None,
    change_pct=12.0,
    change_ci95_pct=(9.0, 15.0),
    trend_pct_per_30d=9.4,
    trend_ci95=(4.0, 14.0),
    shape="creep",
    shape_probabilities={},
    reversal_utc=None,
    autocorrelation=0.0,
    error_scale=1.0,
    n_rows=95,
)
ALONE = {"interface": "interface part", "airflow": "airflow part", "fan": "fan", "telemetry": "power scale"}


def verdict(
    cause: Cause,
    leading: str,
    shape: Any = "creep",
    change_pct: float = 12.0,
    *,
    state: str = "watch",
    misfits: dict[str, float] | None = None,
    reference: str = "ambient probe",
) -> Verdict:
    found = replace(CHANGED, shape=shape, change_pct=change_pct)
    if shape != "creep":
        found = replace(found, trend_pct_per_30d=None, trend_ci95=None)
    found = replace(found, change_ci95_pct=(change_pct - 3.0, change_pct + 3.0))
    holding = Change(0.1, (-0.5, 0.7))
    parts = {
        name: JudgedPart(name, None, found if name == leading else replace(CHANGED, state="holding"), holding)
        for name in ("interface", "airflow", "fan", "idle")
    }
    own = misfits or {ALONE[cause.value]: 0.5, "another": 30.0}
    return Verdict(
        source="gpu0",
        era=Era("gpu0", 0, 0, 1, (), (), frozenset(), PowerScale()),
        model=SimpleNamespace(
            shared_with=("cpu0",), reference=KnownReference(reference, "board", 2.0, 3.0, 0.5, 0)
        ),  # type: ignore[arg-type]
        interface=parts["interface"],
        airflow=parts["airflow"],
        fan=parts["fan"],
        idle=parts["idle"],
        state=state,
        cause=cause,
        blame=Blame(cause, 0.97, own, (), min(own.values())),
        leading=parts[leading],
    )


OFFSET = {"temperature offset": 0.5, "power scale": 20.0}
INVASIVE = ("open the machine", "When you open")


@pytest.mark.parametrize(
    ("one", "finding"),
    [
        (verdict(Cause.INTERFACE, "interface"), Finding.INTERFACE),
        (verdict(Cause.INTERFACE, "interface", change_pct=-8.0), Finding.BETTER),
        (verdict(Cause.AIRFLOW, "airflow", "step"), Finding.AIRFLOW),
        (verdict(Cause.FAN, "fan", change_pct=-7.0), Finding.FAN),
        (verdict(Cause.TELEMETRY, "interface"), Finding.POWER_SCALE),
        (verdict(Cause.TELEMETRY, "airflow", misfits=OFFSET), Finding.TEMPERATURE_OFFSET),
        (replace(verdict(Cause.INTERFACE, "interface"), cause=Cause.NONE, leading=None), Finding.NONE),
    ],
)
def test_a_verdict_comes_to_one_finding(one: Verdict, finding: Finding) -> None:
    assert finding_of(one) is finding


@pytest.mark.parametrize("shape", ["creep", "step", "undecided"])
@pytest.mark.parametrize(
    ("cause", "leading"),
    [(Cause.INTERFACE, "interface"), (Cause.AIRFLOW, "airflow"), (Cause.FAN, "fan")],
)
def test_looking_comes_before_opening_and_opening_has_its_cautions(
    cause: Cause, leading: str, shape: str
) -> None:
    told = advice_for(verdict(cause, leading, shape, state="act"), [])
    opening = [n for n, step in enumerate(told.what_to_do) if any(word in step for word in INVASIVE)]
    assert opening and opening[0] >= 2
    cautions = " ".join(told.cautions)
    assert all(word in cautions for word in ("power off", "unplug", "battery", "technician", "warranty"))
    assert "iquid metal" not in cautions and "shunt" not in cautions  # neither is in the journal


def test_liquid_metal_that_moved_comes_before_all_else() -> None:
    told = advice_for(verdict(Cause.INTERFACE, "interface", "step"), ["liquid_metal"])
    assert "Shut the machine down" in told.what_to_do[0]
    assert all(word in " ".join(told.cautions) for word in ("conducts", "aluminium", "gloves"))
    creeping = advice_for(verdict(Cause.INTERFACE, "interface"), ["liquid_metal"])
    assert "Shut" not in " ".join(creeping.what_to_do)
    assert any("copper" in step for step in creeping.what_to_do)


def test_air_that_changed_in_one_step_is_looked_at_from_outside() -> None:
    told = advice_for(verdict(Cause.AIRFLOW, "airflow", "step"), ["liquid_metal"])
    assert not any(word in step for step in told.what_to_do for word in INVASIVE)
    assert not any("metal" in caution for caution in told.cautions)
    assert any("cpu0" in step for step in told.what_to_do)


def test_a_power_reading_warns_only_where_more_is_drawn_than_shown() -> None:
    less, more = (
        advice_for(verdict(Cause.TELEMETRY, "interface", "step", pct), []).cautions for pct in (12.0, -11.0)
    )
    assert any("draw more than it reports" in one for one in less)
    assert not any("draw more than it reports" in one for one in more)
    shunt = advice_for(verdict(Cause.TELEMETRY, "interface", "step"), ["shunt"])
    assert any("shunt overloads" in one for one in shunt.cautions)


def test_a_thermometer_that_reads_low_is_dangerous() -> None:
    high, low = (
        advice_for(verdict(Cause.TELEMETRY, "airflow", "step", pct, misfits=OFFSET), []).cautions
        for pct in (11.0, -11.0)
    )
    assert high == () and "hotter than it shows" in low[0]


def test_what_is_better_needs_no_tool() -> None:
    told = advice_for(verdict(Cause.INTERFACE, "interface", change_pct=-8.0), [])
    assert told.cautions == () and "Nothing needs to be done" in told.what_to_do[0]


def test_nothing_changed_needs_no_advice() -> None:
    one = replace(verdict(Cause.INTERFACE, "interface"), cause=Cause.NONE, leading=None)
    told = advice_for(one, ["shunt"])
    assert (told.what_to_do, told.cautions, told.would_settle) == ((), (), ())


def test_unknown_asks_for_what_the_record_lacks() -> None:
    left = {"interface part": 0.2, "power scale": 3.3, "temperature offset": 20.0}
    one = verdict(Cause.UNKNOWN, "interface", misfits=left, reference="probe in the case")
    told = " ".join(advice_for(one, []).would_settle)
    assert "meter" in told and "'ambient'" in told and "starts and stops" in told
    assert "tachometer" not in told and "counted fan" not in told  # the fan was judged
    has_probe = verdict(Cause.UNKNOWN, "interface", misfits=left)
    assert "'ambient'" not in " ".join(advice_for(has_probe, []).would_settle)
    calibrated = replace(one, era=replace(one.era, scale=PowerScale(basis="calibrated")))
    assert "meter held" not in " ".join(advice_for(calibrated, []).would_settle)


def test_unknown_without_idle_and_fan_asks_for_both() -> None:
    one = verdict(Cause.UNKNOWN, "airflow", misfits={"airflow part": 0.3, "interface part": 3.0})
    one = replace(one, fan=JudgedPart("fan", None, None, Change(None, None, "none"), "none"))
    told = " ".join(advice_for(one, []).would_settle)
    assert "idle hour" in told and "counted fan speed" in told


def test_a_cause_that_stands_alone_leaves_nothing_to_settle() -> None:
    assert advice_for(verdict(Cause.INTERFACE, "interface"), []).would_settle == ()
