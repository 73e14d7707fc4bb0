"""What answers within two minutes, against answers that were put in."""

from __future__ import annotations

import numpy as np
import pandas as pd

from heatdrift.reports.fast_answers import Answer, answers_to, moves


def noise(n: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(n)


def test_the_answers_that_were_put_in_come_out() -> None:
    one, other = noise(4000, 1), noise(4000, 2)
    late = np.concatenate([[0.0], one[:-1]])
    moved = 0.3 * one + 0.2 * late - 0.1 * other + 0.05 * noise(4000, 3)
    found = answers_to(moved, [one, other], n_lags=3, least_active=0.0)
    assert found is not None
    for answer, truth in zip(found, (0.5, -0.1), strict=True):
        assert abs(answer.value - truth) < 4.0 * answer.standard_error  # one in 16,000 lies further out
        assert answer.standard_error < 0.005
    assert found[0].errors > 100.0 > 0.0 > found[1].errors


def test_too_little_that_moved_says_nothing() -> None:
    one = noise(150, 1)
    assert answers_to(one, [one, noise(150, 2)], n_lags=2, least_active=0.0) is None
    still = np.zeros(4000)
    assert answers_to(still, [still], n_lags=2, least_active=0.1) is None


def test_what_always_moves_together_cannot_be_told_apart() -> None:
    one = noise(4000, 1)
    assert answers_to(one, [one, one], n_lags=2, least_active=0.0) is None


def test_an_answer_without_error_is_not_infinitely_sure() -> None:
    assert Answer(1.0, 0.0).errors == 0.0


def test_moves_leave_out_what_was_not_had_and_what_is_slow() -> None:
    index = pd.date_range("2026-01-01", periods=240, freq="5s", tz="UTC")
    readings = pd.Series(20.0 + np.arange(240) / 240.0, index)
    readings.iloc[80:120] = np.nan
    moved = moves(index, readings)
    known = moved[np.isfinite(moved)]
    assert 0 < len(known) < len(moved)
    assert np.abs(known).max() < 0.02  # a kelvin in twenty minutes
    assert len(moves(index[:0], readings.iloc[:0])) == 0
