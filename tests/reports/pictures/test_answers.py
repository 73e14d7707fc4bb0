"""Steps that are laid on top of each other give back the answer that a simulated path has."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from heatdrift.reports.pictures.answers import answers_picture, answers_title, gather_answers
from heatdrift.reports.pictures.step_answers import StepAnswers
from heatdrift.reports.power_history import DatedScale
from heatdrift.reports.power_scale import PowerScale
from heatdrift.store.errors import TooFewWindowsError
from heatdrift.store.records import Cadence

from ..made_verdicts import verdict as made_verdict_of
from .made_pictures import DAY_MS, FIRST_MS

Array = npt.NDArray[np.float64]

JOINT_TAU_S, AIR_TAU_S = 0.7, 120.0
IDLE_W, LOAD_W = 10.0, 90.0
PERIOD_S, LOAD_S = 700, 300
STEPS_A_DAY = 24


def answer(after_s: Array, joint: float, air: float) -> Array:
    """True answer of a path [K/W]."""
    return joint * -np.expm1(-after_s / JOINT_TAU_S) + air * -np.expm1(-after_s / AIR_TAU_S)


class Machine:
    """Ten days of loads of five minutes, whole degrees; joint and air from the second half on are given."""

    def __init__(self, joint: tuple[float, float], air: tuple[float, float]) -> None:
        rng = np.random.default_rng(3)
        self.frames: list[pd.DataFrame] = []
        self.steps: list[dict[str, float]] = []
        for day in range(20):
            number = int(day >= 10)
            n = STEPS_A_DAY // 2 * PERIOD_S
            at_s = np.arange(n, dtype=float)
            temperature_c = np.full(n, 30.0) + 3.0 * np.sin(at_s / 4000.0)
            power_w = np.full(n, IDLE_W)
            for start in range(200, n - LOAD_S, PERIOD_S):
                begin = start + rng.uniform(-1.0, 0.0)  # the look at `start` is the first to show it
                for change_w, when in ((LOAD_W - IDLE_W, begin), (IDLE_W - LOAD_W, begin + LOAD_S)):
                    since_s = np.maximum(at_s - when, 0.0)
                    temperature_c += change_w * answer(since_s, joint[number], air[number])
                power_w[start : start + LOAD_S] = LOAD_W
                at_ms = FIRST_MS + day * DAY_MS + start * 1000
                self.steps.append(self._step(at_ms, IDLE_W, LOAD_W))
                self.steps.append(self._step(at_ms + LOAD_S * 1000, LOAD_W, IDLE_W))
            index = pd.to_datetime(FIRST_MS + day * DAY_MS + at_s * 1000, unit="ms", utc=True)
            self.frames.append(
                pd.DataFrame(
                    {
                        "temperature_c": np.round(temperature_c),
                        "power_w": power_w,
                        "cadence": int(Cadence.STEP),
                        "n_looks": 1,
                    },
                    index=index,
                )
            )

    @staticmethod
    def _step(at_ms: int, before_w: float, after_w: float) -> dict[str, float]:
        return {
            "at_utc_ms": at_ms,
            "power_before_w": before_w,
            "power_after_w": after_w,
            "temperature_before_c": 40.0,
            "memory_utilization_before_pct": np.nan,
            "memory_utilization_after_pct": np.nan,
        }

    def source_frame(self, name: str, from_utc_ms: int, to_utc_ms: int) -> pd.DataFrame:
        days = range((from_utc_ms - FIRST_MS) // DAY_MS, (to_utc_ms - FIRST_MS) // DAY_MS)
        return pd.concat([self.frames[day] for day in days])

    def load_steps(self, source: str, from_utc_ms: int, to_utc_ms: int) -> pd.DataFrame:
        steps = pd.DataFrame(self.steps)
        if source != "gpu0":
            return steps.iloc[:0]
        return steps[(steps["at_utc_ms"] >= from_utc_ms) & (steps["at_utc_ms"] < to_utc_ms)]

    def gather(self, then_days: int = 10) -> StepAnswers:
        anything: Any = self
        model: Any = SimpleNamespace(source="gpu0", shared_with=("cpu0",), reference=None, fan="")
        derivation: Any = SimpleNamespace(scales={"gpu0": (DatedScale(0, PowerScale()),)})
        return gather_answers(
            anything,
            anything,
            derivation,
            model,
            then_utc_ms=(FIRST_MS, FIRST_MS + then_days * DAY_MS),
            now_utc_ms=NOW,
        )


THEN, NOW = (FIRST_MS, FIRST_MS + 10 * DAY_MS), (FIRST_MS + 10 * DAY_MS, FIRST_MS + 20 * DAY_MS)
JOINT_GREW = Machine((0.10, 0.13), (0.30, 0.30)).gather()
AIR_GREW = Machine((0.10, 0.10), (0.30, 0.45)).gather()
HELD = Machine((0.10, 0.10), (0.30, 0.30)).gather()
CHANGED = made_verdict_of("gpu0", SimpleNamespace(), "interface", onset="2026-01-11", pct=30.0)  # type: ignore[arg-type]
HOLDING = replace(CHANGED, leading=None)


@pytest.mark.parametrize(
    ("found", "joint", "air"), [(JOINT_GREW, 0.13, 0.30), (AIR_GREW, 0.10, 0.45), (HELD, 0.10, 0.30)]
)
def test_the_answers_are_the_true_ones(found: StepAnswers, joint: float, air: float) -> None:
    # A degree is 0.0125 K/W of 80 W, and the loads before leave up to a tenth of the air's answer.
    after_s = found.after_s
    assert found.then.median == pytest.approx(answer(after_s, 0.10, 0.30), abs=0.02, rel=0.15)
    assert found.now.median == pytest.approx(answer(after_s, joint, air), abs=0.02, rel=0.15)
    true = answer(after_s, joint, air) - answer(after_s, 0.10, 0.30)
    # Three standard errors: 25 times are looked at.
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
    assert "After 3 seconds" in picture.description and "After 5 minutes" in picture.description


def test_too_few_steps_are_said() -> None:
    with pytest.raises(TooFewWindowsError, match="0 load steps after a steady minute in the baseline"):
        Machine((0.1, 0.1), (0.3, 0.3)).gather(then_days=0)
