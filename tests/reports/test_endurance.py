"""Stretches of load and what was sustained in them, against loads whose truth is written down here."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.endurance import HELD_DOWN, compare_sustained, like_work
from heatdrift.reports.load_stretches import load_stretches, load_threshold_w, minutes_of_load

START = pd.Timestamp("2026-03-01T00:00:00Z")
IDLE_W, LOAD_W = 15.0, 150.0


def rows_of(
    lengths_min: list[float],
    *,
    fall_mhz: float = 0.0,
    held_pct: float = 0.0,
    utilization_pct: float = 97.0,
    seed: int = 1,
) -> pd.DataFrame:
    """A look every five seconds: ten minutes of idle before each load; the clock falls over its first ten."""
    rng = np.random.default_rng(seed)
    parts = []
    for length_min in lengths_min:
        idle, load = np.arange(0, 600, 5.0), np.arange(0, 60 * length_min, 5.0)
        fallen = fall_mhz * np.minimum(load / 600.0, 1.0)
        parts.append(
            pd.DataFrame({"power_w": IDLE_W, "clock_mhz": 300.0, "utilization_pct": 2.0}, index=idle)
        )
        level_mhz = 1800.0 + 10.0 * rng.standard_normal()
        loaded = {
            "power_w": LOAD_W,
            "clock_mhz": level_mhz - fallen,
            "temperature_c": 80.0,
            "utilization_pct": utilization_pct,
            "thermal_limited_pct": held_pct + 2.0 * rng.random(),
        }
        parts.append(pd.DataFrame(loaded, index=load))
    frame = pd.concat(parts)
    frame.index = START + pd.to_timedelta(5.0 * np.arange(len(frame)), unit="s")
    return frame.assign(memory_utilization_pct=np.nan, power_limited_pct=np.nan)


def test_stretches_are_found_with_their_lengths() -> None:
    found = load_stretches(rows_of([3.0, 30.0, 11.0]))
    assert list(found["length_s"]) == pytest.approx([180.0, 1800.0, 660.0], abs=10.0)  # a bin
    assert found.index[0] == START + pd.Timedelta(minutes=10)
    # Too short for its minute twenty, or its fifth: missing.
    assert list(found["clock_mhz_after_20_min"].notna()) == [False, True, False]
    assert list(found["clock_mhz_after_5_min"].notna()) == [False, True, True]
    assert found["clock_mhz_minute_1"].notna().all()
    assert found["memory_utilization_pct_minute_1"].isna().all()


def test_a_loading_screen_is_part_of_the_work_and_a_gap_is_not() -> None:
    frame = rows_of([20.0])
    at_s = (pd.DatetimeIndex(frame.index) - START).total_seconds()
    dip = frame.assign(power_w=frame["power_w"].where((at_s < 1000) | (at_s >= 1020), IDLE_W))
    assert len(load_stretches(dip)) == 1
    gap = frame[(at_s < 1000) | (at_s >= 1300)]
    assert list(load_stretches(gap)["length_s"]) == pytest.approx([400.0, 500.0], abs=10.0)


def test_a_day_by_itself_gives_what_it_gives_in_its_week() -> None:
    frame = rows_of([30.0, 12.0, 40.0])
    whole = load_stretches(frame)
    part = load_stretches(frame.iloc[frame.index.searchsorted(whole.index[1]) - 30 :])
    pd.testing.assert_frame_equal(part, whole.iloc[1:], check_freq=False)


def test_minutes_show_the_fall_of_the_clock() -> None:
    minutes = minutes_of_load(rows_of([30.0] * 5, fall_mhz=200.0))
    assert list(minutes["n"][:30]) == [5] * 30 and minutes["n"].iloc[35] == 0
    fall_mhz = minutes["clock_mhz"].loc[1] - minutes["clock_mhz"].loc[20]
    assert fall_mhz == pytest.approx(200.0 - 10.0, abs=3.0)  # half a minute of it lies in minute 1
    assert np.isnan(minutes["clock_mhz"].loc[40])


def test_what_a_short_run_hides_is_seen() -> None:
    before = load_stretches(rows_of([30.0] * 12, fall_mhz=180.0, held_pct=20.0))
    after = load_stretches(rows_of([30.0] * 12, held_pct=0.0, seed=2))
    found = compare_sustained(before, after)
    late, early = found["clock after 20 min"], found["clock after 5 min"]
    assert late.before == pytest.approx(1620.0, abs=10.0) and late.unit == "MHz"
    assert late.ci95 is not None and late.ci95[0] <= 100 * 180 / 1620 <= late.ci95[1]
    assert early.change is not None and late.change is not None and early.change < late.change
    held = found[HELD_DOWN]
    assert held.ci95 is not None and held.ci95[0] <= -20.0 <= held.ci95[1]


def test_intervals_hold_the_truth() -> None:
    inside = []
    for seed in range(60):
        before = load_stretches(rows_of([11.0] * 8, seed=2 * seed))
        after = load_stretches(rows_of([11.0] * 8, fall_mhz=20.0, seed=2 * seed + 1))
        quantity = compare_sustained(before, after)["clock after 5 min"]
        assert quantity.ci95 is not None
        inside.append(quantity.ci95[0] <= -100 * 20 * 0.75 / 1800 <= quantity.ci95[1])
    # Between minutes 5 and 10 three quarters of the fall are over. 95 % claimed; 60 draws know it to 2.8 %.
    assert 0.90 <= np.mean(inside) <= 0.99


def test_only_like_work_is_compared() -> None:
    hard, easy = ([30.0] * 6, [30.0] * 6)
    before = load_stretches(rows_of(hard))
    after = load_stretches(rows_of(easy, utilization_pct=45.0))
    assert "no like work" in compare_sustained(before, after)["clock after 20 min"].reason


def test_too_little_is_said_to_be_too_little() -> None:
    before = load_stretches(rows_of([30.0] * 6))
    few = compare_sustained(before, load_stretches(rows_of([30.0, 8.0])))
    assert "1 stretch of 25 min after, 4 are needed" in few["clock after 20 min"].reason
    without = rows_of([30.0] * 6).assign(clock_mhz=np.nan, thermal_limited_pct=np.nan)
    silent = compare_sustained(before, load_stretches(without))
    assert "nothing was recorded after" in silent["clock after 5 min"].reason
    assert silent[HELD_DOWN].change is None
    idle = rows_of([10.0]).assign(power_w=np.nan)
    assert not len(load_stretches(idle))


def observed(values: list[float], utilization_pct: list[float]) -> pd.DataFrame:
    frame = load_stretches(rows_of([11.0] * len(values)))
    return frame.assign(clock_mhz_after_5_min=values, utilization_pct_after_5_min=utilization_pct)


def test_intervals_hold_the_truth_where_sides_differ_in_number_and_spread() -> None:
    rng = np.random.default_rng(5)
    inside = []
    before, after = observed([0.0] * 12, [97.0] * 12), observed([0.0] * 4, [97.0] * 4)
    for _ in range(200):
        one = before.assign(clock_mhz_after_5_min=1800.0 + 10.0 * rng.standard_normal(12))
        two = after.assign(clock_mhz_after_5_min=1800.0 + 30.0 * rng.standard_normal(4))
        quantity = compare_sustained(one, two)["clock after 5 min"]
        assert quantity.ci95 is not None
        inside.append(quantity.ci95[0] <= 0.0 <= quantity.ci95[1])
    # 95 % claimed; 200 draws know it to 1.5 %, twice that on either side.
    assert 0.92 <= np.mean(inside) <= 0.98


def test_work_that_is_rarely_alike_gives_no_interval_out_of_nothing() -> None:
    before = observed([1800.0, 1810.0, 1790.0, 1805.0, 1795.0, 1800.0], [97.0] * 6)
    after = observed([1600.0, 1700.0, 1650.0, 1620.0], [97.0, 75.0, 55.0, 35.0])
    quantity = compare_sustained(before, after)["clock after 5 min"]
    assert quantity.change is None and "too little like work" in quantity.reason


def test_unknown_work_is_no_like_work() -> None:
    before = observed([1800.0] * 6, [np.nan] * 6)
    after = observed([1500.0] * 6, [np.nan] * 6)
    quantity = compare_sustained(before, after)["clock after 5 min"]
    assert quantity.change is None and "how busy" in quantity.reason


def test_works_on_both_sides_of_a_round_number_are_alike() -> None:
    before = observed([1800.0, 1810.0, 1790.0, 1805.0], [59.0, 59.5, 58.5, 59.0])
    after = observed([1700.0, 1710.0, 1690.0, 1705.0], [61.0, 60.5, 61.5, 61.0])
    quantity = compare_sustained(before, after)["clock after 5 min"]
    assert quantity.change == pytest.approx(100.0 * (1701.25 / 1801.25 - 1.0), abs=1e-9)


def test_classes_end_in_gaps_and_are_never_wide() -> None:
    in_groups = np.array([38.0, 42.0, 59.0, 61.0, 99.0, 100.0])
    none = np.full(6, np.nan)
    classes = like_work(in_groups, none)
    assert classes[2] == classes[3] and classes[4] == classes[5] and classes[0] == classes[1]
    assert len(set(classes)) == 3
    # A chain without a gap is cut all the same.
    utilization_pct = np.random.default_rng(3).uniform(0.0, 100.0, 400)
    memory_pct = np.random.default_rng(4).uniform(0.0, 100.0, 400)
    found = pd.DataFrame({"busy": utilization_pct, "memory": memory_pct}).groupby(
        like_work(utilization_pct, memory_pct)
    )
    width = found.max() - found.min()
    assert width["busy"].max() <= 20.0 and width["memory"].max() <= 25.0
    half = like_work(utilization_pct, memory_pct, 0.5)
    assert len(set(half)) > 2 * len(width)
    assert pd.Series(utilization_pct).groupby(half).agg(np.ptp).max() <= 10.0


def test_no_memory_is_not_an_idle_memory() -> None:
    classes = like_work([97.0, 97.0, np.nan], [np.nan, 0.0, 0.0])
    assert len(set(classes)) == 3 and classes[2] == -1


def test_a_light_day_by_itself_gives_what_it_gives_in_its_week_with_one_threshold() -> None:
    heavy, light = rows_of([30.0] * 4), rows_of([30.0, 12.0])
    light.index += pd.Timedelta(days=1)
    is_load, is_later = light["power_w"] > IDLE_W, light.index >= light.index[0] + pd.Timedelta(minutes=45)
    light.loc[is_load, "power_w"] = np.where(is_later[is_load], 40.0, 80.0)
    week = pd.concat([heavy, light])
    load_w = load_threshold_w(week)
    assert load_w is not None and 40.0 < load_w < 80.0
    alone, within = load_stretches(light, load_w), load_stretches(week, load_w)
    pd.testing.assert_frame_equal(alone, within[within.index >= light.index[0]], check_freq=False)
    assert len(alone) == 1 and len(within) == 5
    assert len(load_stretches(light)) == 2  # by its own measure the lighter work is load too
    assert minutes_of_load(light, load_w)["n"].max() == 1
    assert load_threshold_w(light.assign(power_w=np.nan)) is None


def test_years_between_two_stretches_change_nothing_in_what_load_is() -> None:
    early, late = rows_of([30.0] * 4), rows_of([30.0, 12.0])
    late["power_w"] *= 1.3
    found = set()
    for years in (1, 3):
        late.index += pd.Timedelta(days=365 * years)
        found |= {load_threshold_w(early, late), load_threshold_w(pd.concat([early, late]))}
    assert len(found) == 1 and None not in found
