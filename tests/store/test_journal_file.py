"""The journal as a file."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatdrift.store.errors import SettingsError
from heatdrift.store.journal_entry import NUMBERS, EntryKind, JournalEntry
from heatdrift.store.journal_file import format_journal, load_journal, parse_journal, save_journal

MARCH_UTC_MS = 1_772_323_200_000  # 2026-03-01T00:00Z
WRITTEN = """
[[entry]]
time = 2026-03-01T19:30:00+01:00
kind = "shunt"
path = "gpu0"
shunt_from_mohm = 5
shunt_added_mohm = 10.0
cost = 12.50
currency = "EUR"
note = "second try"

[[entry]]
time = 2026-03-01
kind = "compound"
path = "cpu0"
interface = "die to plate"

[[entry]]
time = "2026-03-01T00:00:00.250Z"
kind = "cleaning"
"""


def test_what_people_write_is_read() -> None:
    assert parse_journal(WRITTEN) == [
        JournalEntry(
            MARCH_UTC_MS + 66_600_000,  # 18:30 UTC
            EntryKind.SHUNT,
            "gpu0",
            numbers={"shunt_from_mohm": 5.0, "shunt_added_mohm": 10.0},
            cost_milli=12_500,
            currency="EUR",
            note="second try",
        ),
        JournalEntry(MARCH_UTC_MS, EntryKind.COMPOUND, "cpu0", "die to plate"),
        JournalEntry(MARCH_UTC_MS + 250, EntryKind.CLEANING),
    ]


TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
ENTRIES = st.builds(
    JournalEntry,
    at_utc_ms=st.integers(946_684_800_000, 4_102_444_800_000),  # 2000 to 2100
    kind=st.sampled_from(EntryKind),
    source=TEXTS,
    interface=TEXTS,
    numbers=st.dictionaries(
        st.sampled_from(sorted(NUMBERS)), st.floats(allow_nan=False, allow_infinity=False), max_size=4
    ),
    cost_milli=st.none() | st.integers(0, 10**15),
    currency=st.sampled_from(["", "EUR"]),
    note=TEXTS,
    photo_path=TEXTS,
)


@given(st.lists(ENTRIES, max_size=4))
def test_a_saved_journal_reads_back_the_same(entries: list[JournalEntry]) -> None:
    assert parse_journal(format_journal(entries)) == entries


def test_an_older_file_is_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "journal.toml"
    path.write_text("old", encoding="utf-8")
    entries = parse_journal(WRITTEN)
    save_journal(entries, path)
    assert load_journal(path) == entries
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be written"):
        save_journal([], tmp_path / "none" / "journal.toml")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[entry]]\ntime = 2026-03-01\nkind = 'compund'", "entry 1: no kind .* did you mean compound"),
        ("[[entry]]\nkind = 'compound'", "entry 1: time is missing"),
        ("[[entry]]\ntime = 2026-03-01", "entry 1: kind is missing"),
        ("[[entry]]\ntime = 2026-03-01T10:00:00\nkind = 'fan'", "no time zone"),
        ("[[entry]]\ntime = 'yesterday'\nkind = 'fan'", "is no time"),
        ("[[entry]]\ntime = 10:00:00\nkind = 'fan'", "is no time"),
        ("[[entry]]\ntime = 5\nkind = 'fan'", "is no time"),
        ("[[entry]]\ntime = 2026-03-01\nkind = 'fan'\nsource = 'gpu0'", "an entry has no source"),
        ("[[entry]]\ntime = 2026-03-01\nkind = 'fan'\npaht = 'gpu0'", "did you mean path"),
        ("[[entry]]\ntime = 2026-03-01\nkind = 'fan'\nnote = 5", "note = 5 is no text"),
        ("[[entry]]\ntime = 2026-03-01\nkind = 'fan'\ncost = 'ten'", "ten is no cost"),
        ("[[entry]]\ntime = 2026-03-01\nkind = 'fan'\ncost = nan", "is no cost"),
        ("[[entry]]\ntime = 2026-03-01\nkind = 'fan'\ncost = -1", "is no cost"),
        ("[[entry]]\ntime = 2026-03-01\nkind = 'fan'\ncost = 1e300", "is no cost"),
        ("[[entry]]\ntime = 2026-03-01\nkind = 'fan'\npower_factor = true", "is no number"),
        (f"[[entry]]\ntime = 2026-03-01\nkind = 'fan'\npower_factor = 1{'0' * 400}", "too large"),
        ("[entry]\ntime = 2026-03-01", "two brackets"),
        ("entry = [1]", "two brackets"),
        ("[[entries]]\nkind = 'fan'", "a journal has no entries"),
        ("[[entry]\n", "not TOML.*line 1"),
        (f"[[entry]]\nplating_um = {'1' * 5000}", "not TOML"),
        ("[[entry]]\nplating_um = 1e99999999999999999999", "not TOML"),
        (f"entry = {'[' * 5000}", "not TOML"),
    ],
)
def test_a_wrong_file_is_refused_with_the_place(text: str, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        parse_journal(text)


def test_no_file_and_no_text_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"none\.toml cannot be read"):
        load_journal(tmp_path / "none.toml")
    path = tmp_path / "journal.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="not UTF-8"):
        load_journal(path)
    path.write_text("[[entry]]\nkind = 'fan'", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"journal\.toml: entry 1"):
        load_journal(path)


def test_an_empty_file_is_an_empty_journal() -> None:
    assert parse_journal("") == []
