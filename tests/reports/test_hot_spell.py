"""A hot week is over in three; blocked air is not."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from heatdrift.reports.hot_spell import may_be_a_hot_spell
from heatdrift.reports.judged_part import JudgedPart
from heatdrift.reports.reference_temperature import ReferenceKind

from .made_verdicts import part

ONSET = "2026-03-01T00:00:00Z"


def airflow(days_since: int, pct: float = 35.0, shape: str | None = "step") -> JudgedPart:
    days = pd.date_range("2026-01-01", periods=59 + days_since + 1, tz="UTC")
    series: Any = SimpleNamespace(rows=pd.DataFrame({"log_ratio": 0.3}, index=days))
    made = part("airflow", ONSET, pct)
    shaped: Any = shape
    return replace(made, series=series, detection=replace(made.changed_by, shape=shaped))


def model(kind: str = ReferenceKind.OWN_IDLE.value, fan: str = "") -> Any:
    return SimpleNamespace(fan=fan, reference=SimpleNamespace(kind=kind))


@pytest.mark.parametrize(("days", "may_be"), [(3, True), (20, True), (21, False), (60, False)])
def test_it_is_told_after_three_weeks(days: int, may_be: bool) -> None:
    assert may_be_a_hot_spell(airflow(days), model()) is may_be


@pytest.mark.parametrize("kind", [ReferenceKind.AMBIENT.value, ReferenceKind.PROXY.value])
def test_who_reads_the_room_or_the_fan_need_not_wait(kind: str) -> None:
    assert not may_be_a_hot_spell(airflow(3), model(kind))
    assert not may_be_a_hot_spell(airflow(3), model(fan="fan1"))
    assert not may_be_a_hot_spell(airflow(3), None)


def test_what_creeps_or_gets_better_is_no_hot_spell() -> None:
    assert not may_be_a_hot_spell(airflow(3, shape="creep"), model())
    assert not may_be_a_hot_spell(airflow(3, pct=-20.0), model())
    assert may_be_a_hot_spell(airflow(3, shape="undecided"), model())
    assert not may_be_a_hot_spell(part("airflow", None, 35.0), model())
