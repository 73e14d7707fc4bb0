"""What a neighbour's wrong power reading did, chance, or a fan that nobody counts, is no verdict."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from heatdrift.reports.cause import Blame, Cause
from heatdrift.reports.judged_part import JudgedPart
from heatdrift.reports.judgement import Verdict, _is_fan_unseen, settle

from .made_verdicts import part, verdict


def changed(source: str, cause: Cause, leading: str, onset: str, shared_with: tuple[str, ...]) -> Verdict:
    return verdict(source, cause, leading, onset=onset, pct=-7.0, shared_with=shared_with)


GPU = changed("gpu0", Cause.TELEMETRY, "interface", "2026-02-14T00:00:00Z", ("cpu0",))
CPU = changed("cpu0", Cause.UNKNOWN, "airflow", "2026-02-15T00:00:00Z", ("gpu0",))


def test_the_air_of_a_neighbour_holds_where_a_power_reading_changed() -> None:
    gpu, cpu = settle([GPU, CPU])
    assert gpu is GPU
    assert (cpu.state, cpu.cause, cpu.leading) == ("holding", Cause.NONE, None)
    assert "readings of gpu0" in cpu.remark


@pytest.mark.parametrize(
    "other",
    [
        replace(GPU, cause=Cause.INTERFACE),
        changed("gpu0", Cause.TELEMETRY, "interface", "2026-03-20T00:00:00Z", ("cpu0",)),
    ],
    ids=["another-cause", "another-day"],
)
def test_nothing_is_taken_back_without_reason(other: Verdict) -> None:
    assert settle([other, CPU])[1] is CPU


def test_a_sink_of_its_own_is_not_touched() -> None:
    alone = changed("cpu0", Cause.AIRFLOW, "airflow", "2026-02-15T00:00:00Z", ())
    assert settle([GPU, alone])[1] is alone


def blamed(cause: Cause) -> Blame:
    return Blame(cause, 0.5, {"airflow part": 1.4, "temperature offset": 1.3}, (), 1.3)


def changed_by(pct: float, ci95_pct: tuple[float, float]) -> JudgedPart:
    one = part("airflow", "2026-02-14T00:00:00Z", pct)
    return replace(one, detection=replace(one.changed_by, change_ci95_pct=ci95_pct))


def test_what_nobody_is_to_blame_for_has_to_be_plain() -> None:
    one = verdict("cpu0", Cause.UNKNOWN, "airflow", onset="2026-02-14T00:00:00Z", pct=13.4)
    weak, plain = (
        replace(one, airflow=air, leading=air)
        for air in (changed_by(13.4, (4.7, 22.9)), changed_by(13.4, (9.7, 17.3)))
    )
    (taken_back,) = settle([weak])
    assert taken_back.state == "holding" and "chance" in taken_back.remark
    assert settle([plain]) == [plain]
    known = replace(weak, cause=Cause.AIRFLOW)  # who is to blame says more than the size
    assert settle([known]) == [known]


def test_air_that_got_better_without_a_counted_fan_may_be_the_fan() -> None:
    model: Any = SimpleNamespace(fan="")
    better, worse = changed_by(-9.4, (-11.8, -6.9)), changed_by(9.4, (6.9, 11.8))
    assert _is_fan_unseen(blamed(Cause.UNKNOWN), better, model)
    assert not _is_fan_unseen(blamed(Cause.UNKNOWN), worse, model)
    assert not _is_fan_unseen(blamed(Cause.TELEMETRY), better, model)
    assert not _is_fan_unseen(blamed(Cause.AIRFLOW), better, SimpleNamespace(fan="fan1"))  # type: ignore[arg-type]
