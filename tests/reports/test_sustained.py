"""What a source sustains, against machines whose truth is written down here."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pynvml
import pytest
from scipy import stats

from heatdrift.reports.endurance import mean_of
from heatdrift.reports.load_stretches import load_stretches
from heatdrift.reports.sustained import LIMIT_BITS, NAMED_BITS, Sustained, sustained

START = pd.Timestamp("2026-03-01T18:00:00Z")
STEP_S = 5.0
IDLE_W, LOAD_W = 15.0, 150.0
FALL_MHZ_PER_K = 8.0


def evenings(
    n: int = 8,
    *,
    minutes: float = 30.0,
    fall_mhz_per_k: float = FALL_MHZ_PER_K,
    seed: int = 1,
    air_c: npt.ArrayLike | None = None,
) -> pd.DataFrame:
    """One load an evening: the die warms up with a time constant of five minutes and the clock gives way.

    Two works take turns; the lighter one clocks 90 MHz higher. Readings are whole degrees, the clock wanders
    by some MHz that hang together over minutes.
    """
    rng = np.random.default_rng(seed)
    air = np.full(n, 24.0) if air_c is None else np.asarray(air_c, float)
    parts = []
    for evening in range(n):
        at_s = np.arange(0.0, 600.0 + 60.0 * minutes, STEP_S)
        load_s = np.maximum(at_s - 600.0, 0.0)
        is_load = at_s >= 600.0
        is_light = is_load & (load_s % 1200.0 >= 800.0)
        wander_k = _hanging_together(len(at_s), 40.0, rng)
        die_c = air[evening] + 15.0 + 30.0 * -np.expm1(-load_s / 300.0) + 2.0 * wander_k
        clock_mhz = 1800.0 + 15.0 * rng.standard_normal() + 6.0 * _hanging_together(len(at_s), 120.0, rng)
        clock_mhz = clock_mhz - fall_mhz_per_k * (die_c - 60.0) + 90.0 * is_light
        columns = {
            "power_w": np.where(is_load, LOAD_W, IDLE_W),
            "clock_mhz": np.where(is_load, clock_mhz, 300.0),
            "temperature_c": np.round(die_c + 0.3 * rng.standard_normal(len(at_s))),
            "utilization_pct": np.where(is_load, np.where(is_light, 60.0, 97.0), 2.0),
        }
        index = START + pd.Timedelta(days=evening) + pd.to_timedelta(at_s, unit="s")
        parts.append(pd.DataFrame(columns, index=index))
    frame = pd.concat(parts)
    frame.index.name = "time_utc"
    return frame.assign(memory_utilization_pct=np.nan, thermal_limited_pct=np.nan, power_limited_pct=np.nan)


def _hanging_together(n: int, lag_s: float, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Noise of unit variance with an exponential memory."""
    kept = np.exp(-STEP_S / lag_s)
    noise = rng.standard_normal(n)
    values = np.empty(n)
    values[0] = noise[0]
    for number in range(1, n):
        values[number] = kept * values[number - 1] + np.sqrt(1.0 - kept**2) * noise[number]
    return values


def test_clock_per_kelvin_of_the_die_lies_within_its_interval() -> None:
    errors_share, inside = [], []
    for seed in range(40):
        told = sustained(evenings(8, minutes=20.0, seed=seed)).mhz_per_die_kelvin
        assert told.value is not None and told.ci95 is not None and told.n_stretches == 8
        inside.append(told.ci95[0] <= -FALL_MHZ_PER_K <= told.ci95[1])
        errors_share.append(told.value / -FALL_MHZ_PER_K - 1.0)
    assert np.mean(inside) >= 0.90  # 95 % claimed; 40 draws know it to 3.4 %
    assert abs(np.median(errors_share)) < 0.03  # whole degrees of a die that varies by 8 K flatten by 0.2 %


def test_a_clock_that_heat_does_not_limit_has_no_price_of_a_kelvin() -> None:
    free = sustained(evenings(fall_mhz_per_k=0.0)).mhz_per_die_kelvin
    assert free.value is None and free.ci95 is None and "not limited by heat" in free.reason
    rising = sustained(evenings(fall_mhz_per_k=-3.0)).mhz_per_die_kelvin
    assert rising.value is None and "not limited by heat" in rising.reason


def test_stray_minutes_do_not_bend_the_slope() -> None:
    frame = evenings(10)
    is_stray = np.random.default_rng(2).random(len(frame)) < 0.002
    spoilt = frame.assign(clock_mhz=frame["clock_mhz"].mask(is_stray, 300.0))
    plain, robust = (sustained(one).mhz_per_die_kelvin for one in (frame, spoilt))
    assert plain.value is not None and robust.value is not None and robust.ci95 is not None
    assert robust.ci95[0] <= -FALL_MHZ_PER_K <= robust.ci95[1]


