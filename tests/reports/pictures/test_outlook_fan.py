"""The fan reaches the limit when the outlook says so, and where nothing creeps there is none."""

from __future__ import annotations

import numpy as np
import pytest

from heatdrift.reports.creep_laws import CreepForecast, forecast_creep
from heatdrift.reports.pictures.outlook_fan import fan_of, outlook_picture
from heatdrift.reports.pictures.whole_path import WholePath
from heatdrift.reports.verdict import Verdict
from heatdrift.reports.verdict_outlook import PathState

from .made_pictures import DAY_MS, FIRST_MS, LIMIT_C, creep, made_state, made_verdict

N_DAYS = 120
END_MS = FIRST_MS + N_DAYS * DAY_MS
SPAN = {"from_utc_ms": END_MS - 30 * DAY_MS, "to_utc_ms": END_MS}
HELD = np.zeros(N_DAYS)
ONSET = ("2026-02-08T00:00:00Z", "2026-02-12T00:00:00Z")


def creeping(log_by_end: float) -> tuple[Verdict, PathState, CreepForecast]:
    """A joint that creeps from 10 February on."""
    one = made_verdict(creep(N_DAYS, 40, log_by_end), HELD)
    assert one.interface.series is not None
    series = one.interface.series
    forecast = forecast_creep(
        series.rows,
        ONSET,
        baseline_standard_error=series.baseline_standard_error,
        systematic_sd=0.01,
    )
    recent = 0.4 * forecast.recent_ratio + 0.6
    return one, made_state(one, (float(np.log(recent)), 0.005), forecast), forecast


def test_the_fan_reaches_the_limit_when_the_outlook_says_so() -> None:
    _, state, forecast = creeping(0.35)
    ahead = state.ahead
    assert ahead.days_to_limit is not None and ahead.ci80_days is not None and ahead.now_c is not None
    assert state.total_change is not None
    days = np.linspace(0.0, 1.2 * ahead.ci80_days[1], 80)
    fan = fan_of(WholePath.of(state), forecast, state.total_change, 0.4, days)
    # Both are read off grids: of 80 days here, of 800 on a logarithmic scale there.
    step = 2.0 * days[1]
    for edge, reached in zip(
        (fan.high_c, fan.middle_c, fan.low_c),
        (ahead.ci80_days[0], ahead.days_to_limit, ahead.ci80_days[1]),
        strict=True,
    ):
        assert float(np.interp(LIMIT_C, edge, days)) == pytest.approx(reached, abs=step)
    # Sixty levels over the fan's own height.
    height_k = float(fan.high_c[-1] - fan.low_c[0])
    assert fan.middle_c[0] == pytest.approx(ahead.now_c, abs=height_k / 30.0)
    assert np.all(fan.low_c < fan.middle_c) and np.all(fan.middle_c < fan.high_c)


def test_the_date_is_the_title_and_stands_in_the_drawing() -> None:
    one, state, forecast = creeping(0.35)
    picture = outlook_picture(one, state, forecast, **SPAN)
    assert picture.key == "gpu0-outlook"
    assert picture.title.startswith("As it goes on, gpu0 reaches 87 °C in about ")
    svg = picture.svg()
    assert "limit 87 °C" in svg and " days (" in svg and "now" in svg
    assert "four times in five from" in picture.description


def test_without_a_date_it_says_how_far_it_is_carried_on() -> None:
    one, state, forecast = creeping(0.10)
    picture = outlook_picture(one, state, forecast, **SPAN)
    assert picture.title.startswith("gpu0 creeps; no date yet, as ")
    assert picture.figure is not None and "In 90 days it would stand at" in picture.description


def test_where_nothing_creeps_there_is_a_reason_instead() -> None:
    one = made_verdict(HELD, HELD)
    picture = outlook_picture(one, made_state(one, (0.0, 0.01), None), None, **SPAN)
    assert picture.figure is None and picture.title == "How long until gpu0 reaches its limit?"
    assert picture.missing == (
        "No part of gpu0 creeps, so there is nothing to carry on. At 100 W in a room of 25 °C gpu0 stands "
        "at 75 °C, 12 K below its limit of 87 °C."
    )


def test_what_is_not_known_is_said() -> None:
    one = made_verdict(HELD, None)
    picture = outlook_picture(one, made_state(one, (0.0, 0.01), None), None, **SPAN)
    assert picture.figure is None and picture.missing == "no air is known"
