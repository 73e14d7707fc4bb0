"""What a source sustains, against machines whose truth is written down here."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pynvml
import pytest
from scipy import signal, stats

from heatdrift.fake_sensors.chip import Chip, ChipValues
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
    noise[1:] *= np.sqrt(1.0 - kept**2)
    return np.asarray(signal.lfilter([1.0], [1.0, -kept], noise), float)


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
    assert free.value is None and free.ci95 is None and "not seen to be limited by heat" in free.reason
    rising = sustained(evenings(fall_mhz_per_k=-3.0)).mhz_per_die_kelvin
    assert rising.value is None and "not seen to be limited by heat" in rising.reason


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
    assert "while heat held the clock down, the die's temperature hardly varies" in told.reason


def test_only_the_law_under_heat_counts_where_heat_rules() -> None:
    inside = []
    for seed in range(20):
        frame = evenings(8, minutes=20.0, fall_mhz_per_k=0.0, seed=seed)
        over_k = (frame["temperature_c"] - 58.0).clip(lower=0.0)
        bent = frame.assign(
            clock_mhz=frame["clock_mhz"] - 8.0 * over_k, thermal_limited_pct=100.0 * (over_k > 0)
        )
        found = sustained(bent)
        told = found.mhz_per_die_kelvin
        assert told.ci95 is not None and found.is_while_held_down
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
    assert document["clocks_mhz"]["minute_1"]["reason"] is None and document["is_while_held_down"] is None
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


THROTTLING = ChipValues(
    source="gpu0",
    kind="gpu",
    idle_w=15.0,
    limit_w=170.0,
    leak_w=8.0,
    leak_doubling_k=25.0,
    throttle_c=82.0,
    idle_clock_mhz=300.0,
    full_clock_mhz=2000.0,
    idle_memory_clock_mhz=0.0,
    full_memory_clock_mhz=0.0,
    aside_share=0.0,
    memory_aside_share=0.0,
    hotspot_k_per_w=None,
    memory_k_per_w=None,
    grid_c=1.0,
)


def hot_evenings(air_c: npt.NDArray[np.float64]) -> tuple[pd.DataFrame, float]:
    """Looks of each second of a chip that heat holds down, half an hour an evening, and for how long [s]."""
    rows, moments, held_s = [], [], 0.0
    for evening, room_c in enumerate(air_c):
        chip, die_c = Chip(THROTTLING), room_c + 10.0
        for second in range(2400):
            level = 0.9 if second >= 600 else 0.0
            chip.step(1.0, level, 0.0, die_c)
            die_c += (room_c + 0.5 * chip.power_w - die_c) / 150.0
            rows.append(
                (chip.power_w, chip.clock_mhz, round(die_c), 100 * chip.utilization_share, chip.limit_reasons)
            )
            moments.append(86400 * evening + second)
        held_s += chip.heat_limited_s
    columns = ["power_w", "clock_mhz", "temperature_c", "utilization_pct", "limit_reasons"]
    index = START + pd.to_timedelta(np.array(moments), unit="s")
    return pd.DataFrame(rows, columns=columns, index=index).astype({"limit_reasons": "Int64"}), held_s


def test_a_chip_that_heat_holds_down() -> None:
    air_c = 24.0 + np.array([-4.0, 3.0, -1.0, 2.0, 0.0, 4.0, -3.0, 1.0])
    frame, held_s = hot_evenings(air_c)
    days = START + pd.to_timedelta(np.arange(8) * 24 * 3600 + 1000, unit="s")
    told = sustained(frame, pd.Series(air_c, index=days))
    heat = told.held_down["heat"]
    assert heat.pct == pytest.approx(100.0 * held_s / (8 * 1800.0), abs=1.0)  # a bin of 10 s at either end
    assert told.loss_pct.ci95 is not None and told.loss_pct.ci95[0] > 0.0
    assert told.is_while_held_down and "hardly varies" in told.mhz_per_die_kelvin.reason
    # Heat pins the die and takes it out on the clock: the price of a kelvin shows against the room alone.
    late = load_stretches(frame)["clock_mhz_after_20_min"].to_numpy(float)
    line = stats.linregress(air_c, late)
    room = told.mhz_per_air_kelvin
    assert room.ci95 is not None and room.ci95[0] <= line.slope <= room.ci95[1]
    assert room.ci95[1] < 0.0
