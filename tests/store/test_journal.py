"""The journal in the database, on both kinds."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from heatdrift.store.database import Database
from heatdrift.store.errors import DamagedDataError, SettingsError
from heatdrift.store.journal import Journal
from heatdrift.store.journal_entry import NUMBERS, EntryKind, JournalEntry, check_entry, kind_of
from heatdrift.store.reader import Reader
from heatdrift.store.schema import journal_entry
from heatdrift.store.writer import Writer

MARCH_UTC_MS = 1_772_323_200_000  # 2026-03-01T00:00Z
DAY_MS = 86_400_000
NOW_UTC_MS = MARCH_UTC_MS + 30 * DAY_MS
SHUNT = JournalEntry(
    MARCH_UTC_MS,
    EntryKind.SHUNT,
    source="gpu0",
    interface="12 V input",
    numbers={"shunt_from_mohm": 5.0, "shunt_to_mohm": 4.0},
    cost_milli=12_500,
    currency="EUR",
    note='two lines\nand "quotes" — ± °C',
    photo_path="/home/me/shunt.jpg",
)
CLEANING = JournalEntry(MARCH_UTC_MS - DAY_MS, EntryKind.CLEANING)


@pytest.fixture
def journal(database: Database) -> Journal:
    return Journal(database, Writer(database, "uuid-a", "dove").machine_id)


def test_entries_come_back_as_they_went_in_by_time(journal: Journal) -> None:
    added = journal.add([SHUNT, CLEANING], NOW_UTC_MS)
    assert added == [SHUNT, CLEANING]
    found = journal.entries()
    assert found == [CLEANING, SHUNT]
    assert [entry.entry_id for entry in found] == [added[1].entry_id, added[0].entry_id]


def test_adding_again_changes_nothing(journal: Journal) -> None:
    journal.add([SHUNT], NOW_UTC_MS)
    assert journal.add([SHUNT, CLEANING, CLEANING], NOW_UTC_MS) == [CLEANING]
    assert journal.entries() == [CLEANING, SHUNT]


def test_one_wrong_entry_keeps_all_out(journal: Journal) -> None:
    with pytest.raises(SettingsError, match="future"):
        journal.add([SHUNT, replace(CLEANING, at_utc_ms=NOW_UTC_MS + 1)], NOW_UTC_MS)
    assert journal.entries() == []


def test_change_keeps_the_number(journal: Journal) -> None:
    number = journal.add([SHUNT], NOW_UTC_MS)[0].entry_id
    assert number is not None
    journal.change(number, replace(SHUNT, note="again"), NOW_UTC_MS)
    assert journal.entry(number).note == "again"
    assert journal.entry(number).entry_id == number
    with pytest.raises(SettingsError, match="future"):
        journal.change(number, replace(SHUNT, at_utc_ms=NOW_UTC_MS + 1), NOW_UTC_MS)
    assert journal.entry(number).at_utc_ms == SHUNT.at_utc_ms


def test_remove_says_what_it_was(journal: Journal) -> None:
    number = journal.add([SHUNT], NOW_UTC_MS)[0].entry_id
    assert number is not None
    assert journal.remove(number) == SHUNT
    assert journal.entries() == []
    for call in (journal.remove, journal.entry):
        with pytest.raises(SettingsError, match=f"no entry {number}"):
            call(number)


def test_another_machine_has_its_own_journal(database: Database, journal: Journal) -> None:
    other = Journal(database, Writer(database, "uuid-b", "wren").machine_id)
    number = journal.add([SHUNT], NOW_UTC_MS)[0].entry_id
    assert number is not None
    assert other.entries() == []
    with pytest.raises(SettingsError):
        other.remove(number)
    assert Journal(database, Reader(database, "dove").machine_id).entries() == [SHUNT]


@pytest.mark.parametrize("change", [{"details": "{"}, {"details": "[]"}, {"kind": "polish"}])
def test_an_entry_that_cannot_be_read_is_said(
    database: Database, journal: Journal, change: dict[str, str]
) -> None:
    """One of a later heatdrift, or a damaged one: never skipped, for an era would go with it."""
    number = journal.add([SHUNT], NOW_UTC_MS)[0].entry_id
    with database.begin() as connection:
        connection.execute(journal_entry.update().values(change))
    with pytest.raises(DamagedDataError, match=f"entry {number} of the journal cannot be read"):
        journal.entries()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"numbers": {"power_factor": 0.0}}, "power_factor = 0 cannot be"),
        ({"numbers": {"power_factor": -1.25}}, "power_factor = -1.25"),
        ({"numbers": {"power_factor": math.nan}}, "power_factor = nan"),
        ({"numbers": {"power_factor": math.inf}}, "power_factor = inf"),
        ({"numbers": {"shunt_from_mohm": 0.0, "shunt_to_mohm": 4.0}}, "shunt_from_mohm = 0"),
        ({"numbers": {"shunt_share_pct": 120.0}}, "shunt_share_pct = 120"),
        ({"numbers": {"plating_min": 40.0}}, "plating_min says nothing about shunt: it belongs to plating"),
        ({"numbers": {"shunt_fom_mohm": 5.0}}, "did you mean shunt_from_mohm"),
        ({"source": ""}, "names no source"),
        ({"at_utc_ms": NOW_UTC_MS + 1}, "is in the future"),
        ({"at_utc_ms": 10**18}, "is in the future"),
        ({"at_utc_ms": 0}, "before the year 2000"),
        ({"cost_milli": -1}, "cannot be negative"),
        ({"cost_milli": None}, "currency without a cost"),
        ({"currency": "euro"}, "three letters"),
        ({"note": "a\0b"}, "U\\+0000"),
        ({"note": "\ud800"}, "U\\+D800"),
        ({"note": "x" * 10_001}, "too long"),
    ],
)
def test_what_cannot_be_is_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        check_entry(replace(SHUNT, **change), NOW_UTC_MS)


def test_an_entry_of_this_moment_is_believed() -> None:
    check_entry(replace(SHUNT, at_utc_ms=NOW_UTC_MS), NOW_UTC_MS)


def test_a_driver_that_scales_power_must_name_whose() -> None:
    driver = JournalEntry(MARCH_UTC_MS, EntryKind.DRIVER)
    check_entry(driver, NOW_UTC_MS)
    with pytest.raises(SettingsError, match="names no source"):
        check_entry(replace(driver, numbers={"power_factor": 1.1}), NOW_UTC_MS)


def test_kinds_are_known_by_their_words() -> None:
    assert [kind_of(kind.value) for kind in EntryKind] == list(EntryKind)
    with pytest.raises(SettingsError, match="did you mean compound"):
        kind_of("compund")
    with pytest.raises(SettingsError, match="liquid_metal"):
        kind_of(7)


def test_every_number_belongs_to_a_kind() -> None:
    assert all(detail.kinds and detail.lowest < detail.highest for detail in NUMBERS.values())
