"""The demonstration on a short life: what is said against what is true, and what it leaves alone."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path
from statistics import fmean
from typing import Any

import pytest
from click.testing import CliRunner

from heatdrift.cli import demo
from heatdrift.fake_sensors.ageing import Ageing
from heatdrift.fake_sensors.demo_machine import FIRST_DAY, SOURCE, Scenario, scenario
from heatdrift.store.errors import SettingsError, StoreError

WORKED_ON, FAULT_FROM, LAST_DAY = date(2026, 3, 19), date(2026, 4, 13), date(2026, 5, 4)
CREEP_PCT_PER_DAY = 2.0  # what takes months must show in weeks
WIDTH = 80


@pytest.fixture(scope="module")
def life() -> Scenario:
    return scenario(LAST_DAY, WORKED_ON, FAULT_FROM, CREEP_PCT_PER_DAY)


@pytest.fixture(scope="module")
def shown(life: Scenario, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, list[str]]]:
    """One demonstration for all, beside settings and a database that would break it."""
    base = tmp_path_factory.mktemp("demo")
    broken = base / "settings.toml"
    broken.write_text("this is no TOML", encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("HEATDRIFT_SETTINGS", str(broken))
        patch.setenv("HEATDRIFT_DATABASE", str(base / "own.sqlite"))
        patch.chdir(base)
        folder = Path("shown")
        demo.prepare(folder, demo.OF_DEMONSTRATION)
        yield base, demo.demonstrate(life, folder)


@pytest.fixture(scope="module")
def report(shown: tuple[Path, list[str]]) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((shown[0] / "shown" / demo.REPORT_NAME).read_text(encoding="utf-8"))
    return document


def test_the_owners_own_things_are_left_alone(shown: tuple[Path, list[str]]) -> None:
    base, _ = shown
    assert sorted(path.name for path in base.iterdir()) == ["settings.toml", "shown"]


def test_the_fault_is_found_by_the_ordinary_judgement(life: Scenario, report: dict[str, Any]) -> None:
    path = next(one for one in report["paths"] if one["source"] == SOURCE)
    assert (path["cause"], path["shape"]) == ("interface", "creep")
    # An era is learned in its first month. In so short a life the fault lies in it, and what was
    # learned of it hides a part that no interval knows of: within a third of the truth.
    assert path["change_pct"] == pytest.approx(life.creep_pct(), rel=0.33)
    assert path["change_ci95_pct"][0] > 0.0
    assert all(one["cause"] == "none" for one in report["paths"] if one["source"] != SOURCE)


def test_the_work_is_measured_through_a_shunt_that_hides_watts(
    life: Scenario, report: dict[str, Any]
) -> None:
    compared = next(one for one in report["entries"] if one["source"] == SOURCE)
    first, last = (
        (date.fromisoformat(compared["after"][end][:10]) - FIRST_DAY).days for end in ("from", "to")
    )
    # In so short a life the fault has begun within the days that are compared.
    ageing = Ageing(life.faults)
    true = [ageing.effects(SOURCE, day + 0.8).interface_factor for day in range(first, last)]
    low, high = compared["interface_resistance"]["ci95_pct"]
    assert low < 100.0 * (fmean(true) - 1.0) < high
    assert compared["temperature"]["change_k"] < 0.0


def test_no_message_before_the_fault(shown: tuple[Path, list[str]], life: Scenario) -> None:
    with closing(sqlite3.connect(shown[0] / "shown" / demo.RECORD_NAME)) as connection:
        told = connection.execute("SELECT made_utc_ms, subject FROM message").fetchall()
    assert told
    fault_utc_ms = life.start_utc_ms + (FAULT_FROM - FIRST_DAY).days * 86_400_000
    assert all(made > fault_utc_ms and subject.startswith(SOURCE) for made, subject in told)


def test_every_night_of_the_week_of_the_alert_was_judged(shown: tuple[Path, list[str]]) -> None:
    with closing(sqlite3.connect(shown[0] / "shown" / demo.RECORD_NAME)) as connection:
        days = {date.fromisoformat(day) for (day,) in connection.execute("SELECT day FROM verdict")}
        first = connection.execute("SELECT min(made_utc_ms) FROM message").fetchone()[0]
    after = date.fromtimestamp(first / 1000 - 43_200)  # told at the midnight after it, in any zone
    assert {after.toordinal(), after.toordinal() - 1} <= {day.toordinal() for day in days}


def test_three_sentences_the_truth_and_where_to_look(shown: tuple[Path, list[str]]) -> None:
    lines = shown[1]
    assert [line for line in lines if len(line) > WIDTH] == []
    labels = [line[:10].strip() for line in lines if line[:1].strip()]
    assert labels == ["helped?", "now", "ahead", "truth", "report", "work", "record", "ask it"]
    text = " ".join(" ".join(lines).split())
    assert re.search(r"helped\? gpu0, plating, liquid metal, shunt on 2026-03-19, 56\.00 EUR: ", text)
    assert "Where its sensor says 100 W since then, 125 W flow" in text
    assert "First message, with none before it, in the night after 2026-04-" in text
    assert "heatdrift verdict --database shown/record.sqlite" in text


def test_the_pages_are_there_and_show_the_finding(shown: tuple[Path, list[str]]) -> None:
    folder = shown[0] / "shown"
    report, work = ((folder / name).read_text(encoding="utf-8") for name in (demo.PAGE_NAME, demo.WORK_NAME))
    assert "demo laptop" in report
    assert "<svg" in report
    assert "liquid metal" in work
    assert "<svg" in work


def test_a_folder_of_somebody_else_is_refused(tmp_path: Path) -> None:
    kept = tmp_path / "holidays.txt"
    kept.write_text("mine", encoding="utf-8")
    for taken in (tmp_path, kept):
        with pytest.raises(SettingsError, match="was not made by `heatdrift demo`: name another folder"):
            demo.prepare(taken, demo.OF_DEMONSTRATION)
    assert list(tmp_path.iterdir()) == [kept]


def test_a_folder_beside_a_file_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="cannot be written"):
        demo.prepare(tmp_path / "file" / "folder", demo.OF_DEMONSTRATION)


def test_an_earlier_demonstration_gives_way_and_other_files_stay(tmp_path: Path) -> None:
    folder = tmp_path / "empty"
    folder.mkdir()
    demo.prepare(folder, demo.OF_DEMONSTRATION)
    for name in (demo.RECORD_NAME, f"{demo.RECORD_NAME}-wal", demo.REPORT_NAME, demo.LIVE_NAME, "notes.txt"):
        (folder / name).write_text("old", encoding="utf-8")
    demo.prepare(folder, demo.OF_DEMONSTRATION)
    left = {path.name for path in folder.iterdir()}
    assert left == {demo.MARK_NAME, demo.SETTINGS_NAME, demo.LIVE_NAME, "notes.txt"}


def test_live_shows_the_service_at_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "LIVE_S", 60.0)
    monkeypatch.setenv("HEATDRIFT_SETTINGS", "")
    done = CliRunner().invoke(demo.command, ["--live", "--to", str(tmp_path / "live")])
    assert done.exit_code == 0, done.output
    assert "fake laptop 1" in done.output
    with closing(sqlite3.connect(tmp_path / "live" / demo.LIVE_NAME)) as connection:
        assert connection.execute("SELECT count(*) FROM source_sample").fetchone()[0] > 0
