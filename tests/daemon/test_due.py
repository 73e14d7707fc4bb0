"""What is due is worked out from the notes in the database, whatever the computer slept through."""

from __future__ import annotations

import logging
import threading
import time
from datetime import datetime

import pytest

from heatdrift.daemon.coarse import Clockwork, Wish
from heatdrift.daemon.due import Task, is_due
from heatdrift.daemon.service_settings import REPORT

from .conftest import ListPen

MIDNIGHT_MS = 1_767_225_600_000
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
NIGHTLY = Task("upkeep", ("upkeep",))
WEEKLY = Task("backup", ("backup",), every_days=7)


@pytest.mark.parametrize(
    ("task", "done_ms", "now_ms", "due"),
    [
        (NIGHTLY, MIDNIGHT_MS + HOUR_MS, MIDNIGHT_MS + 23 * HOUR_MS, False),
        (NIGHTLY, MIDNIGHT_MS + 23 * HOUR_MS, MIDNIGHT_MS + DAY_MS, True),
        (NIGHTLY, MIDNIGHT_MS, MIDNIGHT_MS + 40 * DAY_MS, True),
        (WEEKLY, MIDNIGHT_MS, MIDNIGHT_MS + 7 * DAY_MS - 1, False),
        (WEEKLY, MIDNIGHT_MS, MIDNIGHT_MS + 7 * DAY_MS, True),
        (NIGHTLY, MIDNIGHT_MS + 365 * DAY_MS, MIDNIGHT_MS, True),  # noted while the clock was a year ahead
        (
            NIGHTLY,
            MIDNIGHT_MS + HOUR_MS,
            MIDNIGHT_MS,
            False,
        ),  # an hour ahead is only daylight saving gone wrong
    ],
)
def test_due_when_the_period_is_over(pen: ListPen, task: Task, done_ms: int, now_ms: int, due: bool) -> None:
    pen.tasks = [(task.name, done_ms, True)]
    assert is_due(task, pen, now_ms, MIDNIGHT_MS) is due


def test_first_run_waits_for_the_first_day_to_end(pen: ListPen) -> None:
    assert not is_due(NIGHTLY, pen, MIDNIGHT_MS + 5 * HOUR_MS, MIDNIGHT_MS + HOUR_MS)
    assert is_due(NIGHTLY, pen, MIDNIGHT_MS + DAY_MS, MIDNIGHT_MS + HOUR_MS)


@pytest.mark.parametrize(
    ("last", "now", "due"),
    [
        ("2026-03-01T02:00", "2026-03-31T23:59", False),
        ("2026-03-31T22:59", "2026-04-01T00:00", True),
        ("2026-03-01T02:00", "2026-04-02T19:00", True),  # off on the first: the second is as good
        ("2026-03-15T02:00", "2027-03-20T02:00", True),  # the same month of another year
    ],
)
def test_monthly_work_is_due_once_in_each_month(pen: ListPen, last: str, now: str, due: bool) -> None:
    moments = [round(datetime.fromisoformat(f"{one}+00:00").timestamp() * 1000) for one in (last, now)]
    pen.tasks = [("report", moments[0], True)]
    assert is_due(REPORT, pen, moments[1], 0) is due


def test_failure_rests_for_an_hour(pen: ListPen) -> None:
    pen.tasks = [("upkeep", MIDNIGHT_MS, True), ("upkeep", MIDNIGHT_MS + DAY_MS, False)]
    assert not is_due(NIGHTLY, pen, MIDNIGHT_MS + DAY_MS + HOUR_MS - 1, MIDNIGHT_MS)
    assert is_due(NIGHTLY, pen, MIDNIGHT_MS + DAY_MS + HOUR_MS, MIDNIGHT_MS)


def test_clockwork_posts_each_wish_and_logs_no_runs(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    clockwork = Clockwork({Wish.RESCAN: 0.01, Wish.HEARTBEAT: 0.01, Wish.CHECK_DUE: 3600.0})
    clockwork.start()
    seen: set[Wish] = set()
    give_up_s = time.monotonic() + 30.0  # only a clockwork that stands still takes that long
    while not seen >= {Wish.RESCAN, Wish.HEARTBEAT} and time.monotonic() < give_up_s:
        threading.Event().wait(0.01)
        seen |= clockwork.take()
    clockwork.plan_anew()
    clockwork.stop()
    assert seen == {Wish.RESCAN, Wish.HEARTBEAT}
    assert caplog.text == ""
    assert clockwork.n_troubles == 0


def test_wish_out_of_turn_is_taken_once() -> None:
    clockwork = Clockwork({})
    clockwork.post(Wish.RESCAN)
    clockwork.post(Wish.RESCAN)
    assert clockwork.take() == {Wish.RESCAN}
    assert clockwork.take() == set()
