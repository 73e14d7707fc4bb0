"""A machine that does not exist and whose load steps are known, as readers and derived stores show it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatdrift.store.records import Cadence

from .made_pictures import DAY_MS, FIRST_MS

Array = npt.NDArray[np.float64]

JOINT_TAU_S, AIR_TAU_S = 0.7, 120.0
IDLE_W, LOAD_W = 10.0, 90.0
PERIOD_S, LOAD_S = 700, 300
STEPS_A_DAY = 24


def answer(after_s: Array, joint: float, air: float) -> Array:
    """True answer of a path [K/W]."""
    return joint * -np.expm1(-after_s / JOINT_TAU_S) + air * -np.expm1(-after_s / AIR_TAU_S)


class SteppingMachine:
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

    def cells(self, source: str) -> pd.DataFrame:
        """None: nobody counted its cycles."""
        return pd.DataFrame({"day": [], "part": [], "value": []})
