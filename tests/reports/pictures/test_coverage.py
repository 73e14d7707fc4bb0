"""The strip of days shares out every hour of the record: had, or missing with its reason."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from heatdrift.reports.pictures.coverage import LAYERS, UNKNOWN, WORDS, coverage_of, coverage_picture
from heatdrift.store.derived import DayMark
from heatdrift.store.records import Gap, GapReason

FIRST_MS = 1_767_225_600_000  # 1 January 2026
DAY_MS, HOUR_MS = 86_400_000, 3_600_000
FIRST_DAY = FIRST_MS // DAY_MS
MANY = 5000  # rows: more than a day of minutes


def iso(day: int) -> str:
    return str(np.datetime64(FIRST_DAY + day, "D"))


def gap(from_h: float, to_h: float, reason: GapReason, source: str = "") -> Gap:
    return Gap(FIRST_MS + round(from_h * HOUR_MS), FIRST_MS + round(to_h * HOUR_MS), reason, source)


def drawn(n_days: int, gaps: list[Gap], rows: dict[str, dict[str, int]], until: int | None = None) -> Any:
    """The picture of some days of a machine that is made of nothing but rows and gaps."""
    end_ms = FIRST_MS + (n_days if until is None else until) * DAY_MS - 1
    reader: Any = SimpleNamespace(
        span_utc_ms=lambda: (FIRST_MS, end_ms),
        gaps=lambda: gaps,
        sources=lambda: [SimpleNamespace(name=name) for name in rows],
    )
    derived: Any = SimpleNamespace(marks=lambda name: {day: DayMark("", n) for day, n in rows[name].items()})
    return coverage_picture(reader, derived, from_utc_ms=FIRST_MS, to_utc_ms=FIRST_MS + n_days * DAY_MS)


def test_every_hour_is_shared_out_once() -> None:
    gaps = [
        gap(10.0, 30.0, GapReason.STOPPED),
        gap(28.0, 34.0, GapReason.ASLEEP, "gpu0"),  # four hours of it while nothing ran
        gap(50.0, 51.0, GapReason.ASLEEP, "cpu0"),
    ]
    days = np.arange(FIRST_DAY, FIRST_DAY + 3.0)
    rows = {iso(day): MANY for day in range(3)}
    found = coverage_of("gpu0", rows, gaps, (FIRST_MS, FIRST_MS + 3 * DAY_MS), days)
    assert found.hours["service not running"] == pytest.approx([14.0, 6.0, 0.0])
    assert found.hours["source asleep"] == pytest.approx([0.0, 4.0, 0.0])
    assert found.hours["recorded"] == pytest.approx([10.0, 14.0, 24.0])
    assert sum(found.hours.values()) == pytest.approx([24.0, 24.0, 24.0])


def test_few_rows_are_no_full_day() -> None:
    days = np.arange(FIRST_DAY, FIRST_DAY + 2.0)
    found = coverage_of("gpu0", {iso(0): 48}, [], (FIRST_MS, FIRST_MS + 2 * DAY_MS), days)
    # A row stands for 75 s at most: 48 of them for an hour.
    assert found.hours["recorded"] == pytest.approx([1.0, 0.0])
    assert found.hours[UNKNOWN] == pytest.approx([23.0, 24.0])
    assert found.n_days == 1


def test_days_before_the_record_are_no_gap() -> None:
    days = np.arange(FIRST_DAY, FIRST_DAY + 3.0)
    begun_ms = FIRST_MS + DAY_MS + 12 * HOUR_MS
    found = coverage_of("gpu0", {iso(1): MANY, iso(2): MANY}, [], (begun_ms, FIRST_MS + 3 * DAY_MS), days)
    assert np.isnan(found.hours["recorded"][0])
    assert found.hours["recorded"][1:] == pytest.approx([12.0, 24.0])


def test_the_picture_names_each_reason_and_the_longest_gap() -> None:
    rows = {iso(day): MANY for day in range(30)}
    gaps = [
        gap(5 * 24.0, 9 * 24.0, GapReason.STOPPED),
        gap(300.0, 306.0, GapReason.SUSPEND),
        gap(400.0, 472.0, GapReason.ASLEEP, "gpu0"),
    ]
    left = {day: n for day, n in rows.items() if not iso(5) <= day < iso(9)}
    picture = drawn(30, gaps, {"cpu0": left, "gpu0": left})
    assert picture.key == "coverage"
    # 720 hours less 96 and 6, and 72 of gpu0's.
    assert picture.title == "Recorded on 26 of 30 days, 18.2 to 20.6 hours a day"
    assert picture.description == (
        "cpu0: recorded 618 h, machine suspended 6 h, service not running 96 h. "
        "gpu0: recorded 546 h, machine suspended 6 h, source asleep 72 h, service not running 96 h. "
        "Longest gap: 4 days from 6 January 2026, service not running."
    )
    svg = picture.svg()
    for words in ("service not running, 4 days", "machine suspended", "source asleep", "cpu0", "gpu0"):
        assert words in svg
    assert "disk full" not in svg


def test_years_are_drawn_by_week() -> None:
    n_days = 1100
    nights = [gap(24.0 * day, 24.0 * day + 6.0, GapReason.SUSPEND) for day in range(n_days)]
    picture = drawn(n_days, nights, {"cpu0": {iso(day): MANY for day in range(n_days)}})
    assert picture.title == "Recorded on 1100 of 1100 days, 18 hours a day"
    assert picture.description.endswith("Each step is the mean of a week.")
    # A page of some years stays a page: a few numbers for each week and layer.
    assert len(picture.svg()) < 60_000


def test_what_ended_early_is_said() -> None:
    picture = drawn(30, [], {"cpu0": {iso(day): MANY for day in range(12)}}, until=12)
    assert picture.title == "Recorded on 12 of 30 days, 24 hours a day"
    assert picture.description.endswith("Nothing was recorded after 12 January 2026.")


def test_nothing_recorded_has_a_reason_and_no_drawing() -> None:
    picture = drawn(30, [], {"cpu0": {}})
    assert picture.figure is None and picture.missing.startswith("these days have no readings of a source")
    reader: Any = SimpleNamespace(span_utc_ms=lambda: None)
    nothing: Any = None
    picture = coverage_picture(reader, nothing, from_utc_ms=FIRST_MS, to_utc_ms=FIRST_MS + DAY_MS)
    assert picture.figure is None and picture.missing.startswith("nothing was recorded in these days")


def test_every_reason_has_its_word_and_its_look() -> None:
    assert set(WORDS) == set(GapReason)
    assert set(WORDS.values()) <= set(LAYERS)
    assert len({hatch for _, hatch in LAYERS.values()}) >= len(WORDS)  # told apart without colour
