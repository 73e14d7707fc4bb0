"""``report``: a cooler that was knocked loose is found, with its day, its cause and nothing else."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from heatdrift.cli.main import heatdrift as cli
from heatdrift.fake_sensors.ageing import Fault, FaultMode
from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.store.database import open_writer
from heatdrift.store.writer import Writer

DAYS, KNOCKED_ON_DAY, SIZE = 40.0, 22.0, 0.25


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = str(tmp_path_factory.mktemp("report") / "record.sqlite")
    fault = Fault(FaultMode.KNOCKED, KNOCKED_ON_DAY, SIZE, source="gpu0")
    machine = FakeMachine.of("desktop", 15, faults=[fault], load_hours_a_day=3.0)
    database = open_writer(path)
    record_history(Writer(database, "uuid", "wren"), machine, START_UTC_MS, DAYS)
    database.close()
    return path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, arguments, catch_exceptions=False)


def report(record: str, *arguments: str) -> dict[str, Any]:
    result = run("report", "--json", "-", "--database", record, *arguments)
    assert result.exit_code == 0, result.output
    document: dict[str, Any] = json.loads(result.stdout)
    return {one["source"]: one for one in document["paths"]} | {"whole": document}


@pytest.fixture(scope="module")
def last_month(record: str) -> dict[str, Any]:
    return report(record)


def test_the_document_keeps_its_contract(last_month: dict[str, Any]) -> None:
    whole = last_month["whole"]
    assert whole["schema"] == "heatdrift-report/1"
    assert {"machine", "from", "to", "coverage", "paths", "entries", "messages"} <= set(whole)
    assert pd.Timestamp(whole["to"]) - pd.Timestamp(whole["from"]) == pd.Timedelta(days=30)
    for one in whole["paths"]:
        assert {"state", "cause", "shape", "confidence", "onset", "detected", "trend_pct_per_30d"} <= set(one)
        assert {"trend_ci95", "outlook", "endurance", "thermal_cycles", "evidence", "excluded"} <= set(one)
        for part in ("interface", "airflow", "total"):
            keys = {"baseline_k_per_w", "now_k_per_w", "change_pct", "change_ci95_pct"}
            assert keys <= set(one[f"{part}_resistance"])
        assert {"limit_c", "now_c", "days_to_limit", "ci80_days"} <= set(one["outlook"])


def test_the_knock_is_found_with_its_day_and_cause(last_month: dict[str, Any]) -> None:
    gpu = last_month["gpu0"]
    assert (gpu["cause"], gpu["shape"], gpu["state"]) == ("interface", "step", "act")
    onset = pd.Timestamp(START_UTC_MS, unit="ms", tz="UTC") + pd.Timedelta(days=KNOCKED_ON_DAY)
    # A step of a quarter stands ten and more errors out: its day is known to two.
    assert abs(pd.Timestamp(gpu["onset"]) - onset) <= pd.Timedelta(days=2)
    assert onset < pd.Timestamp(gpu["detected"]) <= onset + pd.Timedelta(days=7)
    assert gpu["confidence"] > 0.9
    assert any(text.startswith("interface part: +") for text in gpu["evidence"])


def test_the_other_source_holds(last_month: dict[str, Any]) -> None:
    cpu = last_month["cpu0"]
    assert (cpu["cause"], cpu["shape"], cpu["state"]) == ("none", None, "holding")
    low, high = cpu["interface_resistance"]["change_ci95_pct"]
    assert -6.0 < low < high < 6.0


def test_a_report_knows_nothing_of_what_came_later(record: str) -> None:
    early = report(record, "--to", "2026-01-21")["gpu0"]
    assert (early["cause"], early["state"]) == ("none", "holding")


def test_people_get_a_sentence_for_each_source(record: str, tmp_path: Path) -> None:
    result = run("report", "--json", str(tmp_path / "r.json"), "--database", record)
    assert "gpu0: interface part +" in result.output
    assert "cpu0: holding" in result.output
    assert max(map(len, result.output.splitlines())) <= 80
    assert json.loads((tmp_path / "r.json").read_text())["paths"]


def test_verdict_says_the_same_with_its_evidence(record: str) -> None:
    result = run("verdict", "--database", record)
    assert result.exit_code == 0
    assert "gpu0: interface part +" in result.output
    assert "airflow part: no change" in result.output
    assert max(map(len, result.output.splitlines())) <= 80


def test_a_period_that_ends_before_it_begins(record: str) -> None:
    result = run("report", "--json", "-", "--database", record, "--from", "2026-02-01", "--to", "2026-01-01")
    assert result.exit_code == 2 and "ends before it begins" in result.stderr
