"""What one source leaves open another may settle."""

from __future__ import annotations

from dataclasses import replace

from heatdrift.reports.cause import Blame, Cause
from heatdrift.reports.together import settle
from heatdrift.reports.verdict import Verdict

from .made_verdicts import part
from .made_verdicts import verdict as made

DAY, LATER = "2026-02-14T00:00:00Z", "2026-03-20T00:00:00Z"
OPEN = {"airflow part": 1.3, "temperature offset": 1.2, "interface part": 30.0}
CLOSED = {"airflow part": 20.0, "temperature offset": 1.2, "interface part": 1.0}


def verdict(source: str, cause: Cause, leading: str, *, onset: str = DAY, pct: float = 9.0) -> Verdict:
    return made(source, cause, leading, onset=onset, pct=pct, blame=Blame(cause, 0.5, OPEN, (), 1.2))


AIR = replace(
    verdict("gpu0", Cause.AIRFLOW, "airflow", pct=12.0), blame=Blame(Cause.AIRFLOW, 0.9, OPEN, (), 1.3)
)
UNKNOWN = verdict("cpu0", Cause.UNKNOWN, "airflow")


def test_two_thermometers_do_not_go_off_on_one_day() -> None:
    _, cpu = settle([AIR, UNKNOWN])
    assert cpu.cause is Cause.AIRFLOW
    assert "gpu0" in cpu.remark
    assert [one.cause for one in settle([replace(UNKNOWN, source="gpu0"), UNKNOWN])] == [Cause.AIRFLOW] * 2


def test_nothing_is_settled_without_reason() -> None:
    other_day = verdict("gpu0", Cause.UNKNOWN, "airflow", onset=LATER)
    other_way = verdict("gpu0", Cause.UNKNOWN, "airflow", pct=-9.0)
    never_air = replace(UNKNOWN, blame=Blame(Cause.UNKNOWN, 0.5, CLOSED, (), 1.0))
    for others in ([other_day], [other_way], []):
        assert settle([*others, UNKNOWN])[-1].cause is Cause.UNKNOWN
    assert settle([AIR, never_air])[-1].cause is Cause.UNKNOWN


def test_of_two_that_moved_apart_the_one_that_moved_is_doubted() -> None:
    gpu = replace(verdict("gpu0", Cause.TELEMETRY, "idle", pct=-13.0), idle_as_read_k=-6.8)
    cpu = replace(verdict("cpu0", Cause.TELEMETRY, "idle", pct=14.0), idle_as_read_k=0.4)
    for order in ([gpu, cpu], [cpu, gpu]):
        found = {one.source: one for one in settle(order)}
        assert found["gpu0"].cause is Cause.TELEMETRY
        assert (found["cpu0"].state, found["cpu0"].cause) == ("holding", Cause.NONE)
    assert settle([gpu, replace(cpu, leading=part("idle", LATER, 14.0))])[1].cause is Cause.TELEMETRY
