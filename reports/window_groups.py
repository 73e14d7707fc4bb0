"""Which settled windows are alike, which are under load, and which fan follows them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from .reference_temperature import IDLE_FACTOR, IDLE_QUANTILE

LEAST_LOADED = 12
LOADED_FACTOR = 1.5  # of the idle power
LEAST_MEMORY_SD_PCT = 5.0
LEAST_SPEED_RATIO = 1.1
CLEARLY_ELSEWHERE = 0.2  # the same, by how much more with another source's power
THE_SAME_FAN = 0.95  # one seen twice: what a driver asks for, and what a tachometer counts
NEARLY_THE_SAME = 0.9  # such a pair at the few speeds that a month of work needs
LEAST_FOLLOWING = 0.3  # rank correlation of a fan's speed with the temperature of what it cools
# What a group of like windows may lie off the model: most of what a whole-degree sensor at rest
# hides, and near a hundredth of the rise for air, work and sink that are not quite the same.
GROUP_ERROR_K, GROUP_ERROR_SHARE = 0.2, 0.008
ALIKE_POWER, ALIKE_SPEED, ALIKE_MEMORY_PCT = 0.05, 0.05, 10.0


def loaded(windows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Which windows are under load: well above what the source takes at idle."""
    power_w = windows["power_w"].to_numpy(float)
    if not len(power_w):
        return np.zeros(0, bool)
    # Where work and fans rarely rest together hardly any window is one of idle.
    idle_w = windows["idle_w"].to_numpy(float) if "idle_w" in windows else np.quantile(power_w, IDLE_QUANTILE)
    return np.asarray(power_w > LOADED_FACTOR * IDLE_FACTOR * idle_w)


def powers_of(windows: pd.DataFrame) -> list[str]:
    """Columns of power: the source's own first, then those of the others."""
    return ["power_w", *(column for column in windows.columns if column.startswith("power_w."))]


def fans_of(windows: pd.DataFrame) -> tuple[list[str], bool]:
    """The fans that may cool this source: the one that follows it, else all that are nobody else's.

    A fan that is named after another source (``gpu0_fan1``), or turns just as such a one does, is not ours.
    On a shared sink a fan follows whoever is hottest; one that follows another source clearly more closely
    is taken only where no other is.

    Parameters
    ----------
    windows
        Settled windows under load.

    Returns
    -------
    tuple
        The fans, and whether they were seen to follow this source: one that does not can cool it only where
        it shares the sink of another.
    """
    strangers = [
        column.removeprefix("power_w.") for column in windows.columns if column.startswith("power_w.")
    ]
    fans = [column.removeprefix("speed.") for column in windows.columns if column.startswith("speed.")]
    named = [f"speed.{fan}" for fan in fans if owner_of(fan) in strangers]
    theirs = [*named, *(f"power_w.{other}" for other in strangers)]
    follows, left = {}, []
    for fan in turning_fans(windows):
        speed = windows[f"speed.{fan}"]
        if speed.quantile(0.95) < LEAST_SPEED_RATIO * speed.quantile(0.05) or owner_of(fan) in strangers:
            continue
        likeness = {name: _likeness(windows[name], speed) for name in ("temperature_c", *theirs)}
        if any(likeness[name] > THE_SAME_FAN for name in named):
            continue
        left.append(fan)
        mine = likeness.pop("temperature_c")
        if mine > LEAST_FOLLOWING and max(likeness.values(), default=0.0) < mine + CLEARLY_ELSEWHERE:
            follows[fan] = mine
    if follows:
        best = max(follows, key=lambda name: follows[name])
        return [_counted(best, list(follows), windows)], True
    return left, False


def _counted(fan: str, fans: Sequence[str], windows: pd.DataFrame) -> str:
    """The fan whose speed is counted where ``fan`` is the same one as its driver asks for it, else itself.

    Only a counted speed shows that a fan has worn.
    """
    if not owner_of(fan):
        return fan
    asked = windows[f"speed.{fan}"]
    twins = {one: _likeness(asked, windows[f"speed.{one}"]) for one in fans if not owner_of(one)}
    best = max(twins, key=lambda name: twins[name], default=fan)
    return best if twins.get(best, 0.0) > NEARLY_THE_SAME else fan


def owner_of(fan: str) -> str:
    """The source that a fan is named after; empty where it is the board's.

    A fan that is named after a source shows what its driver asks for, not what it does.
    """
    return fan.rpartition("_fan")[0]


def turning_fans(windows: pd.DataFrame) -> list[str]:
    """Fans that turn under load: where one of them stands, the air is another."""
    fans = [column.removeprefix("speed.") for column in windows.columns if column.startswith("speed.")]
    return [fan for fan in fans if windows[f"speed.{fan}"].median() > 0.0]


def alike(windows: pd.DataFrame, fans: Sequence[str]) -> pd.DataFrame:
    """Means of windows that are alike in power, in the power of the others, in fan speeds and memory load.

    Returns
    -------
    DataFrame
        Columns as before, and ``group_error_k``: standard error of each group's rise [K].
    """
    powers = powers_of(windows)
    total_w = windows[powers].sum(axis=1)
    keys = [np.round(np.log(total_w) / ALIKE_POWER)]
    keys += [np.round(windows[power] / (ALIKE_POWER * total_w)) for power in powers]
    for fan in fans:
        keys.append(np.round(np.log(windows[f"speed.{fan}"]) / ALIKE_SPEED))
    if "memory_utilization_pct" in windows:
        keys.append(np.round(windows["memory_utilization_pct"].fillna(-1.0) / ALIKE_MEMORY_PCT))
    grouped = windows.groupby(keys)
    groups = grouped.mean()
    # A group seen once has no scatter of its own: it is given that of the others.
    scatter_k = grouped["rise_k"].std()
    usual_k = float(scatter_k.median()) if scatter_k.notna().any() else GROUP_ERROR_K
    error_k: pd.Series = scatter_k.fillna(usual_k).clip(lower=usual_k) / np.sqrt(grouped.size())
    groups["group_error_k"] = np.sqrt(
        error_k**2 + GROUP_ERROR_K**2 + (GROUP_ERROR_SHARE * groups["rise_k"]) ** 2
    )
    return groups.reset_index(drop=True)


def usual_memory_pct(windows: pd.DataFrame) -> float:
    """Median share of time in which memory was busy; NaN where it was not had or never varied."""
    if "memory_utilization_pct" not in windows:
        return math.nan
    memory_pct = windows["memory_utilization_pct"]
    if not memory_pct.notna().all() or float(memory_pct.std()) < LEAST_MEMORY_SD_PCT:
        return math.nan
    return float(memory_pct.median())


def _likeness(one: pd.Series, other: pd.Series) -> float:
    """Rank correlation; 0 where one of them never changes."""
    if one.nunique() < 2 or other.nunique() < 2:
        return 0.0
    return float(one.rank().corr(other.rank()))
