"""A thermometer that goes off shows at idle; the weather does not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.idle_series import KELVIN_PER_LOG, idle_series, in_its_unit
from heatdrift.reports.judged_part import JudgedPart, judged_part
from heatdrift.reports.part_settings import IDLE_SETTINGS
from heatdrift.reports.thermometer import is_plain_step
from heatdrift.store.errors import AnalysisError

N_DAYS, OFF_DAY, OFF_K = 80, 50, 3.0


def cells(values_k: np.ndarray, workload_class: str, error_k: float = 0.3) -> pd.DataFrame:
    days = pd.date_range("2026-01-01", periods=len(values_k)).strftime("%Y-%m-%d")
    return pd.DataFrame(
        {
            "day": days,
            "part": "idle",
            "workload_class": workload_class,
            "value": values_k,
            "standard_error": error_k,
            "n": 20,
        }
    )


def two_sources(rng: np.random.Generator, off_k: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Both go with a room that swings by eight kelvin over the season and by two from day to day."""
    age = np.arange(N_DAYS)
    room_k = 4.0 * np.sin(age / 30.0) + 2.0 * rng.standard_normal(N_DAYS)
    off = np.where(age >= OFF_DAY, off_k, 0.0)
    own = 38.0 + room_k + off + 0.2 * rng.standard_normal(N_DAYS)
    other = 35.0 + room_k + 0.2 * rng.standard_normal(N_DAYS)
    return cells(own, "as read"), cells(other, "as read")


def judged(own: pd.DataFrame, beside: list[pd.DataFrame]) -> JudgedPart:
    return judged_part("idle", lambda: idle_series(own, beside), IDLE_SETTINGS)


@pytest.mark.parametrize("off_k", [OFF_K, -OFF_K])
def test_an_offset_is_found_beside_another_source(off_k: float) -> None:
    own, other = two_sources(np.random.default_rng(1), off_k)
    part = judged(own, [other])
    found = part.changed_by
    change_k, (low_k, high_k), unit = in_its_unit("idle", found.change_pct, found.change_ci95_pct)
    assert unit == "K"
    assert low_k <= off_k <= high_k
    assert abs(change_k - off_k) < 0.5  # days scatter by 0.3 K
    assert found.shape == "step"
    assert abs((pd.Timestamp(found.onset_utc or "") - pd.Timestamp("2026-02-20", tz="UTC")).days) <= 2


def test_weather_and_season_are_no_offset() -> None:
    for seed in range(10):
        own, other = two_sources(np.random.default_rng(seed), 0.0)
        assert not judged(own, [other]).is_changed


def test_a_probe_needs_nobody_beside() -> None:
    rng = np.random.default_rng(3)
    level = 9.0 + np.where(np.arange(N_DAYS) >= OFF_DAY, OFF_K, 0.0) + 0.3 * rng.standard_normal(N_DAYS)
    assert judged(cells(level, "above the air"), []).is_changed


def test_alone_and_without_a_probe_nobody_knows() -> None:
    own, _ = two_sources(np.random.default_rng(1), OFF_K)
    with pytest.raises(AnalysisError, match="no other source"):
        idle_series(own, [])


def test_a_fan_that_turns_on_some_idle_days_is_no_thermometer() -> None:
    """It makes two levels that come and go; a thermometer that went off has one before and one after."""
    rng = np.random.default_rng(4)
    age = np.arange(N_DAYS)
    turns = np.where(age < OFF_DAY, age % 6 == 0, age % 6 != 0)  # one day in six is on the other level
    scatter = 0.1 * rng.standard_normal(N_DAYS)
    for level, is_plain in ((9.0 - OFF_K * turns, False), (9.0 - OFF_K * (age >= OFF_DAY), True)):
        series = idle_series(cells(level + scatter, "above the air"), [])
        onset = pd.Timestamp("2026-01-01", tz="UTC") + pd.Timedelta(days=OFF_DAY)
        change_pct = 100.0 * np.expm1(-OFF_K / KELVIN_PER_LOG)
        assert is_plain_step(series, onset, change_pct) is is_plain
        assert not is_plain_step(series, onset + pd.Timedelta(days=N_DAYS), change_pct)  # nothing after it
