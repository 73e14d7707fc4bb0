"""The blind trial: scoring of made-up documents, and two tiny machines through all of it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from heatdrift.cli.main import heatdrift
from heatdrift.cli.trial import command
from heatdrift.cli.trial_run import judge_world
from heatdrift.cli.trial_score import Documents, Outcome, score
from heatdrift.cli.trial_text import summarise, trial_lines
from heatdrift.fake_sensors.ageing import Fault, FaultMode
from heatdrift.fake_sensors.trial import JOURNAL_NAME, RECORD_NAME
from heatdrift.fake_sensors.trial_outlook import temperature_c, usual_speed
from heatdrift.fake_sensors.trial_truth import true_fault
from heatdrift.fake_sensors.trial_worlds import SCENARIOS, World, draw_world, sources_of, stack_of
from heatdrift.store.database import open_writer
from heatdrift.store.writer import Writer

ONSET_DAY, SIZE = 50.0, 0.3
Claims = Mapping[str, tuple[str, str]]  # cause and shape said of each source


def world_of(scenario: str, kind: str = "laptop") -> World:
    """A drawn world of a scenario, its machine always there."""
    every = (draw_world(1, number) for number in range(4 * len(SCENARIOS)))
    world = next(one for one in every if one.scenario == scenario and one.values.kind == kind)
    habits = replace(world.values.habits, absences=())
    return replace(world, values=replace(world.values, habits=habits))


def knocked(kind: str = "laptop", absences: tuple[tuple[float, float], ...] = ()) -> World:
    world = world_of("knocked", kind)
    habits = replace(world.values.habits, absences=absences)
    fault = Fault(FaultMode.KNOCKED, ONSET_DAY, SIZE, source="gpu0")
    return replace(world, values=replace(world.values, habits=habits), faults=(fault,))


def said(
    world: World,
    claims: Claims,
    alerts: tuple[tuple[float, str, str], ...] = (),
    interface: Mapping[str, tuple[float, float, float]] | None = None,
) -> Documents:
    """Documents: verdicts at the end, alerts as (day, source, cause), changes with their intervals [%]."""
    paths = []
    for source in sources_of(world.values):
        cause, shape = claims.get(source, ("none", ""))
        change, *ci95 = (interface or {}).get(source, (None,))
        paths.append(
            {
                "source": source,
                "state": "holding" if cause == "none" else "act",
                "cause": cause,
                "shape": shape or None,
                "interface_resistance": {"change_pct": change, "change_ci95_pct": ci95 or None},
                "outlook": {"days_to_limit": None, "ci80_days": None},
            }
        )
    raised = [
        {
            "raised": datetime.fromtimestamp(world.start_utc_ms / 1000 + day * 86_400, UTC).isoformat(),
            "source": source,
            "state": "act",
            "cause": cause,
        }
        for day, source, cause in alerts
    ]
    return Documents({"alerts": raised}, {"to": world_end(world), "paths": paths})


def world_end(world: World) -> str:
    return datetime.fromtimestamp(world.start_utc_ms / 1000 + world.days * 86_400, UTC).isoformat()


def verdicts_of(outcome: Outcome) -> tuple[bool, bool, bool]:
    return outcome.is_cause_right, outcome.is_false_alarm, outcome.is_missed


def test_the_right_cause_is_right_and_its_delay_counted() -> None:
    world = knocked()
    documents = said(
        world,
        {"gpu0": ("interface", "step")},
        alerts=((53.0, "gpu0", "interface"), (70.0, "gpu0", "interface")),
        interface={"gpu0": (27.0, 24.0, 31.0), "cpu0": (1.0, 0.5, 1.5)},
    )
    outcome = score(world, documents)
    assert verdicts_of(outcome) == (True, False, False)
    assert outcome.is_right
    assert outcome.delay_days == pytest.approx(3.0)
    assert outcome.shapes_right == (True,)
    assert dict(zip(("cpu0", "gpu0"), outcome.interface_errors_pct, strict=True)) == pytest.approx(
        {"cpu0": 1.0, "gpu0": 27.0 - 100 * SIZE}
    )
    assert outcome.interface_covered == (False, True)


def test_days_off_do_not_count_as_delay() -> None:
    world = knocked(absences=((51.0, 8.0),))
    outcome = score(world, said(world, {"gpu0": ("interface", "step")}, ((61.0, "gpu0", "interface"),)))
    assert outcome.delay_days == pytest.approx(3.0, abs=0.2)  # counted in tenths of a day


def test_a_fault_of_which_nothing_is_said_is_missed() -> None:
    assert verdicts_of(score(knocked(), said(knocked(), {}))) == (False, False, True)


def test_a_wrong_cause_is_neither_missed_nor_a_false_alarm() -> None:
    documents = said(knocked(), {"gpu0": ("airflow", "step")}, ((53.0, "gpu0", "airflow"),))
    outcome = score(knocked(), documents)
    assert verdicts_of(outcome) == (False, False, False)
    assert outcome.shapes_right == ()


@pytest.mark.parametrize(
    "alert", [(20.0, "gpu0", "interface"), (60.0, "cpu0", "airflow"), (60.0, "cpu0", "telemetry")]
)
def test_an_alert_before_the_fault_or_on_another_source_is_false(alert: tuple[float, str, str]) -> None:
    outcome = score(knocked(), said(knocked(), {"gpu0": ("interface", "step")}, (alert,)))
    assert verdicts_of(outcome) == (True, True, False)


def test_a_neighbour_accused_at_the_end_is_a_false_alarm_and_no_right_cause() -> None:
    claims = {"gpu0": ("interface", "step"), "cpu0": ("interface", "creep")}
    assert verdicts_of(score(knocked(), said(knocked(), claims))) == (False, True, False)


@pytest.mark.parametrize("scenario", ["nothing", "heatwave", "repaste declared", "driver declared"])
def test_whatever_is_said_of_a_healthy_machine_is_a_false_alarm(scenario: str) -> None:
    world = world_of(scenario)
    assert true_fault(world) is None
    assert verdicts_of(score(world, said(world, {}))) == (True, False, False)
    assert verdicts_of(score(world, said(world, {}, ((90.0, "gpu0", "unknown"),)))) == (True, True, False)
    assert verdicts_of(score(world, said(world, {"gpu0": ("interface", "step")}))) == (False, True, False)


def test_a_neighbour_of_wrong_watts_may_be_doubted_but_not_accused() -> None:
    world = world_of("power scale")
    source = world.faults[0].source
    (neighbour,) = set(sources_of(world.values)) - {source}
    own = {source: ("telemetry", "step")}
    for cause, is_unjust in (("telemetry", False), ("interface", True)):
        outcome = score(world, said(world, {**own, neighbour: (cause, "step")}, ((105.0, neighbour, cause),)))
        assert (not outcome.is_cause_right, outcome.is_false_alarm) == (is_unjust, is_unjust)


def test_wrong_watts_say_nothing_of_the_measured_change() -> None:
    world = world_of("power scale")
    interface = dict.fromkeys(sources_of(world.values), (20.0, 18.0, 22.0))
    outcome = score(world, said(world, {}, interface=interface))
    assert outcome.interface_errors_pct == (20.0,)  # of the neighbour alone


def test_lint_in_a_shared_sink_is_told_of_both_sources() -> None:
    world = world_of("lint")
    world = replace(world, faults=(Fault(FaultMode.LINT, 40.0, 1.5, 70.0, "cpu0"),))
    both = dict.fromkeys(("cpu0", "gpu0"), ("airflow", "creep"))
    assert score(world, said(world, both)).is_right
    half = score(world, said(world, {"gpu0": ("airflow", "creep")}))
    assert verdicts_of(half) == (False, False, False)


def test_an_outlook_is_held_against_the_true_day() -> None:
    world = world_of("pump-out", "desktop")
    source = world.faults[0].source
    chip = stack_of(world.values, source).chips[0]
    reference = {"reference_ambient_c": 25.0, "reference_power_w": 0.6 * chip.limit_w}
    speed = usual_speed(world, source, *reference.values())
    # The temperature 40 days after the end of the record, by definition.
    conditions = reference["reference_ambient_c"], reference["reference_power_w"], speed
    limit_c = temperature_c(world, source, world.days + 40.0, conditions)
    documents = said(world, {source: ("interface", "creep")})
    path = next(path for path in documents.report["paths"] if path["source"] == source)
    for ci80_days, is_right in (((35.0, 45.0), True), ((41.0, 60.0), False)):
        path["outlook"] = {"limit_c": limit_c, "ci80_days": ci80_days, **reference}
        assert score(world, documents).outlooks_right == (is_right,)


def test_a_command_that_failed_is_no_right_cause_and_is_shown() -> None:
    world = world_of("nothing")
    outcome = score(world, Documents({}, {}, "heatdrift report ended with 2: no"))
    assert not outcome.is_right
    assert any("ended with 2" in line for line in trial_lines([outcome]))


def test_the_summary_counts_each_of_its_own() -> None:
    world, healthy = knocked(), world_of("nothing")
    right = {"gpu0": ("interface", "creep")}
    outcomes = [
        score(world, said(world, right, ((52.0, "gpu0", "interface"),), {"gpu0": (32.0, 31.0, 33.0)})),
        score(world, said(world, right, ((56.0, "gpu0", "interface"),), {"gpu0": (31.0, 29.0, 33.0)})),
        score(world, said(world, {})),
        score(healthy, said(healthy, {}, ((30.0, "cpu0", "interface"),))),
    ]
    total = summarise(outcomes)
    assert [str(total.cause_right), str(total.missed)] == ["3 of 4 (75 %)", "1 of 3 (33 %)"]
    assert [str(total.false_alarms), str(total.false_alarms_healthy)] == ["1 of 4 (25 %)", "1 of 1 (100 %)"]
    assert (total.delay_days_median, total.delay_days_late) == pytest.approx((4.0, 6.0))
    assert total.interface_error_pct_median == pytest.approx(1.5)
    assert str(total.interface_covered) == "1 of 2 (50 %)"
    assert str(total.shape_right) == "0 of 2 (0 %)"
    # The machine that was missed and the healthy one stand there with their truth.
    text = "\n".join(trial_lines(outcomes))
    assert text.count("  truth ") == 2
    assert "knocked from day 50" in text
    assert "room probe" in text


def test_machines_go_through_the_public_commands_and_are_kept(tmp_path: Path) -> None:
    keep, save, document = tmp_path / "keep", tmp_path / "save", tmp_path / "trial.json"
    options = ["--machines", "1", "--seed", "3", "--days", "1", "--jobs", "1", "--keep", str(keep)]
    runner = CliRunner()
    recorded = runner.invoke(command, [*options, "--only-record"])
    assert recorded.exit_code == 0, recorded.output
    (record,) = keep.glob("*/record.sqlite")
    before = record.read_bytes()
    judged = runner.invoke(command, [*options, "--save", str(save), "--json", str(document)])
    assert judged.exit_code == 0, judged.output
    assert record.read_bytes() == before  # judged was a copy
    assert {path.name for path in save.glob("*/*")} == {"record.parquet", "journal.toml", "truth.json"}
    result = json.loads(document.read_text())
    assert (result["schema"], len(result["machines"])) == ("heatdrift-trial/1", 1)
    assert "ended with" not in result["machines"][0]["said"]
    assert "cause right" in judged.output


def test_a_failing_command_ends_the_judging_of_its_machine_alone(tmp_path: Path) -> None:
    database = open_writer(f"sqlite:///{tmp_path / RECORD_NAME}")
    Writer(
        database, "7b2f6f7e-6f0a-5f5e-9d5e-0123456789ab", "dove"
    )  # a machine of which nothing was recorded
    database.close()
    (tmp_path / JOURNAL_NAME).touch()
    documents = judge_world(tmp_path)
    assert documents.problem.startswith("heatdrift backtest ended with 2: ")
    assert "nothing was recorded of dove" in documents.problem


def test_only_recording_needs_a_folder() -> None:
    done = CliRunner().invoke(heatdrift, ["trial", "--only-record"])
    assert done.exit_code == 2
    assert "--keep" in done.output
