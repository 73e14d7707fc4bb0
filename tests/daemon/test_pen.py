"""Rows that wait: none lost, none doubled, until an hour of them has waited."""

from __future__ import annotations

import logging
import sqlite3
from pathlib import Path

import pytest

from heatdrift.daemon.pen import Scribe
from heatdrift.daemon.poller import Harvest
from heatdrift.store.database import open_writer
from heatdrift.store.errors import DatabaseBusyError, DiskFullError, StoreError
from heatdrift.store.records import Cadence, Channel, Gap, GapReason, ProbeSample, SourceSample
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

from .conftest import ListPen

START_MS = 1_767_225_600_000
HOLD_S, RETRY_S = 3600.0, 10.0


def harvest(at_s: float, *gaps: Gap) -> Harvest:
    at_ms = START_MS + round(at_s * 1000)
    source = SourceSample(at_ms, "gpu0", (None,) * len(SOURCE_QUANTITIES), None, Cadence.LOAD, 5, 0)
    return Harvest([source], [ProbeSample(at_ms, "ambient", "temperature_c", 20_000, 0)], list(gaps), [])


@pytest.mark.parametrize(
    "trouble", [DiskFullError("no room"), DatabaseBusyError("locked"), StoreError("damaged")]
)
def test_rows_wait_out_trouble_and_are_written_once(
    pen: ListPen, trouble: StoreError, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    scribe = Scribe(pen, HOLD_S, RETRY_S)
    pen.trouble = trouble
    for at_s in range(0, 600, 5):
        scribe.hold(harvest(at_s), float(at_s))
        if scribe.may_try(at_s):
            assert not scribe.flush(at_s)
    assert scribe.n_rows == 240
    pen.trouble = None
    assert scribe.flush(600.0)
    assert scribe.flush(601.0)
    assert [row.time_utc_ms for row in pen.rows.sources] == [START_MS + s * 1000 for s in range(0, 600, 5)]
    assert len(pen.rows.probes) == 120
    assert pen.rows.gaps == ()
    assert len(caplog.records) == 2  # one when it begins, one when it ends


def test_failed_write_is_not_repeated_at_once(pen: ListPen) -> None:
    scribe = Scribe(pen, HOLD_S, RETRY_S)
    pen.trouble = DatabaseBusyError("locked")
    scribe.hold(harvest(0), 0.0)
    scribe.flush(0.0)
    assert not scribe.may_try(9.9)
    assert scribe.may_try(10.0)


def test_oldest_rows_make_room_and_leave_a_gap(pen: ListPen, caplog: pytest.LogCaptureFixture) -> None:
    scribe = Scribe(pen, HOLD_S, RETRY_S)
    pen.trouble = DiskFullError("no room")
    for at_s in range(0, 5000, 5):
        scribe.hold(harvest(at_s), float(at_s))
        scribe.flush(at_s)
    pen.trouble = None
    scribe.flush(5000.0)
    (gap,) = pen.rows.gaps
    assert gap.reason is GapReason.DISK_FULL
    assert (gap.from_utc_ms, gap.to_utc_ms) == (START_MS, START_MS + 1_390_000)
    assert pen.rows.sources[0].time_utc_ms == START_MS + 1_395_000  # an hour before the last
    assert len([r for r in caplog.records if "being dropped" in r.message]) == 1


def test_rows_wait_while_a_child_has_the_pen(pen: ListPen) -> None:
    scribe = Scribe(pen, HOLD_S, RETRY_S)
    scribe.lend()
    lent = pen.is_released
    scribe.hold(harvest(0), 0.0)
    assert not scribe.may_try(1.0)
    assert not scribe.flush(1.0)
    assert scribe.take_back(2.0)
    assert (lent, pen.is_released) == (True, False)
    assert len(pen.rows.sources) == 1


def test_pen_that_cannot_be_taken_back_is_tried_for_again(pen: ListPen) -> None:
    scribe = Scribe(pen, HOLD_S, RETRY_S)
    scribe.lend()
    scribe.hold(harvest(0), 0.0)
    pen.trouble = DatabaseBusyError("locked")
    assert not scribe.take_back(1.0)
    pen.trouble = None
    assert scribe.flush(11.0)
    assert len(pen.rows.sources) == 1


def test_gaps_wait_like_rows(pen: ListPen) -> None:
    scribe = Scribe(pen, HOLD_S, RETRY_S)
    gap = Gap(START_MS, START_MS + 1000, GapReason.SUSPEND)
    pen.trouble = DiskFullError("no room")
    scribe.hold(harvest(0, gap), 0.0)
    scribe.flush(0.0)
    pen.trouble = None
    scribe.flush(10.0)
    assert pen.rows.gaps == (gap,)


def test_locked_file_does_not_hold_up_the_looking(tmp_path: Path) -> None:
    """Another program sits on the real file: the write fails at once, and is done when the file is free."""
    path = tmp_path / "heatdrift.sqlite"
    writer = Writer(open_writer(f"sqlite:///{path}", busy_timeout_ms=1), "machine-1", "machine")
    writer.register_source("gpu0", "gpu", START_MS)
    writer.register_channel(Channel("case", "temperature_c", "hwmon"), "ambient", START_MS)
    scribe = Scribe(writer, HOLD_S, RETRY_S)
    scribe.hold(harvest(0), 0.0)
    stranger = sqlite3.connect(path, isolation_level=None)
    stranger.execute("BEGIN IMMEDIATE")
    assert not scribe.flush(0.0)
    stranger.execute("ROLLBACK")
    assert scribe.flush(10.0)
    assert stranger.execute("SELECT count(*) FROM source_sample").fetchone() == (1,)
    stranger.close()
    writer.release()
