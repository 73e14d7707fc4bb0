"""The picture of both parts says what the detector says, and draws the level that the days have."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from heatdrift.reports.pictures.resistance import drawn_in_full, resistance_picture
from heatdrift.reports.pictures.running_level import running_level
from heatdrift.store.journal_entry import EntryKind, JournalEntry

from .made_pictures import DAY_MS, FIRST_MS, SCATTER, creep, made_series, made_verdict

N_DAYS = 110
END_MS = FIRST_MS + N_DAYS * DAY_MS
MONTH = {"from_utc_ms": END_MS - 30 * DAY_MS, "to_utc_ms": END_MS}
HELD = np.zeros(N_DAYS)


def test_a_change_is_the_title_and_stands_in_the_drawing() -> None:
    picture = resistance_picture(made_verdict(creep(N_DAYS, 60, 0.25), HELD), [], **MONTH)
    assert picture.key == "gpu0-resistance"
    assert picture.title.startswith("gpu0: interface part up 2")
    assert "since " in picture.title and picture.title.endswith("airflow part unchanged")
    svg = picture.svg()
    for words in ("began ", "baseline days", "interface part", "airflow part", "now"):
        assert words in svg
    assert picture.window == "1 January to 20 April 2026, 110 days with load"


def test_what_holds_is_called_so() -> None:
    picture = resistance_picture(made_verdict(HELD, HELD), [], **MONTH)
    assert picture.title == "gpu0: both parts hold"
    assert "began" not in picture.svg() and "last 30 days" in picture.svg()


def test_a_part_that_is_not_known_says_why() -> None:
    picture = resistance_picture(made_verdict(HELD, None), [], **MONTH)
    assert picture.title == "gpu0: interface part unchanged, airflow part not known"
    assert "not known: no air is known" in picture.svg()


def test_without_any_part_there_is_no_drawing_but_a_reason() -> None:
    verdict = made_verdict(HELD, None)
    verdict = replace(verdict, interface=verdict.airflow)
    picture = resistance_picture(verdict, [], **MONTH)
    assert picture.figure is None and picture.missing == "no air is known"


def test_entries_of_the_path_are_numbered_and_told() -> None:
    entries = [
        JournalEntry(FIRST_MS + 50 * DAY_MS, EntryKind.CLEANING, "gpu0"),
        JournalEntry(FIRST_MS + 20 * DAY_MS, EntryKind.LIQUID_METAL),
        JournalEntry(FIRST_MS + 30 * DAY_MS, EntryKind.FAN, "cpu0"),
        JournalEntry(END_MS + DAY_MS, EntryKind.PADS, "gpu0"),
    ]
    said = "Journal: 1 liquid metal 21 January; 2 cleaning 20 February"
    picture = resistance_picture(made_verdict(HELD, HELD), entries, **MONTH)
    assert said in picture.svg() and picture.description.endswith(said)


def test_entries_near_each_other_share_a_label_and_many_are_no_long_line() -> None:
    entries = [JournalEntry(FIRST_MS + n * DAY_MS, EntryKind.HEATSINK_WORK, "gpu0") for n in range(30, 39)]
    words = re.findall(
        r"<text[^>]*>([^<]+)</text>", resistance_picture(made_verdict(HELD, HELD), entries, **MONTH).svg()
    )
    # Three per cent of 110 days and the room beside them are four days.
    assert [word for word in words if "\u2013" in word] == ["1\u20135", "6\u20139"]
    assert "3 more in the journal" in " ".join(words) and max(len(word) for word in words) <= 95


def test_nothing_after_the_reported_stretch_is_drawn() -> None:
    cut_ms = FIRST_MS + 80 * DAY_MS
    picture = resistance_picture(
        made_verdict(HELD, HELD), [], from_utc_ms=cut_ms - 30 * DAY_MS, to_utc_ms=cut_ms
    )
    assert picture.window.endswith("80 days with load")


def test_the_level_holds_the_truth_as_often_as_it_claims() -> None:
    truth = creep(N_DAYS, 60, 0.25)
    held = []
    for seed in range(40):
        series = made_series(seed, truth)
        level = running_level(series)
        # Against the baseline as it was measured: its own error is common to all days.
        shown = 100.0 * np.expm1(truth - series.baseline.log_value + np.log(0.2))
        inside = slice(4, -4)  # the mean of a week bends at the ends
        held.append(np.mean((level.low_pct < shown)[inside] & (shown < level.high_pct)[inside]))
    # 95 % less what seven days cannot know of their own scatter (a t of 6 degrees would need 2.45 errors).
    assert 0.88 < np.mean(held) < 0.99


def test_no_week_holds_days_before_and_after_a_sudden_change() -> None:
    step = np.where(np.arange(N_DAYS) < 60, 0.0, 0.25)
    part = made_verdict(step, HELD).interface
    assert part.series is not None
    level = running_level(part.series, part.detection)
    assert np.isnan(level.days).sum() == 1
    shown = level.pct[np.isfinite(level.pct)]
    # Five standard errors of three days around 0 and 28 %; a ramp would lie between.
    room = 5 * 100 * SCATTER / 3**0.5 * 1.28
    assert np.all((np.abs(shown) < room) | (np.abs(shown - 100.0 * np.expm1(0.25)) < room))


def test_no_line_is_drawn_over_a_long_hole() -> None:
    series = made_series(1, HELD, left_out=slice(40, 60))
    level = running_level(series)
    assert np.isnan(level.days).sum() == 1
    days = level.days[np.isfinite(level.days)]
    assert len(days) == N_DAYS - 20
    # Five standard errors of three days, beside a hole.
    assert level.pct[np.isfinite(level.pct)] == pytest.approx(0.0, abs=5 * 100 * SCATTER / 3**0.5)


def test_years_ago_one_day_in_a_week_is_drawn() -> None:
    days = np.arange(20_000.0, 20_000.0 + 5 * 365)
    days[100] = np.nan  # between two stretches
    kept = drawn_in_full(days, days[-1])
    assert kept[-400:].all() and kept[100]
    assert kept[:-401].mean() == pytest.approx(1.0 / 7.0, abs=0.01)
