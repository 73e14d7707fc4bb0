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
    assert "gpu0: interface part up" in result.output
    assert "cpu0: both parts unchanged" in result.output
    *lines, last = result.output.splitlines()
    assert max(map(len, lines)) <= 80 and last == f"written: {tmp_path / 'r.json'}"
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


@pytest.fixture(scope="module")
def written(record: str, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """Every format of one report."""
    folder = tmp_path_factory.mktemp("formats")
    named = {"html": "r.html", "pdf": "r.pdf", "markdown": "r.md", "csv": "r.csv", "json": "r.json"}
    files = [word for name, file in named.items() for word in (f"--{name}", str(folder / file))]
    return folder, run("report", *files, "--exit-code", "--database", record)


def test_one_report_is_written_in_every_format(written: tuple[Path, Result]) -> None:
    folder, result = written
    assert result.exit_code == 1, result.output  # the GPU does not hold
    assert sorted(path.name for path in folder.iterdir()) == ["r.csv", "r.html", "r.json", "r.md", "r.pdf"]
    page = (folder / "r.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>") and "gpu0" in page and "<svg" in page
    assert (folder / "r.pdf").read_bytes().startswith(b"%PDF-")
    document = json.loads((folder / "r.json").read_text(encoding="utf-8"))
    words = (folder / "r.md").read_text(encoding="utf-8")
    (gpu,) = [path for path in document["paths"] if path["source"] == "gpu0"]
    assert gpu["sentence"].startswith("gpu0: interface part up")
    # Markdown breaks no line inside a sentence, but may escape its marks.
    assert gpu["sentence"].split(",")[0] in words.replace("\\", "")
    assert document["state"] in ("watch", "act") and "gpu0" in document["finding"]
    days = (folder / "r.csv").read_text(encoding="utf-8").splitlines()
    assert len(days) > 30 and days[0].startswith("day,source,part")


def test_without_a_format_it_is_a_page_in_this_folder(
    record: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("report", "--database", record)
    assert result.exit_code == 0, result.output
    (page,) = tmp_path.iterdir()
    assert page.name.startswith("heatdrift-report-") and page.suffix == ".html"
    assert f"written: {page.name}" in result.output


def test_periods_that_contradict_each_other_are_refused(record: str) -> None:
    for options in (("--month", "2026-01", "--to", "2026-02-01"), ("--monthly", "--json", "-")):
        assert run("report", *options, "--database", record).exit_code == 2
    refused = run("report", "--month", "January", "--database", record)
    assert refused.exit_code == 2 and "2026-03" in refused.stderr


def test_a_file_that_cannot_be_written_is_named_and_nothing_is_left(record: str, tmp_path: Path) -> None:
    result = run("report", "--csv", str(tmp_path / "no" / "r.csv"), "--database", record)
    assert result.exit_code == 2 and "cannot be written" in result.stderr
    assert not list(tmp_path.iterdir())
