"""Levels of days once like is compared with like, against simulated truth."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from simulated_cells import World, cells

from heatdrift.reports import day_levels
from heatdrift.reports.baseline import change
from heatdrift.reports.day_levels import days_between, fit_day_levels
from heatdrift.store.errors import TooFewWindowsError


def halves(n_days: int) -> tuple[np.ndarray, np.ndarray]:
    first = np.arange(n_days) < n_days // 2
    return first, ~first


@pytest.mark.parametrize("true_over_stated", [1.0, 1.5])
def test_a_difference_of_months_is_right_and_knows_its_error(true_over_stated: float) -> None:
    level = np.concatenate([np.zeros(30), np.full(30, 0.08)])
    world = World(level=level, true_over_stated=true_over_stated, per_day=40)
    told = [fit_day_levels(cells(world, seed)).difference(*halves(60)) for seed in range(150)]
    off = np.array([value - 0.08 for value, _ in told])
    errors = np.array([error for _, error in told])
    # No bias beyond three standard errors of 150 draws.
    assert abs(off.mean()) <= 3 * off.std() / np.sqrt(150)
    assert np.mean(np.abs(off) <= 1.96 * errors) >= 0.90
    assert off.std() >= 0.6 * errors.mean()  # the intervals are not bought by being wide
    assert off.std() <= 0.01  # one point from month to month


def test_work_that_changes_slowly_moves_nothing() -> None:
    mix = np.linspace(0.0, 1.0, 60)[:, None]
    usage = (1 - mix) * np.array([0.7, 0.2, 0.1, 0.0]) + mix * np.array([0.0, 0.1, 0.3, 0.6])
    world = World(effects=(0.0, 0.05, -0.08, 0.15), usage=usage)
    told = [fit_day_levels(cells(world, seed)).difference(*halves(60)) for seed in range(60)]
    off, errors = np.array(told).T
    # Totals move by 9 % with this change of work; like with like by less than one.
    assert abs(off.mean()) <= 0.01
    assert np.mean(np.abs(off) <= 1.96 * errors) >= 0.88


def test_work_without_anything_in_common_is_not_comparable() -> None:
    usage = np.zeros((60, 4))
    usage[:30, :2], usage[30:, 2:] = 0.5, 0.5
    world = World(effects=(0.0, 0.2, -0.3, -0.1), usage=usage)
    levels = fit_day_levels(cells(world, 1))
    _, error = levels.difference(*halves(60))
    assert error > 0.05  # the width of the classes, which nobody could learn
    told = change(levels, *halves(60))
    assert told.pct is None and "nothing in common" in told.reason
    # A few days on which both were done are enough.
    usage[28:32] = 0.25
    told = change(fit_day_levels(cells(World(effects=world.effects, usage=usage), 1)), *halves(60))
    assert told.pct is not None and told.ci95_pct is not None
    assert told.ci95_pct[0] <= 0.0 <= told.ci95_pct[1]


def test_without_a_width_it_is_least_squares_with_dummies(monkeypatch: pytest.MonkeyPatch) -> None:
    """statsmodels WLS with one column for each day and all classes but the first."""
    monkeypatch.setattr(day_levels, "MOST_CLASS_SD", 100.0)
    monkeypatch.setattr(day_levels, "LEAST_CLASS_SD", 100.0)
    monkeypatch.setattr(day_levels, "HUBER_THRESHOLD", 1e9)
    table = cells(World(n_days=20, outliers=0.0), 5)
    levels = fit_day_levels(table)
    weights = 1.0 / (table["standard_error"] ** 2 + levels.extra_sd**2)
    days = np.array([table["day"] == day for day in sorted(set(table["day"]))]).T
    classes = np.array([table["workload_class"] == name for name in levels.classes[1:]]).T
    theirs = (
        sm.WLS(table["log_value"], np.column_stack([days, classes]).astype(float), weights)
        .fit()
        .params.to_numpy()
    )
    ours = levels.level - levels.level.mean()
    np.testing.assert_allclose(ours, theirs[:20] - theirs[:20].mean(), atol=1e-6)
    np.testing.assert_allclose(levels.effects[1:] - levels.effects[0], theirs[20:], atol=1e-6)


def test_an_odd_cell_does_not_pull_its_day() -> None:
    table = cells(World(outliers=0.0), 2)
    before = fit_day_levels(table)
    row = table.index[table["day"] == "2026-01-20"][0]
    table.loc[row, "log_value"] += 0.8
    after = fit_day_levels(table)
    day = days_between(after, "2026-01-20", "2026-01-21")
    # One of four cells, 0.8 off: an average would go 0.2 up.
    assert abs(after.level[day][0] - before.level[day][0]) < 0.05


def test_nothing_is_refused() -> None:
    with pytest.raises(TooFewWindowsError):
        fit_day_levels(cells(World(), 1).iloc[:0])
