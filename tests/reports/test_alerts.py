"""What is told at once, what waits for nights that agree, and what is no news."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest

from heatdrift.reports.alerts import AGREEING_NIGHTS, has_gone_away, is_told_already, is_worth_telling
from heatdrift.reports.cause import Cause
from heatdrift.reports.judgement import Verdict
from heatdrift.reports.verdict_message import message_of
from heatdrift.store.message import Message, Severity

from .test_advice import CHANGED, verdict

AIRFLOW = verdict(Cause.AIRFLOW, "airflow")
DETECTED = pd.Timestamp("2026-03-06", tz="UTC")


def days_after_alarm(one: Verdict, days: int) -> Verdict:
    """A verdict whose leading part has readings up to some days after its alarm."""
    assert one.leading is not None
    assert one.leading.changed_by.detected_utc == "2026-03-06T00:00:00Z"
    rows = pd.DataFrame(index=[DETECTED + pd.Timedelta(days=days)])
    series = SimpleNamespace(rows=rows)
    return replace(one, leading=replace(one.leading, series=series))  # type: ignore[arg-type]


def holding() -> Verdict:
    return replace(AIRFLOW, leading=None, state="holding", cause=Cause.NONE)


def told(one: Verdict) -> Message:
    return message_of(one, made_utc_ms=1_775_000_000_000, machine_name="wren", kinds_of_entries=())


def test_nothing_changed_is_not_worth_telling() -> None:
    assert not is_worth_telling(holding(), ["airflow"] * 5)


@pytest.mark.parametrize(
    "one", [verdict(Cause.INTERFACE, "interface"), verdict(Cause.AIRFLOW, "airflow", state="act")]
)
def test_a_joint_and_what_is_grave_are_told_at_once(one: Verdict) -> None:
    assert is_worth_telling(one, [])
    assert is_worth_telling(one, ["none", "none"])


@pytest.mark.parametrize(
    ("before", "is_told"),
    [
        (["airflow"], False),
        (["none", "airflow"], False),
        (["airflow", "airflow"], True),
        (["unknown", "airflow", "airflow"], True),
        (["airflow", "airflow", "unknown"], False),
    ],
)
def test_another_cause_waits_until_the_nights_agree(before: list[str], is_told: bool) -> None:
    assert len(before) + 1 >= AGREEING_NIGHTS or not is_told
    assert is_worth_telling(AIRFLOW, before) is is_told


def test_an_imported_history_has_no_nights_that_could_agree() -> None:
    assert not is_worth_telling(days_after_alarm(AIRFLOW, AGREEING_NIGHTS - 1), [])
    assert is_worth_telling(days_after_alarm(AIRFLOW, AGREEING_NIGHTS), [])
    # Where there were some, they have to.
    assert not is_worth_telling(days_after_alarm(AIRFLOW, 30), ["unknown"])


def test_what_went_away_is_news_on_one_night() -> None:
    gone = holding()
    recovered = replace(CHANGED, state="recovered", recovered_utc="2026-03-20T00:00:00Z")
    gone = replace(gone, airflow=replace(gone.airflow, detection=recovered))
    assert has_gone_away(gone, ["holding", "watch"])
    assert not has_gone_away(gone, ["watch", "holding"])
    assert not has_gone_away(gone, [])
    assert not has_gone_away(holding(), ["watch"])  # changed no more, and yet not seen to recover
    assert not has_gone_away(AIRFLOW, ["watch"])


def test_a_rise_is_news_and_a_fall_is_not() -> None:
    watch, act = told(AIRFLOW), told(verdict(Cause.AIRFLOW, "airflow", state="act"))
    assert not is_told_already(watch, {})
    assert is_told_already(watch, {watch.key: Severity.NOTE})
    assert is_told_already(watch, {act.key: Severity.WARNING})
    assert not is_told_already(act, {watch.key: Severity.NOTE})


def test_a_graver_danger_in_the_same_state_is_news() -> None:
    watch = told(AIRFLOW)
    assert not is_told_already(replace(watch, severity=Severity.URGENT), {watch.key: Severity.WARNING})


def test_another_cause_is_news() -> None:
    told_of = {told(verdict(Cause.INTERFACE, "interface", state="act")).key: Severity.WARNING}
    assert not is_told_already(told(AIRFLOW), told_of)
