"""What healthy was."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from simulated_cells import World, cells

from heatdrift.reports.baseline import change, choose_baseline, ratios
from heatdrift.reports.day_levels import DayLevels, days_between, fit_day_levels
from heatdrift.store.errors import TooFewWindowsError


def levels_of(level: np.ndarray, seed: int = 1, **others: float) -> DayLevels:
    return fit_day_levels(cells(World(n_days=len(level), level=level, **others), seed))


def test_a_run_in_is_left_out_where_one_was_to_be_expected() -> None:
    falling = 0.12 * np.exp(-np.arange(40) / 3.0)
    levels = levels_of(falling)
    wet = choose_baseline(levels, has_run_in=True)
    assert wet.from_day >= pd.Timestamp("2026-01-05", tz="UTC")
    # A fall of an eighth with three days: after a week a hundredth of it is left.
    assert abs(wet.log_value - levels.level[25:].mean()) < 0.015
    assert choose_baseline(levels, has_run_in=False).from_day == pd.Timestamp("2026-01-01", tz="UTC")


def test_a_rise_from_the_first_day_is_never_left_out() -> None:
    levels = levels_of(np.linspace(0.0, 0.30, 60))
    baseline = choose_baseline(levels, has_run_in=True)
    assert baseline.from_day == pd.Timestamp("2026-01-02", tz="UTC")
    assert ratios(levels, baseline)["log_ratio"].iloc[-5:].mean() > 0.22


def test_days_need_not_follow_each_other() -> None:
    table = cells(World(n_days=40), 3)
    weekends = pd.to_datetime(table["day"]).dt.day_of_week >= 5
    baseline = choose_baseline(fit_day_levels(table[weekends]), has_run_in=False)
    assert int(baseline.is_in.sum()) >= 10
    assert baseline.to_day - baseline.from_day > pd.Timedelta(days=30)


@pytest.mark.parametrize(("n_days", "words"), [(6, "4 more days"), (9, "1 more day with")])
def test_what_is_lacking_is_said(n_days: int, words: str) -> None:
    with pytest.raises(TooFewWindowsError, match=words):
        choose_baseline(levels_of(np.zeros(n_days)), has_run_in=False)


def test_ratios_hold_the_truth() -> None:
    truth = np.concatenate([np.zeros(20), np.linspace(0.0, 0.2, 40)])
    inside = []
    for seed in range(40):
        levels = levels_of(truth, seed)
        baseline = choose_baseline(levels, has_run_in=False)
        found = ratios(levels, baseline)
        away = np.abs(found["log_ratio"].to_numpy() - truth)[20:]
        spread = np.hypot(
            found["standard_error"].to_numpy()[20:], choose_baseline(levels, has_run_in=False).standard_error
        )
        inside += list(away <= 1.96 * spread)
    # 95 % claimed; days of one world share its classes' errors.
    assert 0.90 <= np.mean(inside) <= 0.99


def test_a_change_has_an_interval_or_a_reason() -> None:
    levels = levels_of(np.concatenate([np.zeros(30), np.full(30, np.log(1.1))]))
    before = days_between(levels, "2026-01-01", "2026-01-31")
    after = days_between(levels, "2026-01-31", "2026-03-02")
    told = change(levels, before, after)
    assert told.ci95_pct is not None and told.ci95_pct[0] <= 10.0 <= told.ci95_pct[1]
    wider = change(levels, before, after, extra_relative_error=0.05)
    assert wider.ci95_pct is not None and wider.ci95_pct[1] - wider.ci95_pct[0] > 19.0
    none = change(levels, before, days_between(levels, "2027-01-01", "2027-02-01"))
    assert none.pct is None and "no day with usable load after" in none.reason
