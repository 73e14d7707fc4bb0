"""The picture of the cycles counts what was swung through, a day of the record each."""

from __future__ import annotations

import numpy as np
import pandas as pd

from heatdrift.reports.pictures.thermal_cycles import cycles_picture

FIRST_MS = 1_767_225_600_000  # 1 January 2026
DAY_MS = 86_400_000
N_DAYS = 10
NOW_MS, THEN_MS = (FIRST_MS + 20 * DAY_MS, FIRST_MS + 30 * DAY_MS), (FIRST_MS, FIRST_MS + 10 * DAY_MS)


def swings(begin_ms: int, n_a_day: int, from_c: float, to_c: float, n_days: int = N_DAYS) -> pd.DataFrame:
    """A reading a minute; half of each swing is spent at either end."""
    minute = np.arange(n_days * 1440)
    is_hot = (minute * n_a_day * 2 // 1440) % 2 == 1
    return pd.DataFrame(
        {"temperature_c": np.where(is_hot, to_c, from_c)},
        index=pd.to_datetime(begin_ms + 60_000 * minute, unit="ms", utc=True),
    )


def test_cycles_are_counted_a_day_and_the_baseline_beside_them() -> None:
    now, then = swings(NOW_MS[0], 6, 40.0, 75.0), swings(THEN_MS[0], 3, 40.0, 75.0)
    picture = cycles_picture("gpu0", now, then, (NOW_MS, THEN_MS))
    assert picture.key == "gpu0-cycles"
    # 60 swings of 35 K in ten days, the last of which is not closed; hot for half of 240 hours.
    assert picture.title == (
        "gpu0: 6.0 cycles of 20 K or more a day, 3.0 on its baseline days; 120 h at 70 °C or more"
    )
    assert "30\u201340 K 59.5, 40" in picture.description
    assert "had 29.5 cycles in 240 hours" in picture.description
    svg = picture.svg()
    assert "59.5" in svg and "120 h" in svg and "baseline" in svg and "cycles a day" in svg
    assert picture.window == (
        "21 January to 30 January 2026, 10 days with readings; "
        "baseline 1 January to 10 January 2026, 10 days with readings"
    )


def test_what_was_never_hot_is_said_to() -> None:
    picture = cycles_picture("gpu0", swings(NOW_MS[0], 6, 40.0, 48.0), None, (NOW_MS, None))
    assert picture.title == "gpu0: 0.0 cycles of 20 K or more a day; never at 70 °C"
    assert "baseline" not in picture.svg() and picture.svg().count("none</text>") == 3


def test_a_day_that_was_not_recorded_counts_for_nothing() -> None:
    whole = swings(NOW_MS[0], 6, 40.0, 95.0)
    half = whole[pd.DatetimeIndex(whole.index).day % 2 == 1]
    picture = cycles_picture("gpu0", half, None, (NOW_MS, None))
    # 30 swings in five days, the last of which is not closed.
    assert picture.title.startswith("gpu0: 5.9 cycles of 20 K or more a day; 60 h at 90 °C")
    assert picture.window.endswith("5 days with readings")


def test_less_than_a_day_has_a_reason_and_no_drawing() -> None:
    picture = cycles_picture("gpu0", swings(NOW_MS[0], 6, 40.0, 75.0).iloc[:180], None, (NOW_MS, None))
    assert picture.figure is None
    assert picture.missing == "3 hours of temperature were recorded, 24 are needed"
