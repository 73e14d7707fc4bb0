"""``heatdrift journal`` as its owner types it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from heatdrift.cli.journal import CLEARABLE
from heatdrift.cli.main import heatdrift as cli
from heatdrift.store.database import open_writer
from heatdrift.store.journal_entry import EntryKind
from heatdrift.store.journal_file import load_journal
from heatdrift.store.writer import Writer

SHUNT = ("shunt", "--source", "gpu0", "--time", "2026-03-01")
FIVE_FOR_FOUR = ("--shunt-from-mohm", "5", "--shunt-to-mohm", "4")
MACHINE_UUID = "7b2f6f7e-6f0a-5f5e-9d5e-0123456789ab"  # of the record
NOW_UTC_MS = 1_793_000_000_000  # in October 2026: the record is the past


@pytest.fixture
def journal(tmp_path: Path, record: Callable[..., str]) -> Callable[..., Result]:
    database = record(tmp_path / "record.sqlite", NOW_UTC_MS)

    def call(*words: object) -> Result:
        arguments = ["journal", *map(str, words), "--database", database]
        return CliRunner().invoke(cli, arguments)

    return call


def documents(journal: Callable[..., Result]) -> list[dict[str, object]]:
    done = journal("list", "--json")
    assert done.exit_code == 0, done.stderr
    found: list[dict[str, object]] = json.loads(done.stdout)
    return found


def test_add_says_what_it_changes_and_risks(journal: Callable[..., Result]) -> None:
    done = journal("add", *SHUNT, *FIVE_FOR_FOUR, "--cost", "12.50", "--currency", "EUR")
    assert done.exit_code == 0, done.stderr
    assert "true = 1.25 x reported" in done.stdout
    assert "where 100 W are reported, 125" in done.stdout
    assert "Power off, unplug, disconnect the battery" in done.stdout
    assert all(len(line) <= 80 for line in done.stdout.splitlines())
    (entry,) = documents(journal)
    assert (entry["time"], entry["kind"], entry["path"]) == ("2026-03-01T00:00:00.000Z", "shunt", "gpu0")
    assert (entry["cost"], entry["currency"], entry["true_w_per_reported_w"]) == (12.5, "EUR", 1.25)


def test_a_second_change_is_told_with_the_first(journal: Callable[..., Result]) -> None:
    journal("add", *SHUNT, *FIVE_FOR_FOUR)
    done = journal(
        "add",
        "shunt",
        "--source",
        "gpu0",
        "--time",
        "2026-04-01",
        "--shunt-from-mohm",
        4,
        "--shunt-to-mohm",
        2,
    )
    assert "true = 2.5 x reported" in done.stdout


def test_a_calibration_tells_how_far_it_reaches(journal: Callable[..., Result]) -> None:
    """200 W more at the wall are 180 W behind a supply of 90 %, where the card says 144 W."""
    meters = ("--wall-idle-w", 80, "--wall-load-w", 280, "--reported-idle-w", 20, "--reported-load-w", 164)
    when = ("--source", "gpu0", "--time", "2026-04-01")
    done = journal("add", "calibration", *when, *meters, "--supply-efficiency-pct", 90)
    assert "power: true = 1.25 x reported, ± 7.2 %, between the changes of power around it" in done.stdout
    assert "± 9 W flow (calibrated)" in done.stdout


def test_the_layer_of_a_bath_is_told(journal: Callable[..., Result]) -> None:
    done = journal("add", "plating", "--time", "2026-03-01", "--plating-min", 40)
    assert "layer: about 15 um" in done.stdout


def test_without_a_time_it_is_now(journal: Callable[..., Result]) -> None:
    assert journal("add", "cleaning").exit_code == 0
    assert documents(journal)[0]["path"] is None


def test_the_same_entry_twice_is_one(journal: Callable[..., Result]) -> None:
    for words in ("entry 1", "already there"):
        done = journal("add", *SHUNT, *FIVE_FOR_FOUR)
        assert done.exit_code == 0
        assert words in done.stdout
    assert len(documents(journal)) == 1


def test_list_is_for_people(journal: Callable[..., Result]) -> None:
    assert "nothing yet" in journal("list").stdout
    journal("add", *SHUNT, *FIVE_FOR_FOUR, "--note", "two\nlines")
    journal("add", "cleaning", "--time", "2026-02-01")
    heading, first, second = journal("list").stdout.splitlines()[:3]
    assert heading.split() == ["no", "when", "what", "source", "details"]
    assert re.split(r"\s{2,}", first.strip()) == ["2", "2026-02-01 00:00Z", "cleaning", "all"]
    assert "true = 1.25 x reported" in second


def test_edit_changes_what_is_named_and_clears_what_is_asked(journal: Callable[..., Result]) -> None:
    journal("add", *SHUNT, *FIVE_FOR_FOUR, "--cost", 10, "--currency", "EUR", "--note", "old")
    done = journal("edit", 1, "--note", "new", "--shunt-to-mohm", 2.5, "--clear", "cost")
    assert done.exit_code == 0, done.stderr
    (entry,) = documents(journal)
    assert (entry["id"], entry["note"], entry["cost"], entry["currency"]) == (1, "new", None, None)
    assert entry["true_w_per_reported_w"] == 2.0
    assert journal("edit", 1, "--kind", "compound").exit_code == 2  # resistors say nothing about compound
    done = journal("edit", 1, "--kind", "compound", "--clear", "shunt_from_mohm", "--clear", "shunt_to_mohm")
    assert done.exit_code == 0, done.stderr
    assert documents(journal)[0]["kind"] == "compound"


def test_a_removed_entry_can_be_brought_back(tmp_path: Path, journal: Callable[..., Result]) -> None:
    journal("add", *SHUNT, *FIVE_FOR_FOUR, "--cost", 10, "--currency", "EUR", "--note", "x")
    before = documents(journal)
    done = journal("remove", 1)
    assert documents(journal) == []
    file = tmp_path / "removed.toml"
    file.write_text(done.stdout, encoding="utf-8")
    assert journal("load", file).exit_code == 0
    assert documents(journal) == before


def test_removing_the_middle_of_a_chain_is_mentioned(journal: Callable[..., Result]) -> None:
    for day, (old, new) in enumerate(((5, 4), (4, 3), (3, 2)), 1):
        arguments = ("--shunt-from-mohm", old, "--shunt-to-mohm", new)
        assert (
            journal("add", "shunt", "--source", "gpu0", "--time", f"2026-03-0{day}", *arguments).exit_code
            == 0
        )
    done = journal("remove", 2)
    assert done.exit_code == 0
    assert "starts from 3 mOhm, but 4 mOhm were there" in done.stderr


def test_saved_and_loaded_is_the_same_journal(tmp_path: Path, journal: Callable[..., Result]) -> None:
    journal("add", *SHUNT, *FIVE_FOR_FOUR)
    journal("add", "cleaning", "--time", "2026-02-01", "--photo", "fan.jpg")
    file = tmp_path / "journal.toml"
    assert "2 entries" in journal("save", file).stdout
    assert len(load_journal(file)) == 2
    assert "0 new entries, 2 already there" in journal("load", file).stdout
    journal("remove", 1)
    assert "1 new entry, 1 already there" in journal("load", file).stdout


def test_a_chain_loads_in_any_order(tmp_path: Path, journal: Callable[..., Result]) -> None:
    file = tmp_path / "journal.toml"
    row = "[[entry]]\ntime = 2026-03-0{}\nkind = 'shunt'\npath = 'gpu0'\n"
    row += "shunt_from_mohm = {}\nshunt_to_mohm = {}\n"
    file.write_text("".join(row.format(*at) for at in ((3, 3, 2), (1, 5, 4), (2, 4, 3))), encoding="utf-8")
    done = journal("load", file)
    assert done.exit_code == 0, done.stderr
    assert [entry["id"] for entry in documents(journal)] == [2, 3, 1]


def test_a_file_with_one_wrong_entry_changes_nothing(tmp_path: Path, journal: Callable[..., Result]) -> None:
    file = tmp_path / "journal.toml"
    file.write_text(
        "[[entry]]\ntime = 2026-03-01\nkind = 'fan'\n[[entry]]\ntime = 2999-03-01\nkind = 'fan'\n", "utf-8"
    )
    done = journal("load", file)
    assert done.exit_code == 2
    assert "entry 2: 2999-03-01 00:00Z is in the future" in done.stderr
    assert documents(journal) == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("add", *SHUNT), "does not say by how much"),
        (("add", *SHUNT, "--power-factor", "0"), "power_factor = 0 cannot be"),
        (("add", *SHUNT, "--power-factor", "-1.2"), "power_factor = -1.2 cannot be"),
        (("add", *SHUNT, "--power-factor", "nan"), "power_factor = nan cannot be"),
        (("add", "shunt", "--power-factor", "1.2"), "names no source"),
        (("add", "fan", "--time", "2999-01-01"), "is in the future"),
        (("add", "fan", "--time", "someday"), "is no date"),
        (("add", "fan", "--source", "gpu1"), "no source is called gpu1: did you mean gpu0?"),
        (("add", "fan", "--cost", "ten"), "is no number"),
        (("add", "fan", "--cost", "-10"), "is no cost"),
        (("add", "fan", "--currency", "EUR"), "currency without a cost"),
        (("add", "polish"), "is not one of"),
        (("edit", "7", "--note", "x"), "no entry 7"),
        (("remove", "7"), "no entry 7"),
        (("load", "none.toml"), "cannot be read"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(
    journal: Callable[..., Result], arguments: tuple[str, ...], words: str
) -> None:
    done = journal(*arguments)
    assert done.exit_code == 2
    assert words in done.stderr
    assert documents(journal) == []


def test_an_overlapping_entry_is_refused(journal: Callable[..., Result]) -> None:
    journal("add", *SHUNT, *FIVE_FOR_FOUR)
    done = journal("add", *SHUNT, "--shunt-from-mohm", 5, "--shunt-to-mohm", 3)
    assert done.exit_code == 2
    assert "at the same moment" in done.stderr
    assert len(documents(journal)) == 1


def test_it_is_kept_beside_a_running_recorder(tmp_path: Path, journal: Callable[..., Result]) -> None:
    database = open_writer(str(tmp_path / "record.sqlite"))
    try:
        writer = Writer(database, MACHINE_UUID, "dove", NOW_UTC_MS)
        assert journal("add", *SHUNT, *FIVE_FOR_FOUR).exit_code == 0
        writer.note_task("backup", NOW_UTC_MS, True)
        assert len(documents(journal)) == 1
        assert writer.last_task_utc_ms("backup") == NOW_UTC_MS
    finally:
        database.close()


def test_advice_can_be_had_before_the_work() -> None:
    done = CliRunner().invoke(cli, ["journal", "advice", "liquid_metal"])
    assert done.exit_code == 0
    assert "It dissolves aluminium" in done.stdout


def test_help_names_every_kind_and_gives_an_example() -> None:
    done = CliRunner().invoke(cli, ["journal", "add", "--help"])
    assert all(kind.value in done.stdout for kind in EntryKind)
    for name in ("add", "list", "edit", "remove", "load", "save", "advice"):
        assert "Example:" in CliRunner().invoke(cli, ["journal", name, "--help"]).stdout


def test_every_field_that_can_be_given_can_be_cleared() -> None:
    assert {"note", "cost", "power_factor"} <= set(CLEARABLE.choices)


def test_a_journal_needs_a_record(tmp_path: Path) -> None:
    database = tmp_path / "none.sqlite"
    done = CliRunner().invoke(cli, ["journal", "add", "fan", "--database", str(database)])
    assert done.exit_code == 2
    assert not database.exists()
