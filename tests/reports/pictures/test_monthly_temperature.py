"""The months show the temperature that a path of known parts would have."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from heatdrift.reports.pictures.monthly_temperature import monthly_temperature_picture
from heatdrift.reports.pictures.whole_path import WholePath, monthly_temperatures
from heatdrift.reports.reference_conditions import ReferenceConditions
from heatdrift.store.errors import TooFewWindowsError

from .made_pictures import DAY_MS, FIRST_MS, LIMIT_C, creep, made_state, made_verdict

N_DAYS = 120
END_MS = FIRST_MS + N_DAYS * DAY_MS
SPAN = {"from_utc_ms": END_MS - 30 * DAY_MS, "to_utc_ms": END_MS}
HELD = np.zeros(N_DAYS)
ASKED = ReferenceConditions(25.0, 100.0, 100.0)


def test_each_month_has_the_temperature_of_its_days() -> None:
    course = creep(N_DAYS, 31, 0.4)
    one = made_verdict(course, HELD)
    path = WholePath.of(made_state(one, (0.1, 0.01), None))
    assert one.interface.series is not None and one.airflow.series is not None
    found = monthly_temperatures(path, one.interface.series, one.airflow.series, to_utc_ms=END_MS)
    assert [month.name for month in found] == [
        "January 2026", "February 2026", "March 2026", "April 2026",
    ]  # fmt: skip
    begin = np.cumsum([0, 31, 28, 31, 30])
    for month, first, last in zip(found, begin[:-1], begin[1:], strict=True):
        # 0.2 K/W of the joint and 0.3 K/W of the air, at 100 W in 25 °C.
        true_c = 25.0 + 20.0 * np.exp(course[first:last].mean()) + 30.0
        # Four standard errors of a month, and those of both baselines of 14 days with 1 % a day.
        baseline_k = 50.0 * 0.01 / np.sqrt(14.0)
        assert abs(month.temperature_c - true_c) < 4.0 * np.hypot(month.standard_error_k, baseline_k)
        assert month.n_days == last - first


def test_the_title_compares_the_newest_month_with_the_first() -> None:
    one = made_verdict(creep(N_DAYS, 40, 0.3), HELD)
    picture = monthly_temperature_picture(one, made_state(one, (0.1, 0.01), None), ASKED, **SPAN)
    assert picture.title.startswith("At 100 W in a 25 °C room gpu0 would be at 8")
    assert picture.title.endswith(" K more than in January")
    assert (
        picture.key == "gpu0-monthly" and picture.window == "1 January to 30 April 2026, 120 days with load"
    )
    assert f"limit {LIMIT_C:.0f} °C" in picture.svg() and "usual" not in picture.description


def test_a_path_that_holds_is_as_it_was() -> None:
    one = made_verdict(HELD, HELD)
    picture = monthly_temperature_picture(
        one, made_state(one, (0.0, 0.01), None), ReferenceConditions(), **SPAN
    )
    assert picture.title == "At 100 W in a 25 °C room gpu0 would be at 75 °C, as in January"
    assert "100 W are what is usual under load" in picture.description


def test_nothing_after_the_reported_stretch_is_used() -> None:
    one = made_verdict(creep(N_DAYS, 60, 0.5), HELD)
    early = {"from_utc_ms": FIRST_MS, "to_utc_ms": FIRST_MS + 59 * DAY_MS}
    picture = monthly_temperature_picture(one, made_state(one, (0.0, 0.01), None), ASKED, **early)
    assert "would be at 75 °C" in picture.title and "59 days" in picture.window


@pytest.mark.parametrize("name", ["interface", "total"])
def test_what_is_not_known_is_said(name: str) -> None:
    one = made_verdict(HELD, HELD)
    unknown: dict[str, Any] = {name: None}
    state = replace(made_state(one, (0.0, 0.01), None), **unknown)
    picture = monthly_temperature_picture(one, state, ASKED, **SPAN)
    assert picture.figure is None and "the whole path is not known" in picture.missing


def test_a_month_of_two_days_is_none() -> None:
    one = made_verdict(HELD, HELD)
    path = WholePath.of(made_state(one, (0.0, 0.01), None))
    assert one.interface.series is not None and one.airflow.series is not None
    with pytest.raises(TooFewWindowsError, match="no month has 3 days"):
        monthly_temperatures(path, one.interface.series, one.airflow.series, to_utc_ms=FIRST_MS + 2 * DAY_MS)