def test_a_clock_that_is_held_at_a_temperature_says_so() -> None:
    frame = evenings(10, fall_mhz_per_k=0.0)
    is_hot = frame["temperature_c"] > 60.0
    held = frame.assign(
        temperature_c=frame["temperature_c"].clip(upper=60.0),
        clock_mhz=frame["clock_mhz"] - 20.0 * (frame["temperature_c"] - 60.0).clip(lower=0.0),
        thermal_limited_pct=100.0 * is_hot,
    )
    told = sustained(held).mhz_per_die_kelvin
    assert told.value is None
    assert "hardly varies" in told.reason and "while heat held the clock down" in told.reason


def test_only_the_law_under_heat_counts_where_heat_rules() -> None:
    inside = []
    for seed in range(20):
        frame = evenings(8, minutes=20.0, fall_mhz_per_k=0.0, seed=seed)
        over_k = (frame["temperature_c"] - 58.0).clip(lower=0.0)
        bent = frame.assign(
            clock_mhz=frame["clock_mhz"] - 8.0 * over_k, thermal_limited_pct=100.0 * (over_k > 0)
        )
        told = sustained(bent).mhz_per_die_kelvin
        assert told.ci95 is not None
        inside.append(told.ci95[0] <= -8.0 <= told.ci95[1])
    assert np.mean(inside) >= 0.90  # 95 % claimed; 20 draws know it to 4.9 %


def test_clock_per_kelvin_of_the_air_lies_within_its_interval() -> None:
    inside = []
    for seed in range(20):
        air = 24.0 + 3.0 * np.random.default_rng(100 + seed).standard_normal(12)
        frame = evenings(12, seed=seed, air_c=air)
        days = START + pd.to_timedelta(np.arange(12) * 24 * 3600 + 1000, unit="s")
        told = sustained(frame, pd.Series(air, index=days)).mhz_per_air_kelvin
        if told.ci95 is None:  # said to be unsure: 0 lies within
            assert "95 % interval" in told.reason
            inside.append(True)
            continue
        inside.append(told.ci95[0] <= -FALL_MHZ_PER_K <= told.ci95[1])
    assert np.mean(inside) >= 0.90  # 95 % claimed; 20 draws know it to 4.9 %
    assert told.value is not None


def test_air_that_nobody_knows_or_that_never_changes() -> None:
    frame = evenings()
    assert "nobody knows the air" in sustained(frame).mhz_per_air_kelvin.reason
    steady = pd.Series(24.0, index=pd.date_range(START, periods=24 * 8, freq="h"))
    assert "hardly varies" in sustained(frame, steady).mhz_per_air_kelvin.reason
    late = steady.iloc[:5]  # one evening of readings does not speak for the next
    assert "1 day of usable load" in sustained(frame, late).mhz_per_air_kelvin.reason


def test_loss_is_the_paired_interval_of_student() -> None:
    frame = evenings(9)
    table = load_stretches(frame)
    loss_pct = 100.0 * (1.0 - table["clock_mhz_after_20_min"] / table["clock_mhz_minute_1"])
    expected = stats.ttest_1samp(loss_pct, 0.0).confidence_interval(0.95)
    told = sustained(frame).loss_pct
    assert told.value == pytest.approx(loss_pct.mean(), rel=1e-12)
    assert told.ci95 == pytest.approx((expected.low, expected.high), rel=1e-9)  # rounding alone
    assert told.standard_error == pytest.approx(stats.sem(loss_pct), rel=1e-9) and told.n_stretches == 9


def test_heavier_work_later_is_no_loss() -> None:
    frame = evenings(6, fall_mhz_per_k=0.0)
    moments = pd.DatetimeIndex(frame.index)
    is_early = (moments.hour * 60 + moments.minute < 18 * 60 + 30) & (frame["utilization_pct"] > 50.0)
    other = frame.assign(utilization_pct=frame["utilization_pct"].mask(is_early, 60.0))
    told = sustained(other)
    assert told.loss_pct.value is None and "at like work" in told.loss_pct.reason
    assert told.clocks_mhz["after_20_min"].n_stretches == 6
    assert sustained(frame).loss_pct.n_stretches == 6


def test_one_stretch_has_no_error_and_none_has_no_clock() -> None:
    one = sustained(evenings(1, minutes=18.0))
    first = one.clocks_mhz["minute_1"]
    assert one.n_stretches == 1 and first.value is not None and first.ci95 is None
    assert first.standard_error is None and "one stretch alone" in first.reason
    assert one.clocks_mhz["after_20_min"].value is None
    assert "1 stretch of usable load, 4 are needed" in one.mhz_per_die_kelvin.reason
    assert (
        mean_of(np.array([np.nan]), "stretch had a clock").reason == "cannot be known: no stretch had a clock"
    )


