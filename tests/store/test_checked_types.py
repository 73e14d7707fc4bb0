"""What was changed in the database behind our back is named, and never read as something else."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import func, select

from heatdrift.store.database import Database, open_reader, open_writer
from heatdrift.store.derived import DerivedStore, EraFit
from heatdrift.store.derived_types import SEAL, sealed_text, unsealed_text
from heatdrift.store.errors import DamagedDataError
from heatdrift.store.latest import latest_samples
from heatdrift.store.message import Lane, Message, Severity
from heatdrift.store.outbox import Outbox
from heatdrift.store.packing import DAY_MS
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Gap, GapReason, SourceSample
from heatdrift.store.schema import source_sample
from heatdrift.store.sealing import seal_finished_days
from heatdrift.store.summary import summary
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.verdicts import StoredVerdict, VerdictBook
from heatdrift.store.writer import Writer

START_MS = 1_772_323_200_000


@pytest.fixture
def record(tmp_path: Path) -> Path:
    path = tmp_path / "record.sqlite"
    database = open_writer(str(path))
    writer = Writer(database, "uuid", "wren", START_MS)
    writer.register_source("gpu0", "gpu", START_MS)
    values = (50_000, *[None] * (len(SOURCE_QUANTITIES) - 1))
    rows = tuple(SourceSample(START_MS + at, "gpu0", values, None, 0, 6, 0) for at in (0, 60_000, 5 * DAY_MS))
    gap = Gap(START_MS, START_MS + 1, GapReason.SUSPEND)
    writer.write(Batch(sources=rows, gaps=(gap,)))
    outbox = Outbox(database, writer.machine_id)
    outbox.queue(Message(Lane.CREEP, Severity.WARNING, "key", START_MS, "subject", "body"))
    outbox.address(1, ["json-1"], START_MS)
    VerdictBook(database, writer.machine_id).put(
        [StoredVerdict("gpu0", "2026-03-01", "", "holding", "none", "", '{"days_in_era": 3}')]
    )
    seal_finished_days(database, START_MS + 4 * DAY_MS, hot_days=1)
    database.close()
    return path


def frame(database: Database) -> object:
    return Reader(database).source_frame("gpu0")


def days(database: Database) -> object:
    return DerivedStore(database, 1).row_days("gpu0", {})


def days_judged(database: Database) -> object:
    return [one.days_in_era() for one in VerdictBook(database, 1).newest().values()]


@pytest.mark.parametrize(
    ("statement", "read", "words"),
    [
        ("UPDATE gap SET reason = 'nap'", lambda d: Reader(d).gaps(), r"gap\.reason .* no known word: 'nap'"),
        ("UPDATE gap SET to_utc_ms = 'noon'", lambda d: Reader(d).gaps(), r"gap\.to_utc_ms .* no moment"),
        ("UPDATE gap SET detail = x'00ff'", lambda d: Reader(d).gaps(), r"gap\.detail .* no text"),
        ("UPDATE gap SET to_utc_ms = 1 << 60", lambda d: summary(d, START_MS), r"gap\.to_utc_ms"),
        ("UPDATE source SET name = x'67'", lambda d: Reader(d).sources(), r"source\.name"),
        ("UPDATE message SET lane = 'x'", lambda d: Outbox(d, 1).messages(), r"message\.lane"),
        ("UPDATE message_delivery SET state = ''", lambda d: Outbox(d, 1).messages(), r"delivery\.state"),
        ("UPDATE source_sample SET time_utc_ms = 1 << 60", lambda d: Reader(d).span_utc_ms(), "no moment"),
        ("UPDATE source_sample SET time_utc_ms = 1 << 60", days, "no possible moment"),
        ("UPDATE source_sample SET time_utc_ms = -200000000", days, "no possible moment"),
        ("UPDATE source_sample SET n_looks = 'many'", frame, "a row of gpu0"),
        ("UPDATE source_sample SET cadence = 7", lambda d: latest_samples(d, "uuid"), r"cadence .*: 7"),
        ("UPDATE source_sample SET power_milli_w = 'x'", lambda d: latest_samples(d, "uuid"), "whole number"),
        ("UPDATE source_sample SET temperature_milli_c = 1e308", frame, "a row of gpu0"),
        ("UPDATE source_sample SET power_milli_w = 1 << 40", frame, "a row of gpu0"),
        ("UPDATE sealed_day SET first_day = '2026-02-30'", frame, r"sealed_day\.first_day .* no day"),
        ("UPDATE sealed_day SET last_day = '0001-01-01'", lambda d: Reader(d).span_utc_ms(), "no day"),
        ("UPDATE sealed_day SET packed = 5", frame, "no packed table"),
        ("UPDATE sealed_day SET packed = x'00'", frame, "do not match their checksum"),
        (
            "UPDATE sealed_day SET packed = x'00', checksum = "
            "'6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d'",
            frame,
            "are no table",
        ),
        ("UPDATE verdict SET body = '['", days_judged, "verdict of gpu0 on 2026-03-01 cannot be read"),
        ("UPDATE verdict SET body = '[]'", days_judged, "cannot be read"),
        ('UPDATE verdict SET body = \'{"days_in_era": "3"}\'', days_judged, "cannot be read"),
    ],
)
def test_an_absurd_cell_is_named(
    record: Path, statement: str, read: Callable[[Database], object], words: str
) -> None:
    reading = open_reader(str(record))
    read(reading)  # as it was written, it can be read
    reading.close()
    with closing(sqlite3.connect(record)) as connection, connection:
        assert connection.execute(statement).rowcount
    reading = open_reader(str(record))
    try:
        with pytest.raises(DamagedDataError, match=words) as refused:
            read(reading)
        assert refused.value.remedy
    finally:
        reading.close()


def test_what_is_not_there_stays_so(record: Path) -> None:
    with closing(sqlite3.connect(record)) as connection, connection:
        connection.execute("DELETE FROM source_sample")
    reading = open_reader(str(record))
    with reading.begin() as transaction:
        assert transaction.scalar(select(func.max(source_sample.c.time_utc_ms))) is None
    reading.close()


def test_an_era_that_was_changed_is_made_again(record: Path) -> None:
    database = open_writer(str(record))
    store = DerivedStore(database, 1)
    store.replace_era_fits("gpu0", {1: EraFit("r", True, '{"a": 1}'), 2: EraFit("r", True, '{"b": 2}')})
    assert set(store.era_fits("gpu0")) == {1, 2}
    with database.begin() as connection:
        connection.exec_driver_sql("""UPDATE era_fit SET body = replace(body, '"a": 1', '"a": 7')""")
    assert store.era_fits("gpu0") == {2: EraFit("r", True, '{"b": 2}')}
    database.close()


@pytest.mark.parametrize("body", ["", "{}", '{"a": 1}', f"a{SEAL}b", "é\n"])
def test_a_sealed_text_comes_back_the_same(body: str) -> None:
    assert unsealed_text(sealed_text(body)) == body
    assert unsealed_text(body) is None
