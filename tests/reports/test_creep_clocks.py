"""Clocks against days that are written down here."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.creep_clocks import (
    CYCLES,
    DAYS,
    HOT_HOURS,
    USUAL_RATE_MONTHS,
    USUAL_RATE_SPREAD,
    clocks,
)

FIRST = 20_000  # days since 1970


def exposure(cycles: list[float], hot_h: list[float] | None = None, first: int = FIRST) -> pd.DataFrame:
    dates = np.datetime_as_string((first + np.arange(len(cycles))).astype("datetime64[D]"))
    hot = [0.0] * len(cycles) if hot_h is None else hot_h
    return pd.DataFrame({"cycles": cycles, "hot_h": hot}, pd.Index(dates.astype(object), name="day"))


def test_a_clock_adds_up_and_stands_still_while_the_machine_is_off() -> None:
    uneven = exposure([4.0, 2.0, 8.0, 6.0] * 15, [1.0] * 60).drop(index="2024-10-06")  # the third day
    calendar, cycles, hot_hours = clocks(uneven, FIRST, FIRST + 59)
    assert (calendar.name, cycles.name, hot_hours.name) == (DAYS, CYCLES, HOT_HOURS)
    # in the middle of the second, third and fourth day
    assert cycles.at([FIRST + 1, FIRST + 2, FIRST + 3]).tolist() == [5.0, 6.0, 9.0]
    assert calendar.at([FIRST, FIRST + 10]).tolist() == [0.5, 10.5]
    assert cycles.rate_per_day == pytest.approx(sum(([4.0, 2.0, 8.0, 6.0] * 15)[30:]) / 30.0)
    assert hot_hours.rate_per_day == pytest.approx(1.0)


def test_the_spread_of_months_is_learned() -> None:
    steady = clocks(exposure([5.0] * 300), FIRST, FIRST + 299)[1]
    restless = clocks(exposure(([2.0] * 30 + [8.0] * 30) * 5), FIRST, FIRST + 299)[1]
    unknown = clocks(exposure([5.0] * 40), FIRST, FIRST + 39)[1]
    assert unknown.rate_spread == pytest.approx(USUAL_RATE_SPREAD)
    # ten months have nine differences, of 0 or of 6 on a mean of 5
    prior = USUAL_RATE_MONTHS * USUAL_RATE_SPREAD**2
    assert steady.rate_spread == pytest.approx(math.sqrt(prior / 11.0))
    assert restless.rate_spread == pytest.approx(math.sqrt((prior + 9 * 1.2**2) / 11.0))


def test_what_was_not_counted_is_no_clock() -> None:
    assert [one.name for one in clocks(None, FIRST, FIRST + 50)] == [DAYS]
    late = exposure([5.0] * 30, first=FIRST + 20)
    assert [one.name for one in clocks(late, FIRST, FIRST + 49)] == [DAYS]
    cold = exposure([5.0] * 50)  # never hot at all
    assert [one.name for one in clocks(cold, FIRST, FIRST + 49)] == [DAYS, CYCLES]
