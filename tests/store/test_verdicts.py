"""The book of verdicts, on both kinds of database: one for each source and day, each machine its own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from heatdrift.store.database import Database
from heatdrift.store.verdicts import StoredVerdict, VerdictBook
from heatdrift.store.writer import Writer

FIRST = StoredVerdict("gpu0", "2026-03-01", "0/30", "holding", "none", "", '{"change_pct": null}')
SECOND = replace(FIRST, day="2026-03-02", state="watch", cause="interface", shape="creep", body='{"é": 1.5}')


@pytest.fixture
def book(database: Database) -> VerdictBook:
    return VerdictBook(database, Writer(database, "uuid-a", "dove").machine_id)


def test_verdicts_come_back_as_they_were_said_the_oldest_first(book: VerdictBook) -> None:
    book.put([SECOND, FIRST])
    assert book.of("gpu0") == [FIRST, SECOND]
    assert book.of("cpu0") == []


def test_a_day_judged_again_has_one_verdict(book: VerdictBook) -> None:
    book.put([FIRST, SECOND])
    book.put([replace(SECOND, state="act")])
    assert book.of("gpu0") == [FIRST, replace(SECOND, state="act")]


def test_the_newest_of_each_source(book: VerdictBook) -> None:
    other = replace(FIRST, source="cpu0")
    book.put([SECOND, FIRST, other])
    assert book.newest() == {"gpu0": SECOND, "cpu0": other}


def test_another_machine_keeps_verdicts_of_its_own(book: VerdictBook, database: Database) -> None:
    other = VerdictBook(database, Writer(database, "uuid-b", "finch").machine_id)
    book.put([FIRST])
    other.put([replace(FIRST, state="act")])
    assert book.of("gpu0") == [FIRST]
    assert other.newest() == {"gpu0": replace(FIRST, state="act")}


def test_nothing_judged_is_nothing_kept(book: VerdictBook) -> None:
    book.put([])
    assert book.newest() == {}
