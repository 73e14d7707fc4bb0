"""The picture of the fan holds temperature against like temperature, and says who has no fan that counts."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.cause import Cause
from heatdrift.reports.pictures.fan_heat import fan_picture, speeds_by_heat
from heatdrift.reports.verdict import Verdict

from ..made_verdicts import verdict

FIRST_MS = 1_767_225_600_000  # 1 January 2026
DAY_MS = 86_400_000
NOW_MS, THEN_MS = (FIRST_MS + 30 * DAY_MS, FIRST_MS + 60 * DAY_MS), (FIRST_MS, FIRST_MS + 14 * DAY_MS)
RPM = {61: 900.0, 64: 1000.0, 67: 1100.0}


def made_cells(slower: float, from_day: int = 20) -> pd.DataFrame:
    """Two months of a fan that follows the temperature, slower from a day on."""
    rows = [
        {
            "day": (pd.Timestamp(FIRST_MS, unit="ms") + pd.Timedelta(days=day)).date().isoformat(),
            "era_from_utc_ms": FIRST_MS,
            "part": "fan",
            "workload_class": f"fan1 at {low_c}-{low_c + 3} °C",
            "value": rpm * (1.0 - slower if day >= from_day else 1.0),
            "standard_error": 10.0,
            "n": 4,
            "interface_share": np.nan,
        }
        for day in range(60)
        for low_c, rpm in RPM.items()
    ]
    return pd.DataFrame(rows)


def of_fan(fan: str, pct: float = 0.0, shared_with: tuple[str, ...] = ()) -> Verdict:
    leading = "fan" if pct else "interface"
    found = verdict("gpu0", Cause.FAN, leading, onset="2026-01-21", pct=pct)
    model: Any = SimpleNamespace(fan=fan, shared_with=shared_with)
    return replace(found, model=model, era=replace(found.era, from_utc_ms=FIRST_MS))


def test_speeds_are_quartiles_of_the_time_at_a_temperature() -> None:
    cells = made_cells(0.2, from_day=30)
    cells.loc[cells["day"] >= "2026-01-31", "n"] = 12
    speeds = speeds_by_heat(cells)
    assert speeds.index.to_list() == [62.5, 65.5, 68.5]
    # Three quarters of all windows are of the later half.
    assert speeds["median"].to_list() == pytest.approx([0.8 * rpm for rpm in RPM.values()])
    assert (speeds["n_days"] == 60).all() and (speeds["n_windows"] == 30 * 4 + 30 * 12).all()


def test_a_temperature_that_was_hardly_seen_is_left_out() -> None:
    cells = made_cells(0.0)
    rare = cells.iloc[:1].assign(workload_class="fan1 at 90-93 °C")
    assert 91.5 not in speeds_by_heat(pd.concat([cells, rare])).index
    # Twice makes eight windows.
    assert 91.5 in speeds_by_heat(pd.concat([cells, rare, rare])).index


def test_a_worn_fan_is_the_title_and_both_speeds_are_told() -> None:
    picture = fan_picture(of_fan("fan1", -20.0), made_cells(0.2), (NOW_MS, THEN_MS))
    assert picture.key == "gpu0-fan"
    assert picture.title == "gpu0: fan1 turns 20 % slower at the same temperature, since 21 January"
    assert "At 67 to 70 °C it turns at 880 rpm, on its baseline days at 1,100" in picture.description
    assert "\u221220 % (\u221221 to \u221219)" in picture.description
    svg = picture.svg()
    assert "baseline" in svg and "now" in svg and "temperature of gpu0, °C" in svg
    assert picture.window == (
        "31 January to 1 March 2026, 30 days with the fan turning; "
        "baseline 1 January to 14 January 2026, 14 days with the fan turning"
    )


def test_a_fan_of_two_answers_to_the_hottest() -> None:
    picture = fan_picture(of_fan("fan1", shared_with=("cpu0",)), made_cells(0.0), (NOW_MS, None))
    assert picture.title == "gpu0: fan1 turns as fast at the same temperature as on its baseline days"
    svg = picture.svg()
    assert "the hottest of gpu0 and cpu0, °C" in svg and ">baseline<" not in svg


def test_cells_of_an_era_before_are_no_baseline() -> None:
    cells = made_cells(0.2)
    cells.loc[cells["day"] < "2026-01-21", "era_from_utc_ms"] = FIRST_MS - DAY_MS
    picture = fan_picture(of_fan("fan1"), cells, (NOW_MS, THEN_MS))
    assert picture.description.startswith("Now 880 rpm at 67 to 70 °C")


@pytest.mark.parametrize(
    ("fan", "reason"),
    [
        ("", "no fan is counted that follows this path"),
        ("fan1", "fan1 hardly turned under steady work in these days"),
    ],
)
def test_without_a_counted_fan_there_is_a_reason_and_no_drawing(fan: str, reason: str) -> None:
    picture = fan_picture(of_fan(fan), made_cells(0.0).iloc[:0], (NOW_MS, THEN_MS))
    assert picture.figure is None and picture.missing.startswith(reason)


def test_a_speed_that_was_only_asked_for_proves_nothing() -> None:
    found = of_fan("gpu0_fan")
    asked = "a speed that was only asked for proves nothing"
    found = replace(found, fan=replace(found.fan, detection=None, reason=asked))
    picture = fan_picture(found, made_cells(0.0), (NOW_MS, THEN_MS))
    assert picture.figure is None and picture.missing.startswith(asked)
