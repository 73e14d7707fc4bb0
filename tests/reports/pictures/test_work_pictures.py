"""The pictures of one source's work are always three; what cannot be drawn says why."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from heatdrift.reports.pictures import work_pictures as module
from heatdrift.reports.pictures.picture import Picture
from heatdrift.reports.pictures.work_pictures import baseline_days, work_pictures
from heatdrift.reports.verdict import Verdict
from heatdrift.store.errors import AnalysisError

from .made_pictures import DAY_MS, FIRST_MS, made_verdict
from .test_clocks import made_frame
from .test_fan_heat import made_cells

N_DAYS = 70
VERDICT = made_verdict(np.zeros(N_DAYS), None)
MONTH_MS = FIRST_MS + 40 * DAY_MS, FIRST_MS + 70 * DAY_MS


def pictures_of(frame: pd.DataFrame, verdict: Verdict = VERDICT) -> list[Picture]:
    """The pictures of a month of a machine with one source."""

    def source_frame(_: str, from_ms: int, to_ms: int) -> pd.DataFrame:
        begin, end = (pd.Timestamp(one, unit="ms", tz="UTC") for one in (from_ms, to_ms))
        return frame[(frame.index >= begin) & (frame.index < end)]

    reader: Any = SimpleNamespace(source_frame=source_frame)
    derived: Any = SimpleNamespace(cells=lambda *_: made_cells(0.0))
    derivation: Any = None
    return work_pictures(reader, derived, derivation, verdict, from_utc_ms=MONTH_MS[0], to_utc_ms=MONTH_MS[1])


def whole() -> pd.DataFrame:
    frame = made_frame(FIRST_MS, n=N_DAYS)
    return frame.assign(temperature_c=np.where(frame["power_w"] > 100.0, 75.0, 40.0))


def test_three_pictures_hold_the_month_against_the_baseline() -> None:
    found = pictures_of(whole())
    assert [one.key for one in found] == ["gpu0-clocks", "gpu0-fan", "gpu0-cycles"]
    clocks, fan, cycles = found
    assert "baseline 1 January to 14 January 2026, 14 days" in clocks.window
    for one in (clocks, cycles):
        assert one.window.startswith("10 February to 11 March 2026, 30 days")
    assert fan.figure is None and fan.missing.startswith("no fan is counted")


def test_all_text_follows_the_theme_of_its_page() -> None:
    for one in pictures_of(whole()):
        opened = re.findall(r"<text[^>]*>", one.svg())
        assert (one.figure is None) == (not opened)
        assert all("fill: var(--" in text for text in opened)


def test_clocks_of_an_era_that_began_within_the_month_are_its_own() -> None:
    era = replace(VERDICT.era, from_utc_ms=FIRST_MS + 55 * DAY_MS)
    clocks, _, cycles = pictures_of(whole(), replace(VERDICT, era=era))
    assert clocks.window.startswith("25 February to 11 March 2026, 15 days")
    assert cycles.window.startswith("10 February to 11 March 2026, 30 days")


def test_a_baseline_within_the_month_is_not_held_against_itself() -> None:
    assert baseline_days(VERDICT, FIRST_MS + 14 * DAY_MS) == (FIRST_MS, FIRST_MS + 14 * DAY_MS)
    assert baseline_days(VERDICT, FIRST_MS + 13 * DAY_MS) is None


def test_a_month_without_a_row_leaves_three_reasons() -> None:
    frame = whole()
    for one in pictures_of(frame[frame.index < pd.Timestamp(MONTH_MS[0], unit="ms", tz="UTC")]):
        assert one.figure is None and one.missing


def test_what_cannot_be_analysed_says_why(monkeypatch: Any) -> None:
    def refuse(*_: object) -> None:
        raise AnalysisError("not identifiable: nothing varies")

    monkeypatch.setattr(module, "cycles_picture", refuse)
    cycles = pictures_of(whole())[2]
    assert cycles.key == "gpu0-cycles" and cycles.missing == "not identifiable: nothing varies"
