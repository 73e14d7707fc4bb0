"""What one source leaves open another may settle."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

from heatdrift.reports.baseline import Change
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


def with_sink(one: Verdict, shared_with: str) -> Verdict:
    model: Any = SimpleNamespace(shared_with=(shared_with,), fan="", reference=None)
    return replace(one, model=model)


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


def test_an_open_question_on_a_sink_whose_air_has_changed_is_air() -> None:
    clogged = replace(AIR, source="gpu0")
    later = verdict("cpu0", Cause.UNKNOWN, "airflow", onset=LATER)
    on_sink = with_sink(later, "gpu0")
    cpu = settle([clogged, on_sink])[1]
    assert cpu.cause is Cause.AIRFLOW and "gpu0" in cpu.remark
    never_air = replace(on_sink, blame=Blame(Cause.UNKNOWN, 0.5, CLOSED, (), 1.0))
    better = with_sink(verdict("cpu0", Cause.UNKNOWN, "airflow", onset=LATER, pct=-9.0), "gpu0")
    for other, one in (
        (replace(clogged, cause=Cause.UNKNOWN), on_sink),
        (clogged, never_air),
        (clogged, better),
    ):
        assert settle([other, one])[1].cause is Cause.UNKNOWN


def test_of_two_that_moved_apart_the_one_that_moved_is_doubted() -> None:
    gpu = replace(verdict("gpu0", Cause.TELEMETRY, "idle", pct=-13.0), as_read_k=-6.8)
    cpu = replace(verdict("cpu0", Cause.TELEMETRY, "idle", pct=14.0), as_read_k=0.4)
    for order in ([gpu, cpu], [cpu, gpu]):
        found = {one.source: one for one in settle(order)}
        assert found["gpu0"].cause is Cause.TELEMETRY
        assert (found["cpu0"].state, found["cpu0"].cause) == ("holding", Cause.NONE)
    assert settle([gpu, replace(cpu, leading=part("idle", LATER, 14.0))])[1].cause is Cause.TELEMETRY


def test_a_thermometer_held_against_one_that_went_off_is_not_doubted() -> None:
    gpu = replace(verdict("gpu0", Cause.TELEMETRY, "apart", pct=6.0), as_read_k=2.6)
    cpu = replace(verdict("cpu0", Cause.TELEMETRY, "apart", pct=-6.0), as_read_k=-0.4)
    # The air of the one that went off may have been seen to change before.
    by_air = replace(gpu, airflow=part("airflow", DAY, 9.0), leading=part("airflow", DAY, 9.0))
    for off in (gpu, by_air):
        found = {one.source: one for one in settle([cpu, off])}
        assert found["gpu0"].cause is Cause.TELEMETRY
        assert (found["cpu0"].state, found["cpu0"].cause) == ("holding", Cause.NONE)
        assert "gpu0" in found["cpu0"].remark
    later = replace(gpu, apart=part("apart", LATER, 6.0), leading=part("apart", LATER, 6.0))
    assert settle([cpu, later])[0].cause is Cause.TELEMETRY


def test_a_thermometer_beside_a_joint_that_changed_is_not_doubted() -> None:
    cpu = verdict("cpu0", Cause.TELEMETRY, "apart", pct=-6.0)
    gpu = verdict("gpu0", Cause.INTERFACE, "interface", pct=20.0)
    assert settle([cpu, gpu])[0].state == "holding"
    earlier = verdict("gpu0", Cause.INTERFACE, "interface", onset=LATER, pct=20.0)
    assert settle([cpu, earlier])[0].cause is Cause.TELEMETRY


def test_what_moves_a_source_from_its_neighbour_is_no_air() -> None:
    cpu = verdict("cpu0", Cause.AIRFLOW, "airflow", pct=9.0)
    offset = Blame(Cause.TELEMETRY, 0.9, {"temperature offset": 0.5, "airflow part": 20.0}, (), 0.5)
    gpu = replace(verdict("gpu0", Cause.TELEMETRY, "apart", pct=6.0), blame=offset)
    assert settle([cpu, gpu])[1].cause is Cause.TELEMETRY


def test_idle_that_moves_alike_everywhere_is_no_thermometer_and_no_air() -> None:
    """A fan that begins to turn at idle in a hot week cools all sources alike; under load nothing changed."""
    both = [verdict(name, Cause.TELEMETRY, "idle", pct=-7.0) for name in ("cpu0", "gpu0")]
    wants_offset = Blame(Cause.TELEMETRY, 0.9, {"temperature offset": 3.0, "airflow part": 9.0}, (), 3.0)
    found = settle([replace(one, blame=wants_offset) for one in both])
    assert [(one.state, one.cause) for one in found] == [("holding", Cause.NONE)] * 2
    assert "idle" in found[0].remark
    # where nobody knows the air under load, idle is all there is
    blind = [replace(one, blame=wants_offset, airflow=replace(one.airflow, detection=None)) for one in both]
    assert [one.cause for one in settle(blind)] == [Cause.AIRFLOW] * 2


def test_idle_alone_accuses_nothing_but_its_thermometer() -> None:
    alone = verdict("cpu0", Cause.UNKNOWN, "idle")
    assert settle([alone])[0].state == "holding"
    off = replace(alone, cause=Cause.TELEMETRY)
    assert settle([off])[0].cause is Cause.TELEMETRY


def test_a_fan_alone_accuses_nothing_but_itself() -> None:
    """After a change of tasks it turned 6 % slower at the same temperatures; nothing else had changed."""
    alone = verdict("cpu0", Cause.UNKNOWN, "fan", pct=-6.0)
    assert settle([alone])[0].state == "holding"
    assert settle([replace(alone, cause=Cause.FAN)])[0].cause is Cause.FAN
    with_air = replace(alone, airflow=part("airflow", DAY, 9.0))
    assert settle([with_air])[0].cause is Cause.UNKNOWN


def test_air_that_cools_a_neighbour_as_ever_has_not_changed() -> None:
    gpu = made(
        "gpu0",
        Cause.UNKNOWN,
        "airflow",
        onset=DAY,
        pct=9.0,
        shared_with=("cpu0",),
        blame=Blame(Cause.UNKNOWN, 0.6, {"airflow part": 2.3, "temperature offset": 0.2}, (), 0.2),
    )
    cpu = replace(verdict("cpu0", Cause.NONE, "airflow"), leading=None, blame=None)
    cpu = replace(cpu, airflow=part("airflow", None, 0.0))
    found = settle([gpu, cpu])[0]
    assert found.cause is Cause.TELEMETRY and "cpu0" in found.remark
    unknown_beside = replace(cpu, idle=replace(cpu.idle, detection=None))
    assert settle([gpu, unknown_beside])[0].cause is Cause.UNKNOWN
    assert settle([replace(gpu, model=None), cpu])[0].cause is Cause.UNKNOWN


def test_creeps_that_may_have_begun_together_are_one() -> None:
    days = {"cpu0": (DAY, "2026-02-25T00:00:00Z"), "gpu0": ("2026-02-22T00:00:00Z", LATER)}

    def creeping(source: str, ends: tuple[str, str]) -> Verdict:
        one = replace(UNKNOWN, source=source)
        found = replace(one.airflow.changed_by, onset_utc=ends[0], onset_ci95_utc=ends)
        air = replace(one.airflow, detection=found)
        return replace(one, airflow=air, leading=air)

    assert [one.cause for one in settle([creeping(*one) for one in days.items()])] == [Cause.AIRFLOW] * 2
    apart = days | {"gpu0": ("2026-03-01T00:00:00Z", LATER)}
    assert [one.cause for one in settle([creeping(*one) for one in apart.items()])] == [Cause.UNKNOWN] * 2


def with_fan(one: Verdict, fan: str, pct: float | None = None) -> Verdict:
    model: Any = SimpleNamespace(shared_with=(), fan=fan)
    told = one.fan if pct is None else replace(one.fan, change=Change(pct, (pct - 4.0, pct + 4.0)))
    return replace(one, model=model, fan=told)


def test_one_fan_that_two_sources_share_is_told_of_both() -> None:
    gpu = with_fan(verdict("gpu0", Cause.FAN, "fan", pct=-15.0), "fan1")
    holding = replace(verdict("cpu0", Cause.NONE, "idle"), leading=None, state="holding", blame=None)
    holding = replace(holding, idle=part("idle", None, 0.0))
    cpu = settle([gpu, with_fan(holding, "fan1", -3.0)])[1]
    assert (cpu.state, cpu.cause, cpu.leading) == ("watch", Cause.FAN, gpu.fan)
    assert "gpu0" in cpu.remark
    for other in (with_fan(holding, "fan2", -3.0), with_fan(holding, "fan1", 2.0), with_fan(holding, "")):
        assert settle([gpu, other])[1].state == "holding"
