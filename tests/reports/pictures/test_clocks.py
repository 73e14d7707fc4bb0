"""The picture of the clocks says what a source loses under long load, and nothing where nobody can know."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.pictures.clocks import clocks_picture
from heatdrift.reports.pictures.minute_clocks import minute_clocks
from heatdrift.reports.pictures.picture import Picture

BASE_MS = 1_767_225_600_000  # 1 January 2026
DAY_MS = 86_400_000
NOW_MS, THEN_MS = (BASE_MS + 40 * DAY_MS, BASE_MS + 70 * DAY_MS), (BASE_MS, BASE_MS + 14 * DAY_MS)
EARLY_MHZ, SCATTER_MHZ = 2200.0, 3.0
LOAD_W = 100.0


def made_frame(
    begin_ms: int, *, loses_mhz: float = 0.0, load_min: int = 40, n: int = 8, heat_pct: float = np.nan
) -> pd.DataFrame:
    """Days of one stretch of load each; the clock falls in a straight line from minute 2 to minute 20."""
    rng = np.random.default_rng(1)
    frames = []
    for number in range(n):
        since_s = np.arange(-600.0, 60.0 * load_min, 10.0)
        is_load = since_s >= 0.0
        lost_mhz = loses_mhz * np.clip((since_s / 60.0 - 2.0) / 18.0, 0.0, 1.0)
        clock_mhz = EARLY_MHZ - lost_mhz + SCATTER_MHZ * rng.standard_normal()
        at_ms = begin_ms + number * DAY_MS + 1000 * (since_s + 43_200.0)
        frames.append(
            pd.DataFrame(
                {
                    "power_w": np.where(is_load, 150.0, 15.0),
                    "clock_mhz": np.where(is_load, clock_mhz, 300.0),
                    "utilization_pct": np.where(is_load, 98.0, 1.0),
                    "memory_utilization_pct": np.where(is_load, 40.0, 0.0),
                    "thermal_limited_pct": np.where(lost_mhz > 0.0, heat_pct, 0.0 * heat_pct),
                },
                index=pd.to_datetime(at_ms.astype("int64"), unit="ms", utc=True),
            )
        )
    return pd.concat(frames)


def picture_of(now: pd.DataFrame, then: pd.DataFrame | None = None) -> Picture:
    then_ms = None if then is None else THEN_MS
    return clocks_picture("gpu0", now, then, (NOW_MS, then_ms))


def test_a_clock_that_holds_is_said_to() -> None:
    picture = picture_of(made_frame(NOW_MS[0]))
    assert picture.key == "gpu0-clocks"
    # Every stretch is scattered as a whole, so early and late are the same number.
    early, late = picture.title.removeprefix("gpu0 keeps its clock: ").split(" MHz in minute 1, ")
    assert early == late.removesuffix(" after 20 minutes") and early.startswith("2,")
    assert "held down" not in picture.svg() and "was not recorded" in picture.description
    assert picture.window == "10 February to 11 March 2026, 8 days with long load"


def test_what_is_lost_is_told_beside_the_baseline() -> None:
    now, then = made_frame(NOW_MS[0], loses_mhz=130.0, heat_pct=80.0), made_frame(THEN_MS[0], heat_pct=80.0)
    picture = picture_of(now, then)
    assert picture.title == (
        "gpu0 loses 130 MHz from minute 1 to what it holds after 20 minutes, 0 on its baseline days"
    )
    svg = picture.svg()
    assert "baseline, 8 stretches" in svg and "now, 8 stretches" in svg and "by heat, %" in svg
    # 130 of 2,200 MHz; the same scatter on both sides.
    assert "At like work the late clock has changed by \u22125.9 %" in picture.description
    assert "Heat held the clock down for 80 % of the time after 20 minutes" in picture.description
    assert picture.window.endswith("baseline 1 January to 14 January 2026, 8 days with long load")


def test_a_clock_that_holds_at_less_than_it_used_to_is_no_good_news() -> None:
    now = made_frame(NOW_MS[0])
    now["clock_mhz"] *= 0.95
    picture = picture_of(now, made_frame(THEN_MS[0]))
    assert picture.title == "gpu0 keeps its clock through a long run, 5.0 % below its baseline days"
    assert picture_of(made_frame(NOW_MS[0]), made_frame(THEN_MS[0])).title.startswith(
        "gpu0 keeps its clock: "
    )


def test_light_work_that_ends_soon_stands_in_no_minute() -> None:
    short = made_frame(NOW_MS[0] + 10 * DAY_MS, load_min=6, n=20)
    short["clock_mhz"] = np.where(short["power_w"] > LOAD_W, 3000.0, 300.0)
    found = minute_clocks(pd.concat([made_frame(NOW_MS[0], loses_mhz=130.0), short]), LOAD_W)
    assert not isinstance(found, str)
    assert found.n[0] == 8 and found.all_until == 40
    # The mean of eight is within four of its standard errors.
    assert found.early_mhz == pytest.approx(EARLY_MHZ, abs=4.0 * SCATTER_MHZ / np.sqrt(8))
    # In a straight line: minute 11 lies in the middle, 10.5 to within the scatter's median.
    assert found.median_mhz[10] == pytest.approx(EARLY_MHZ - 130.0 * 8.5 / 18.0, abs=2.0 * SCATTER_MHZ)


def test_stretches_that_all_end_before_minute_20_are_told_to_minute_10() -> None:
    picture = picture_of(made_frame(NOW_MS[0], load_min=15))
    assert picture.title.endswith(" after 5 minutes")


def test_limit_reasons_stand_for_a_share_that_was_not_had() -> None:
    frame = made_frame(NOW_MS[0]).drop(columns="thermal_limited_pct")
    frame["limit_reasons"] = pd.array(np.where(frame["power_w"] > LOAD_W, 0x20, 0), "Int64")
    found = minute_clocks(frame, LOAD_W)
    assert not isinstance(found, str) and found.held_pct is not None
    assert found.held_pct == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"n": 3}, "3 stretches of ten minutes of even load, 4 are needed"),
        ({"load_min": 6}, "0 stretches of ten minutes of even load, 4 are needed"),
    ],
)
def test_too_little_load_has_a_reason_and_no_drawing(changed: dict[str, int], reason: str) -> None:
    picture = picture_of(made_frame(NOW_MS[0], **changed))
    assert picture.figure is None and picture.missing.startswith(reason)


def test_a_clock_that_was_never_had_is_no_number() -> None:
    picture = picture_of(made_frame(NOW_MS[0]).assign(clock_mhz=np.nan))
    assert picture.figure is None and picture.missing == "its clock was not had"
    assert picture_of(made_frame(NOW_MS[0]).iloc[:0]).missing == "nothing was recorded of its power"
