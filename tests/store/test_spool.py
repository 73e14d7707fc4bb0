"""What waits for a server: nothing lost, nothing twice, on both kinds of database."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from sqlalchemy import func, select

from heatdrift.store.database import Database
from heatdrift.store.delivery import Deliverer
from heatdrift.store.errors import DamagedDataError, NewerSchemaError, StoreError
from heatdrift.store.message import Lane, Message, Severity
from heatdrift.store.outbox import Outbox
from heatdrift.store.reader import Reader
from heatdrift.store.records import (
    Batch,
    Boot,
    Channel,
    Gap,
    GapReason,
    IdentityChange,
    ProbeSample,
    SourceSample,
)
from heatdrift.store.schema import task_log
from heatdrift.store.spool import Spool, waiting
from heatdrift.store.spool_entries import Content, Entry, Sighting, StateNote, TaskNote, content, draft
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

START_MS = 1_767_225_600_000
EMPTY = (None,) * (len(SOURCE_QUANTITIES) - 1)
THERMOMETER = Channel("one:temp", "temperature_c", "hwmon", "air", "jc42", "", "serial 7")
OTHER = Channel("two:temp", "temperature_c", "hwmon")
SIGHTING = Sighting(START_MS, (("gpu0", "gpu"),), (("ambient", THERMOMETER),))
MESSAGE = Message(Lane.GUARD, Severity.URGENT, "hot gpu0", START_MS, "hot", "very", "gpu0", 0, 7.0)


def batch(first: int, n: int = 3) -> Batch:
    """Rows whose temperature says which they are."""
    numbers = range(first, first + n)
    return Batch(
        tuple(SourceSample(START_MS + 1000 * i, "gpu0", (i, *EMPTY), None, 2, 1, 0) for i in numbers),
        tuple(ProbeSample(START_MS + 1000 * i, "ambient", "temperature_c", i, 0) for i in numbers),
    )


EVENTS = Batch(
    gaps=(Gap(START_MS - 5000, START_MS, GapReason.SUSPEND, "", "slept"),),
    boots=(Boot("boot-1", START_MS),),
    changes=(IdentityChange(START_MS, "kernel", None, "6.1"), IdentityChange(START_MS, "ac", "no", "yes")),
)
EVERYTHING: list[Content] = [
    SIGHTING,
    batch(0),
    StateNote({"state": "running", "pid": "7"}, START_MS),
    EVENTS,
    TaskNote("judge", START_MS, True, "well"),
    batch(3),
    MESSAGE,
    StateNote({"state": "stopped", "pid": "7"}, START_MS + 1),
]


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    opened = Spool(tmp_path / "waiting.sqlite")
    opened.open()
    yield opened
    opened.close()


def put(spool: Spool, contents: Sequence[Content]) -> None:
    for one in contents:
        spool.append([draft(one, START_MS)])


def all_of(spool: Spool) -> list[Entry]:
    return spool.oldest(10**6, 10**6)


def deliverer(database: Database, places: dict[tuple[str, str], str] | None = None) -> Deliverer:
    return Deliverer(database, "u", "desk", START_MS, places)


def temperatures(database: Database) -> tuple[list[int], list[int]]:
    """Numbers of the rows of the source and of the probe."""
    reader = Reader(database)
    found = reader.source_frame("gpu0").temperature_c, reader.probe_frame("ambient").temperature_c
    return tuple((one * 1000).round().astype(int).tolist() for one in found)  # type: ignore[return-value]


def n_tasks(database: Database) -> int:
    with database.begin() as connection:
        return int(connection.scalar(select(func.count()).select_from(task_log)) or 0)


@pytest.mark.parametrize("one", EVERYTHING, ids=lambda one: type(one).__name__)
def test_what_is_written_down_is_read_again(spool: Spool, one: Content) -> None:
    put(spool, [one])
    (entry,) = all_of(spool)
    assert content(entry) == one


def test_everything_arrives_in_order_and_once(database: Database, spool: Spool) -> None:
    put(spool, EVERYTHING)
    entries = all_of(spool)
    never: list[int] = []
    deliverer(database).deliver(entries, never.append)
    # The answer to the commit was lost, so all of it is delivered again, and then a part of it by another.
    second = deliverer(database, {("ambient", "temperature_c"): THERMOMETER.key})
    second.deliver(entries, never.append)
    second.deliver(entries[4:], never.append)
    assert never == []
    assert temperatures(database) == (list(range(6)), list(range(6)))
    assert n_tasks(database) == 1
    assert second.task_times() == {"judge": (START_MS, START_MS)}
    reader = Reader(database)
    assert reader.gaps() == list(EVENTS.gaps)
    assert second.facts() == {"kernel": "6.1", "ac": "yes"}
    (told,) = Outbox(database, second.machine_id).messages()
    assert told.message.subject == "hot"


def test_text_that_is_none_arrives_as_such(database: Database, spool: Spool) -> None:
    """A driver may hand out any bytes as its name; PostgreSQL takes neither NUL nor half a character."""
    odd = "a\0b\udc80c\\u0000"
    put(
        spool,
        [
            Sighting(
                START_MS, (("gpu0", "gpu"),), (("ambient", Channel("k", "temperature_c", "hwmon", odd)),)
            ),
            batch(0),
            Batch(changes=(IdentityChange(START_MS, "bios", None, odd),)),
        ],
    )
    found = deliverer(database)
    found.deliver(all_of(spool), lambda _number: None)
    assert temperatures(database)[0] == [0, 1, 2]
    (bios,) = found.facts().values()
    assert bios.startswith("a\ufffdb?c")


def test_what_cannot_be_committed_leaves_nothing(database: Database, spool: Spool) -> None:
    put(spool, [SIGHTING, batch(0)])
    stranger = Batch((SourceSample(START_MS, "gpu7", (0, *EMPTY), None, 2, 1, 0),))
    put(spool, [stranger])
    with pytest.raises(StoreError, match="gpu7 is not registered"):
        deliverer(database).deliver(all_of(spool), lambda _number: None)
    assert Reader(database).sources() == []
    deliverer(database).deliver(all_of(spool)[:2], lambda _number: None)
    assert temperatures(database) == ([0, 1, 2], [0, 1, 2])


def test_a_probe_keeps_its_channels_apart(database: Database, spool: Spool) -> None:
    """Rows of before a thermometer was changed wait for a service that starts with the new one."""
    put(spool, [SIGHTING])
    first = deliverer(database)
    first.deliver(all_of(spool), lambda _number: None)
    spool.forget(1)
    put(spool, [batch(0), Sighting(START_MS, (), (("ambient", OTHER),)), batch(3)])
    deliverer(database, first.places).deliver(all_of(spool), lambda _number: None)
    frame = Reader(database).probe_frame("ambient")
    assert (frame.temperature_c * 1000).round().tolist() == list(range(6))
    with database.begin() as connection:
        query = (
            "SELECT c.key, count(*) FROM probe_sample p JOIN channel c ON c.id = p.channel_id GROUP BY c.key"
        )
        assert dict(connection.exec_driver_sql(query).fetchall()) == {THERMOMETER.key: 3, OTHER.key: 3}


def test_a_spool_from_a_backup_doubles_nothing(database: Database, spool: Spool, tmp_path: Path) -> None:
    put(spool, [SIGHTING, batch(0)])
    spool.checkpoint()
    shutil.copy(spool.path, tmp_path / "old.sqlite")
    put(spool, [batch(3)])
    deliverer(database).deliver(all_of(spool), lambda _number: None)
    restored = Spool(tmp_path / "old.sqlite")
    restored.open()
    put(restored, [batch(6), batch(9)])  # numbers that were delivered already, with other rows
    deliverer(database).deliver(all_of(restored), lambda _number: None)
    restored.close()
    assert temperatures(database) == (list(range(12)), list(range(12)))


def test_changes_are_told_against_what_the_database_knows(database: Database, spool: Spool) -> None:
    writer = Writer(database, "u", "desk")
    known = (IdentityChange(START_MS, "kernel", None, "6.1"), IdentityChange(START_MS, "bios", None, "F1"))
    writer.write(Batch(changes=known))
    blind = (
        IdentityChange(START_MS + 9, "kernel", None, "6.1"),
        IdentityChange(START_MS + 9, "bios", None, "F2"),
        IdentityChange(START_MS + 9, "ac", None, "yes"),
    )
    put(spool, [Batch(changes=blind)])
    deliverer(database).deliver(all_of(spool), lambda _number: None)
    found = [(one.subject, one.before, one.after) for one in Reader(database).identity_changes()]
    assert sorted(found[2:]) == [("ac", None, "yes"), ("bios", "F1", "F2")]


def test_a_start_that_knew_of_nothing_is_explained(database: Database) -> None:
    writer = Writer(database, "u", "desk")
    writer.register_source("gpu0", "gpu", 0)
    writer.register_channel(THERMOMETER, "ambient", 0)
    writer.write(batch(0))
    late = deliverer(database)
    late.explain_silence(START_MS + 60_000)
    late.explain_silence(START_MS + 60_000)
    (gap,) = Reader(database).gaps()
    assert (gap.from_utc_ms, gap.to_utc_ms, gap.reason) == (
        START_MS + 2000,
        START_MS + 60_000,
        GapReason.STOPPED,
    )


def test_an_entry_that_says_nothing_is_kept_and_stops_nobody(
    database: Database, spool: Spool, caplog: pytest.LogCaptureFixture
) -> None:
    put(spool, [SIGHTING, batch(0), batch(3), batch(6)])
    with sqlite3.connect(spool.path) as meddler:
        meddler.execute("UPDATE entry SET body = substr(body, 1, 40) WHERE number = 3")
    meddler.close()
    deliverer(database).deliver(all_of(spool), spool.set_aside)
    spool.forget(4)
    assert temperatures(database)[0] == [0, 1, 2, 6, 7, 8]
    backlog = spool.backlog()
    assert (backlog.n_entries, backlog.n_set_aside) == (0, 1)
    assert "entry 3 of the spool cannot be read" in caplog.text


def test_what_waits_survives_and_is_handed_out_in_pieces(spool: Spool) -> None:
    put(spool, [batch(0), batch(3), batch(6)])
    spool.learn({"met": "yes"})
    spool.learn({"met": "no", "more": "1"}, is_newer=False)
    backlog, known = waiting(spool.path)  # as `heatdrift status` sees it, beside the service
    assert (backlog.n_entries, backlog.n_rows, backlog.since_utc_ms) == (3, 18, START_MS)
    assert known == {"met": "yes", "more": "1"}
    spool.close()
    with pytest.raises(StoreError, match="is not open"):
        spool.backlog()
    spool.open()
    assert [one.number for one in spool.oldest(12, 100)] == [1, 2]
    assert [one.number for one in spool.oldest(1, 100)] == [1]  # never none, however large it is
    assert [one.number for one in spool.oldest(100, 1)] == [1]
    spool.forget(2)
    put(spool, [batch(9)])
    first, second = all_of(spool)
    assert (first.number, second.number) == (3, 4)
    assert first.life != second.life


def test_room_is_given_back(spool: Spool) -> None:
    put(spool, [batch(0, 4000)] * 30)
    spool.checkpoint()
    assert spool.path.stat().st_size > 600_000
    spool.forget(30)
    assert spool.path.stat().st_size < 100_000


def test_a_damaged_file_is_kept_beside_a_new_one(spool: Spool, caplog: pytest.LogCaptureFixture) -> None:
    put(spool, [batch(0, 2000)] * 5)
    spool.checkpoint()
    spool.close()
    damaged = bytearray(spool.path.read_bytes())
    damaged[4096 : 4096 * 3] = bytes(4096 * 2)
    spool.path.write_bytes(damaged)
    spool.open()
    assert spool.backlog().n_entries == 0
    put(spool, [batch(0)])
    (kept,) = spool.path.parent.glob("*.damaged-*")
    assert kept.read_bytes() == damaged
    assert "rows that waited may be lost" in caplog.text


def test_a_newer_file_is_refused(spool: Spool) -> None:
    spool.close()
    with sqlite3.connect(spool.path) as meddler:
        meddler.execute("PRAGMA user_version = 9")
    meddler.close()
    with pytest.raises(NewerSchemaError, match="update heatdrift"):
        spool.open()


def test_damage_met_while_writing(spool: Spool, caplog: pytest.LogCaptureFixture) -> None:
    put(spool, [batch(0, 4000)] * 30)
    spool.checkpoint()
    n_bytes = spool.path.stat().st_size
    with spool.path.open("r+b") as file:  # beneath the open file, as a disk that fails does
        file.seek(4096)
        file.write(bytes(n_bytes - 4096))
    with pytest.raises(DamagedDataError):
        all_of(spool)
    put(spool, [batch(0)])
    assert spool.backlog().n_entries == 1
    (kept,) = [
        one for one in spool.path.parent.glob("*.damaged-*") if not one.name.endswith(("-wal", "-shm"))
    ]
    assert kept.stat().st_size == n_bytes
    assert "rows that waited may be lost" in caplog.text
