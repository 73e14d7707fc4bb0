"""Steps that are laid on top of each other give back the answer that a simulated path has."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from heatdrift.reports.pictures.answers import answers_picture, answers_title, gather_answers
from heatdrift.reports.pictures.step_answers import StepAnswers
from heatdrift.reports.power_history import DatedScale
from heatdrift.reports.power_scale import PowerScale
from heatdrift.store.errors import TooFewWindowsError

from ..made_verdicts import verdict as made_verdict_of
from .made_pictures import DAY_MS, FIRST_MS
from .made_steps import SteppingMachine, answer

THEN, NOW = (FIRST_MS, FIRST_MS + 10 * DAY_MS), (FIRST_MS + 10 * DAY_MS, FIRST_MS + 20 * DAY_MS)


def gathered(joint: tuple[float, float], air: tuple[float, float], then_days: int = 10) -> StepAnswers:
    """Answers of a machine whose joint and air are given before and after its first ten days [K/W]."""
    machine: Any = SteppingMachine(joint, air)
    model: Any = SimpleNamespace(source="gpu0", shared_with=("cpu0",), reference=None, fan="")
    derivation: Any = SimpleNamespace(scales={"gpu0": (DatedScale(0, PowerScale()),)})
    then = (FIRST_MS, FIRST_MS + then_days * DAY_MS)
    return gather_answers(machine, machine, derivation, model, then_utc_ms=then, now_utc_ms=NOW)


JOINT_GREW = gathered((0.10, 0.13), (0.30, 0.30))
AIR_GREW = gathered((0.10, 0.10), (0.30, 0.45))
HELD = gathered((0.10, 0.10), (0.30, 0.30))
CHANGED = made_verdict_of("gpu0", SimpleNamespace(), "interface", onset="2026-01-11", pct=30.0)  # type: ignore[arg-type]
HOLDING = replace(CHANGED, leading=None)


@pytest.mark.parametrize(
    ("found", "joint", "air"), [(JOINT_GREW, 0.13, 0.30), (AIR_GREW, 0.10, 0.45), (HELD, 0.10, 0.30)]
)
def test_the_answers_are_the_true_ones(found: StepAnswers, joint: float, air: float) -> None:
    after_s = found.after_s
    late = after_s >= 2.0  # looks are a second apart: before, half a second more or less moves it by a tenth
    # A degree is 0.0125 K/W of 80 W, and the loads before leave up to a tenth of the air's answer.
    for side, parts in ((found.then, (0.10, 0.30)), (found.now, (joint, air))):
        assert side.median[late] == pytest.approx(answer(after_s[late], *parts), abs=0.01, rel=0.1)
    true = answer(after_s, joint, air) - answer(after_s, 0.10, 0.30)
    # Three standard errors: 18 times are looked at.
    assert np.all(np.abs(found.grown - true) < 3.0 * found.grown_error)


def test_the_title_says_where_it_sits() -> None:
    assert answers_title(CHANGED, JOINT_GREW).endswith("more in the first three seconds, where the joint is")
    assert answers_title(CHANGED, AIR_GREW).endswith("after the first seconds, where heatsink and air are")
    assert answers_title(HOLDING, HELD) == "gpu0 answers to a load step as it did in its baseline"
    assert "then and now" in answers_title(HOLDING, JOINT_GREW)


def test_the_drawing_names_both_stretches_and_both_parts() -> None:
    picture = answers_picture(CHANGED, JOINT_GREW, then_utc_ms=THEN, now_utc_ms=NOW)
    svg = picture.svg()
    for words in ("joint", "heatsink and air", "in the baseline, 150 steps", "now, 150 steps", "K/W"):
        assert words in svg
    assert picture.key == "gpu0-answers" and "10 days used" in picture.window
    assert "After 3 seconds" in picture.description and "After 60 seconds" in picture.description


def test_too_few_steps_are_said() -> None:
    with pytest.raises(TooFewWindowsError, match="0 load steps after a steady minute in the baseline"):
        gathered((0.1, 0.1), (0.3, 0.3), then_days=0)
