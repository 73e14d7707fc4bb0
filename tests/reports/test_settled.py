"""Settled windows: found where a one-pole path has settled, and nowhere else."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.grid import Grid, row_spans_s
from heatdrift.reports.settled import reading_error_k, reading_grid_k, settled_windows
from heatdrift.store.errors import AnalysisError
from heatdrift.store.records import Cadence

ROOM_C, RESISTANCE_K_PER_W, TAU_S = 22.0, 0.4, 90.0
START = pd.Timestamp("2026-01-05T00:00:00Z")
PERIOD_S = 5.0


def recorded(powers_w: np.ndarray, grid_k: float = 0.001) -> pd.DataFrame:
    """Rows every 5 s of a source with one resistance and one time constant."""
    kept, rise_k, rises = np.exp(-PERIOD_S / TAU_S), RESISTANCE_K_PER_W * powers_w[0], []
    for power_w in powers_w:
        rise_k = RESISTANCE_K_PER_W * power_w + (rise_k - RESISTANCE_K_PER_W * power_w) * kept
        rises.append(rise_k)
    index = pd.DatetimeIndex(START + pd.to_timedelta(np.arange(len(powers_w)) * PERIOD_S, "s"))
    return pd.DataFrame(
        {
            "temperature_c": np.round((ROOM_C + np.array(rises)) / grid_k) * grid_k,
            "power_w": powers_w,
            "cadence": int(Cadence.LOAD),
        },
        index=index,
    )


def minutes_of(frame: pd.DataFrame) -> np.ndarray:
    return (pd.DatetimeIndex(frame.index) - START).total_seconds().to_numpy() / 60.0


def work(*stretches: tuple[float, float]) -> np.ndarray:
    """Power of stretches of (minutes, watts)."""
    return np.concatenate([np.full(round(minutes * 60 / PERIOD_S), watts) for minutes, watts in stretches])


def test_settled_rise_over_power_is_the_resistance() -> None:
    windows = settled_windows(recorded(work((30, 10.0), (30, 100.0), (30, 60.0))))
    rise_k = windows["temperature_c"] - ROOM_C
    # At 0.2 K/min a time constant of 90 s is still 0.3 K from the end: of 24 K and more, and 4 K at idle.
    assert (abs(rise_k - RESISTANCE_K_PER_W * windows["power_w"]) < 0.31).all()
    assert set(windows["power_w"].round()) == {10.0, 60.0, 100.0}


def test_no_window_before_the_sink_has_answered() -> None:
    windows = settled_windows(recorded(work((30, 10.0), (30, 100.0))))
    hot = 60.0 * (minutes_of(windows) - 30.0)[windows["power_w"] > 50.0]
    assert hot.min() > 4 * TAU_S  # three bins of 120 s lie before, and the middle of its own
    assert hot.max() > 25 * 60.0


def test_power_that_swings_never_settles() -> None:
    swinging = np.where(np.arange(1440) // 24 % 2, 40.0, 120.0)  # two minutes each
    assert settled_windows(recorded(swinging)).empty


def test_another_source_that_starts_unsettles_this_one() -> None:
    mine, other = work((60, 50.0)), work((30, 5.0), (30, 60.0))
    frame = recorded(mine)
    windows = settled_windows(frame, {"cpu0": recorded(other)})
    minutes = minutes_of(windows)
    assert not ((minutes > 30.0) & (minutes < 36.0)).any()
    assert set(windows["power_w.cpu0"].round()) == {5.0, 60.0}


def test_fan_that_changes_unsettles() -> None:
    frame = recorded(work((60, 50.0)))
    speed = pd.Series(np.where(np.arange(len(frame)) < len(frame) // 2, 2000.0, 3000.0), frame.index)
    windows = settled_windows(frame, fans={"fan1": speed})
    minutes = minutes_of(windows)
    assert not ((minutes > 30.0) & (minutes < 34.0)).any()
    assert sorted(windows["speed.fan1"].unique()) == [2000.0, 3000.0]


def test_nothing_is_drawn_across_a_gap() -> None:
    frame = recorded(work((60, 50.0)))
    minutes = minutes_of(frame)
    windows = settled_windows(frame[(minutes < 20.0) | (minutes > 40.0)])
    at_min = minutes_of(windows)
    assert not ((at_min > 20.0) & (at_min < 46.0)).any()
    assert (at_min > 46.0).any()


def test_missing_stays_missing() -> None:
    frame = recorded(work((60, 50.0)))
    frame.iloc[:360, 0] = np.nan  # no temperature in the first half hour
    windows = settled_windows(frame)
    assert (windows.index > START + pd.Timedelta(minutes=30)).all()
    assert windows["temperature_c"].notna().all()


def test_a_day_gives_the_same_windows_alone_as_within_more() -> None:
    frame = recorded(work(*[(40.0, watts) for watts in (10.0, 90.0, 30.0, 70.0)] * 12))
    day = START + pd.Timedelta(days=1)
    whole = settled_windows(frame)
    alone = settled_windows(frame[frame.index >= day])
    later = day + pd.Timedelta(minutes=40)  # what lags knew of the day before is forgotten by the case last
    shared = ["temperature_c", "power_w", "slope_k_per_min"]
    # Sums over other rows round otherwise.
    pd.testing.assert_frame_equal(
        whole.loc[whole.index >= later, shared], alone.loc[alone.index >= later, shared], rtol=1e-12
    )


def test_late_heat_explains_what_has_not_settled() -> None:
    windows = settled_windows(recorded(work((60, 10.0), (60, 100.0))))
    hot = windows[windows["power_w"] > 50.0]
    assert (hot["late_sink_w"] < 0.0).all()  # earlier power was lower: the sink is colder than it will be
    assert hot["late_sink_w"].iloc[-1] == pytest.approx(0.0, abs=1e-3)  # 90 W after 20 time constants
    assert hot["late_case_w"].is_monotonic_increasing


def test_lag_is_that_of_a_first_order_network() -> None:
    grid = Grid(0, 40, 120.0, 0.75)
    powers = np.where(np.arange(40) < 5, 10.0, 100.0)
    lagged = grid.lagged(powers, 300.0)
    starts_s = (np.arange(5, 40) - 5) * 120.0
    # Mean over each bin of 100 - 90 exp(-t / 300), by integral.
    mean = 100.0 - 90.0 * 300.0 / 120.0 * (np.exp(-starts_s / 300.0) - np.exp(-(starts_s + 120.0) / 300.0))
    assert lagged[5:] == pytest.approx(mean, rel=1e-12)
    assert lagged[:5] == pytest.approx(10.0, rel=1e-12)


def test_rows_stand_for_the_time_around_them() -> None:
    times_ms = np.array([0, 60_000, 120_000, 125_000, 126_000, 900_000, 901_000])
    assert row_spans_s(times_ms) == pytest.approx([60.0, 60.0, 32.5, 3.0, 1.0, 1.0, 1.0])


def test_step_of_the_reading_is_seen() -> None:
    step = recorded(work((30, 10.0), (30, 100.0)), 0.125).assign(cadence=int(Cadence.STEP))
    assert reading_grid_k(step) == 0.125
    assert reading_grid_k(step.iloc[:2]) == 1.0  # too little to tell: the coarsest


def test_error_of_a_reading_at_rest_is_that_of_its_step() -> None:
    rng = np.random.default_rng(9)
    for sd_k in (0.0, 0.2, 0.4):
        means = []
        for offset_k in rng.uniform(0.0, 1.0, 300):
            means.append(np.mean(np.round(offset_k + sd_k * rng.standard_normal(4000))) - offset_k)
        read_sd_k = np.sqrt(sd_k**2 + 1.0 / 12.0 if sd_k else 0.0)
        claimed = float(reading_error_k(np.array([read_sd_k]), 1.0)[0])
        # 300 draws know a standard deviation to 4 %; 4000 looks leave 0.006 K of noise of their own.
        assert np.std(means) == pytest.approx(claimed, rel=0.12, abs=0.01)


@pytest.mark.parametrize("missing", ["temperature_c", "power_w"])
def test_no_answer_without_temperature_or_power(missing: str) -> None:
    frame = recorded(work((60, 50.0)))
    word = "temperature" if missing == "temperature_c" else "power"
    with pytest.raises(AnalysisError, match=f"not identifiable: the source shows no {word}"):
        settled_windows(frame.assign(**{missing: np.nan}))
    with pytest.raises(AnalysisError, match=f"shows no {word}"):
        settled_windows(frame.drop(columns=missing))


def test_three_rows_settle_nothing() -> None:
    assert settled_windows(recorded(work((60, 50.0))).iloc[:3]).empty
