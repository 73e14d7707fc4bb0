"""Which windows are alike, and whose fan is whose."""

from __future__ import annotations

import numpy as np
import pandas as pd

from heatdrift.reports.window_groups import alike, fans_of, loaded, usual_memory_pct


def work(n_windows: int = 60) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    hot_c = np.linspace(50.0, 80.0, n_windows)
    gpu_w = rng.uniform(60.0, 140.0, n_windows)
    return pd.DataFrame(
        {
            "temperature_c": hot_c,
            "power_w": 2.0 * hot_c,
            "power_w.gpu0": gpu_w,
            "speed.gpu0_fan1": 0.5 * gpu_w,
            "speed.fan1": 20.0 * hot_c + rng.normal(0.0, 5.0, n_windows),
            "speed.fan2": 12.0 * gpu_w,
            "speed.fan3": 900.0,
        }
    )


def test_fan_that_follows_this_source_is_taken() -> None:
    assert fans_of(work()) == (["fan1"], True)


def test_tachometer_of_another_sources_fan_is_not_ours() -> None:
    assert fans_of(work().drop(columns="speed.fan1")) == ([], False)


def test_fan_of_the_hotter_source_may_be_shared() -> None:
    rows = work().drop(columns=["speed.fan1", "speed.gpu0_fan1"])
    assert fans_of(rows) == (["fan2"], False)


def test_fan_that_stands_is_none() -> None:
    assert fans_of(work().assign(**{"speed.fan1": 0.0})) == ([], False)


def test_groups_keep_an_error_that_no_repetition_takes_away() -> None:
    rows = pd.DataFrame({"power_w": np.full(5000, 100.0), "rise_k": np.full(5000, 40.0)})
    (error_k,) = alike(rows, [])["group_error_k"]
    assert abs(error_k - np.hypot(0.2, 0.32)) < 1e-12  # 0.2 K and 0.8 % of 40 K; rounding alone


def test_unlike_windows_are_kept_apart() -> None:
    rows = pd.DataFrame({"power_w": [100.0, 101.0, 60.0], "rise_k": [40.0, 40.4, 24.0], "speed.fan1": 1e3})
    assert len(alike(rows, ["fan1"])) == 2
    assert len(alike(rows.assign(**{"speed.fan1": [1e3, 2e3, 1e3]}), ["fan1"])) == 3


def test_load_is_well_above_idle() -> None:
    rows = pd.DataFrame({"power_w": [10.0] * 20 + [18.0, 60.0]})
    assert loaded(rows).tolist() == [False] * 21 + [True]
    assert loaded(rows.iloc[:0]).tolist() == []


def test_memory_counts_where_it_varies() -> None:
    rows = pd.DataFrame({"memory_utilization_pct": [20.0, 60.0, 80.0]})
    assert usual_memory_pct(rows) == 60.0
    assert np.isnan(usual_memory_pct(rows.assign(memory_utilization_pct=50.0)))
    assert np.isnan(usual_memory_pct(rows.assign(memory_utilization_pct=[20.0, np.nan, 80.0])))
    assert np.isnan(usual_memory_pct(pd.DataFrame({"power_w": [1.0]})))