def plain(told: Sustained) -> dict[str, Any]:
    """The document as a program gets it: no NaN passes."""
    document: dict[str, Any] = json.loads(json.dumps(told.as_document(), allow_nan=False))
    return document


def test_missing_stays_missing() -> None:
    frame = evenings(5)
    bare = sustained(frame[["power_w"]])
    assert bare.n_stretches == 5 and bare.reasons_unknown_pct == 100.0
    assert {one.pct for one in bare.held_down.values()} == {None}
    assert all(one.value is None and one.reason for one in bare.clocks_mhz.values())
    assert "were not had" in bare.mhz_per_die_kelvin.reason
    idle = sustained(frame.assign(power_w=np.nan))
    assert idle.n_stretches == 0 and idle.load_w is None and idle.reasons_unknown_pct is None
    empty = sustained(frame.iloc[:0], pd.Series(dtype=float))
    for told in (bare, idle, empty):
        document = plain(told)
        assert document["loss_pct"]["value"] is None and document["loss_pct"]["reason"]
        assert document["held_down"]["heat"]["pct"] is None
    lazy = sustained(frame.assign(utilization_pct=np.nan)).mhz_per_die_kelvin
    assert lazy.value is None and "how busy" in lazy.reason


def test_document_has_all_that_is_known() -> None:
    document = plain(sustained(evenings(8)))
    assert document["mhz_per_die_kelvin"]["ci95"][0] < document["mhz_per_die_kelvin"]["value"] < 0.0
    assert document["clocks_mhz"]["minute_1"]["reason"] is None
    assert document["load_h"] == pytest.approx(4.0, rel=0.01)  # rows at the edges stand half outside


def test_time_is_shared_out_by_reason() -> None:
    frame = evenings(4)
    bits = np.zeros(len(frame), np.int64)
    is_load = (frame["power_w"] == LOAD_W).to_numpy()
    position = np.cumsum(is_load) % 10
    bits[position < 5] |= 0x4
    bits[position == 0] |= 0x40 | 0x8  # heat, and the slowdown that it caused
    bits[position == 1] |= 0x8  # nobody says why
    bits[position == 2] |= 0x80 | 0x8
    bits[position == 3] |= 0x1  # idle is no limit
    bits[position == 4] |= 1 << 40
    reasons = pd.Series(bits, index=frame.index, dtype="Int64").mask(position >= 8)
    told = sustained(frame.assign(limit_reasons=reasons, n_looks=1))
    # Eight in ten are known. A hundredth or two lie in the bins at either end of a load.
    within = 1.0
    assert told.reasons_unknown_pct == pytest.approx(20.0, abs=within)
    expected = {"power": 62.5, "heat": 12.5, "hardware slowdown": 12.5, "power brake": 12.5, "other": 12.5}
    for reason, one in told.held_down.items():
        assert one.pct == pytest.approx(expected.get(reason, 0.0), abs=within), reason
        assert one.least_pct == one.pct and one.known_pct == pytest.approx(80.0, abs=within)
    means = sustained(frame.assign(limit_reasons=reasons, n_looks=5)).held_down["power"]
    assert means.pct == pytest.approx(62.5, abs=within) and means.least_pct == pytest.approx(12.5, abs=within)
    exact = sustained(frame.assign(limit_reasons=reasons, n_looks=5, power_limited_pct=40.0)).held_down
    assert exact["power"].pct == exact["power"].least_pct == pytest.approx(40.0)
    assert exact["power"].known_pct == pytest.approx(100.0)


def test_a_processor_that_counts_heat_alone_tells_of_heat_alone() -> None:
    frame = evenings(4).assign(thermal_limited_pct=7.0)
    told = sustained(frame.assign(limit_reasons=pd.array([pd.NA] * len(frame), dtype="Int64")))
    assert told.held_down["heat"].pct == pytest.approx(7.0) and told.reasons_unknown_pct == 100.0
    assert told.held_down["power"].pct is None and told.held_down["power"].known_pct == 0.0


def test_bits_are_those_of_the_driver() -> None:
    driver = {
        "heat": pynvml.nvmlClocksEventReasonSwThermalSlowdown
        | pynvml.nvmlClocksThrottleReasonHwThermalSlowdown,
        "power": pynvml.nvmlClocksEventReasonSwPowerCap,
        "power brake": pynvml.nvmlClocksThrottleReasonHwPowerBrakeSlowdown,
        "hardware slowdown": pynvml.nvmlClocksThrottleReasonHwSlowdown,
        "set clocks": pynvml.nvmlClocksEventReasonApplicationsClocksSetting,
        "group of cards": pynvml.nvmlClocksEventReasonSyncBoost,
        "display": pynvml.nvmlClocksEventReasonDisplayClockSetting,
    }
    assert driver.items() <= LIMIT_BITS.items()
    assert sum(LIMIT_BITS.values()) | pynvml.nvmlClocksEventReasonGpuIdle == NAMED_BITS
