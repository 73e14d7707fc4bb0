"""``fit``, ``compare`` and ``rebuild`` on an invented machine whose GPU got a better compound half-way."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from heatdrift.cli.main import heatdrift as cli
from heatdrift.fake_sensors.ageing import Fault, FaultMode
from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.derived import DerivedStore
from heatdrift.store.journal import Journal
from heatdrift.store.journal_entry import EntryKind, JournalEntry
from heatdrift.store.writer import Writer

DAYS, CHANGED_ON_DAY, DAY_MS = 12.0, 6, 86_400_000
BETTER = 0.75  # what the new compound left of the interface part
COST = 25.0


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = str(tmp_path_factory.mktemp("fit") / "record.sqlite")
    fault = Fault(FaultMode.KNOCKED, CHANGED_ON_DAY, BETTER - 1.0, source="gpu0")
    machine = FakeMachine.of("desktop", 2, faults=[fault], load_hours_a_day=5.0)
    database = open_writer(path)
    writer = Writer(database, "uuid", "wren")
    record_history(writer, machine, START_UTC_MS, DAYS)
    entry = JournalEntry(
        START_UTC_MS + CHANGED_ON_DAY * DAY_MS,
        EntryKind.COMPOUND,
        "gpu0",
        cost_milli=round(COST * 1000),
        currency="EUR",
    )
    Journal(database, writer.machine_id).add([entry], START_UTC_MS + 30 * DAY_MS)
    database.close()
    return path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, arguments, catch_exceptions=False)


@pytest.fixture(scope="module")
def fitted(record: str) -> dict[str, Any]:
    result = run("fit", "--json", "-", "--database", record)
    assert result.exit_code == 0, result.output
    document: dict[str, Any] = json.loads(result.stdout)
    return document


def test_fit_shows_every_source_in_every_era(fitted: dict[str, Any]) -> None:
    eras = [(one["source"], one["era"]) for one in fitted["sources"]]
    assert eras == [("cpu0", "from the start"), ("gpu0", "from the start"), ("gpu0", "compound 2026-01-07")]
    for one in fitted["sources"]:
        low, high = one["interface_resistance"]["ci95"]
        assert 0.0 < low < one["interface_resistance"]["k_per_w"] < high
        assert one["interface_resistance"]["n_steps"] > 20
        assert len(one["time_constants_s"]) == 2


def test_fit_tells_programs_who_heats_whom_and_how_fans_help(fitted: dict[str, Any]) -> None:
    heating = fitted["cross_heating"]
    assert heating["sources"] == ["cpu0", "gpu0"]
    (own, cross), (back, other) = heating["matrix_k_per_w"]
    # Each has a sink of its own: through the air of the case comes less than half of what the own watt does.
    assert abs(cross) < 0.5 * own and abs(back) < 0.5 * other
    assert heating["condition_number"] < 30.0
    for one in fitted["sources"]:
        law = one["fan_law"]
        assert law["reason"] or 0.4 <= law["exponent_ci95"][0] <= law["exponent"] <= law["exponent_ci95"][1]
        network = one["foster"]
        assert one["network_reason"] or sum(network["resistances_k_per_w"]) == pytest.approx(
            one["total_resistance"]["k_per_w"]
        )
    assert fitted["power_stages"] == []


def test_the_new_era_has_the_better_interface(fitted: dict[str, Any]) -> None:
    before, after = (
        one["interface_resistance"]["k_per_w"] for one in fitted["sources"] if one["source"] == "gpu0"
    )
    # Each side is known to its 95 % interval, some 5 %.
    assert after / before == pytest.approx(BETTER, abs=0.08)


def test_fit_fits_a_terminal_and_writes_a_file(record: str, tmp_path: Path) -> None:
    result = run("fit", "--json", str(tmp_path / "fit.json"), "--database", record)
    assert max(map(len, result.output.splitlines())) <= 80
    assert "interface K/W" in result.output
    assert json.loads((tmp_path / "fit.json").read_text())["sources"][0]["source"] == "cpu0"


def test_compare_finds_what_changed_and_what_did_not(record: str) -> None:
    result = run("compare", "1", "--json", "-", "--database", record)
    (one,) = json.loads(result.stdout)["comparisons"]
    low, high = one["interface_resistance"]["ci95_pct"]
    assert low <= 100 * (BETTER - 1.0) <= high
    assert high - low < 15.0
    low, high = one["airflow_resistance"]["ci95_pct"]
    assert low <= 0.0 <= high  # nothing was done to the air
    assert one["temperature"]["change_k"] < 0.0
    (cost,) = [price for price in one["cost"] if price["per"] == "kelvin"]
    assert cost["value"] == pytest.approx(COST / -one["temperature"]["change_k"])
    assert not one["joint"]


def test_compare_reads_as_a_table(record: str) -> None:
    result = run("compare", "2026-01-07", "--database", record)
    assert result.exit_code == 0
    assert max(map(len, result.output.splitlines())) <= 80
    for words in ("gpu0", "interface part", "airflow part", "for each kelvin", "before", "after"):
        assert words in result.output


def test_a_report_brings_the_comparison_of_each_entry(record: str) -> None:
    (one,) = json.loads(run("report", "--json", "-", "--database", record).stdout)["entries"]
    assert [entry["kind"] for entry in one["entries"]] == ["compound"] and one["source"] == "gpu0"
    low, high = one["interface_resistance"]["ci95_pct"]
    assert low <= 100 * (BETTER - 1.0) <= high
    before = json.loads(run("report", "--json", "-", "--database", record, "--to", "2026-01-05").stdout)
    assert before["entries"] == []


@pytest.mark.parametrize(
    ("entry", "complaint"),
    [("7", "no entry 7"), ("2026-02-01", "no entry 2026-02-01"), ("soon", "no entry soon")],
)
def test_compare_asks_for_an_entry_that_there_is(record: str, entry: str, complaint: str) -> None:
    result = run("compare", entry, "--database", record)
    assert result.exit_code == 2
    assert complaint in result.stderr and "journal list" in result.stderr


def test_rebuild_gives_the_same_numbers(record: str, fitted: dict[str, Any]) -> None:
    before = derived_of(record)
    result = run("rebuild", "--database", record)
    assert result.exit_code == 0 and "made again" in result.output
    for name, frame in derived_of(record).items():
        assert frame.equals(before[name]), name
    assert json.loads(run("fit", "--json", "-", "--database", record).stdout) == fitted


def derived_of(path: str) -> dict[str, Any]:
    database = open_reader(path)
    derived = DerivedStore(database, 1)
    frames = {
        f"{source} {word}": read(source)
        for source in ("cpu0", "gpu0")
        for word, read in (
            ("steps", derived.load_steps),
            ("windows", derived.windows),
            ("cells", derived.cells),
        )
    }
    database.close()
    return frames


def test_nothing_recorded_is_said_in_one_line(tmp_path: Path) -> None:
    result = run("fit", "--database", str(tmp_path / "none.sqlite"))
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 1


def test_a_comparison_is_a_page_to_show_around(record: str, tmp_path: Path) -> None:
    page = tmp_path / "compound.html"
    result = run("compare", "1", "--html", str(page), "--database", record)
    assert result.exit_code == 0 and result.stdout.splitlines()[-1] == f"written: {page}"
    text = page.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>") and "before and after" in text
    assert "gpu0" in text and text.count("<svg") >= 2 and f"{COST:.0f}" in text
    refused = run("compare", "1", "--html", str(tmp_path / "no" / "x.html"), "--database", record)
    assert refused.exit_code == 2 and "cannot be written" in refused.stderr
