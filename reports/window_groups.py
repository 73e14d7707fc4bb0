"""Which settled windows are alike, which are under load, and which fan follows them."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd

from .reference_temperature import IDLE_FACTOR, IDLE_QUANTILE

LEAST_LOADED = 12
LOADED_FACTOR = 1.5  # of the idle power
LEAST_MEMORY_SD_PCT = 5.0
LEAST_SPEED_RATIO = 1.1
LEAST_FOLLOWING = 0.3  # rank correlation of a fan's speed with the temperature of what it cools
# What a group of like windows may lie off the model: half a step of a whole-degree sensor at rest, and a
# hundredth of the rise for air, work and sink that are not quite the same.
GROUP_ERROR_K, GROUP_ERROR_SHARE = 0.25, 0.01
ALIKE_POWER, ALIKE_SPEED, ALIKE_MEMORY_PCT = 0.05, 0.05, 10.0


def loaded(windows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Which windows are under load: well above what the source takes at idle."""
    power_w = windows["power_w"].to_numpy(float)
    if not len(power_w):
        return np.zeros(0, bool)
    return power_w > LOADED_FACTOR * IDLE_FACTOR * float(np.quantile(power_w, IDLE_QUANTILE))


def fan_of(windows: pd.DataFrame) -> str:
    """The fan that follows the temperature of this source most closely; empty where none does.

    A fan that is named after another source (``gpu0_fan1``) is that one's.
    """
    strangers = [
        column.removeprefix("power_w.") for column in windows.columns if column.startswith("power_w.")
    ]
    best, name = LEAST_FOLLOWING, ""
    for column in windows.columns:
        owner = column.removeprefix("speed.").rpartition("_fan")[0]
        if not column.startswith("speed.") or owner in strangers:
            continue
        speed = windows[column]
        is_turning = speed > 0.0
        if int(is_turning.sum()) < LEAST_LOADED:
            continue
        if speed[is_turning].quantile(0.95) < LEAST_SPEED_RATIO * speed[is_turning].quantile(0.05):
            continue
        follows = windows.loc[is_turning, "temperature_c"].rank().corr(speed[is_turning].rank())
        if follows > best:
            best, name = float(follows), column.removeprefix("speed.")
    return name


def alike(windows: pd.DataFrame, fan: str) -> pd.DataFrame:
    """Means of windows that are alike in power, in the power of the others, in fan speed and memory load.

    Returns
    -------
    DataFrame
        Columns as before, and ``group_error_k``: standard error of each group's rise [K].
    """
    powers = [column for column in windows.columns if column == "power_w" or column.startswith("power_w.")]
    total_w = windows[powers].sum(axis=1)
    keys = [np.round(np.log(total_w) / ALIKE_POWER)]
    keys += [np.round(windows[power] / (ALIKE_POWER * total_w)) for power in powers]
    if fan:
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
