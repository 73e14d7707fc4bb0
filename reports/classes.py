"""Workload classes: what has to be alike before two resistances may be compared.

A heat path reads differently with another kind of work: heat that is made in the memory comes in beside the
die, and a rising step may read higher than a falling one, because a card overshoots its limit for less than a
look. The grid of the classes is fixed, so that a class is the same whatever else was recorded.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from .step_memory import memory_of_steps

Array = npt.NDArray[np.float64]

POWER_BIN = 0.2  # of a logarithm: within a fifth, conductivities and spreading are the same to a hundredth
SPEED_BIN = 0.1
MEMORY_BIN_PCT = 25.0
NEIGHBOUR_BINS = np.array([0.1, 0.5])  # share of the others in the power of all
NEIGHBOUR_WORDS = ("alone", "beside less", "beside more")
# Scatter that is seen within a class counts like this many more observations that scatter as stated: two
# that happen to agree are no proof of a small error.
PRIOR_DEGREES = 3.0
HUBER_THRESHOLD = 1.345
ROUNDS = 4


def step_classes(steps: pd.DataFrame) -> pd.Series:
    """Class of each load step: direction, upper power, and how busy memory was, such as ``rise 90-110 W``.

    Parameters
    ----------
    steps
        Columns as `DerivedStore.load_steps` gives them, powers known.
    """
    before_w, after_w = (steps[f"power_{side}_w"].to_numpy(float) for side in ("before", "after"))
    is_rise = after_w > before_w
    upper_w = np.maximum(np.maximum(before_w, after_w), 1.0)
    memory = _binned(memory_of_steps(steps), MEMORY_BIN_PCT)
    codes = np.column_stack([is_rise, np.round(np.log(upper_w) / POWER_BIN), memory])

    def name(code: Array) -> str:
        return f"{'rise' if code[0] else 'fall'} {_power_word(code[1])}{_memory_word(code[2])}"

    return _named(codes, name)


def to_the_middle(memory_pct: Array) -> Array:
    """How far the middle of its class lies from each share of busy memory, as a share; 0 where unknown."""
    middle = (np.floor(np.minimum(memory_pct, 99.9) / MEMORY_BIN_PCT) + 0.5) * MEMORY_BIN_PCT
    return np.asarray(np.nan_to_num((middle - memory_pct) / 100.0), float)


def window_classes(windows: pd.DataFrame, fan: str) -> pd.Series:
    """Class of each settled window: power, the others' share, speed of the fan and how busy memory was.

    Parameters
    ----------
    windows
        As `settled_windows` gives them, under load.
    fan
        The one that cools the source; empty where none is known.
    """
    own_w = windows["power_w"].to_numpy(float)
    others = [column for column in windows.columns if column.startswith("power_w.")]
    others_w = np.nan_to_num(windows[others].to_numpy(float)).sum(axis=1) if others else np.zeros(len(own_w))
    beside = np.searchsorted(NEIGHBOUR_BINS, others_w / np.maximum(own_w + others_w, 1.0))
    column = f"speed.{fan}"
    speed = windows[column].to_numpy(float) if column in windows else np.full(len(own_w), np.nan)
    speed_bin = np.round(np.log(np.where(speed > 0.0, speed, np.nan)) / SPEED_BIN)
    memory_pct = (
        windows["memory_utilization_pct"].to_numpy(float)
        if "memory_utilization_pct" in windows
        else np.full(len(own_w), np.nan)
    )
    codes = np.column_stack(
        [
            np.round(np.log(np.maximum(own_w, 1.0)) / POWER_BIN),
            beside,
            np.nan_to_num(speed_bin, nan=-1.0),
            _binned(memory_pct, MEMORY_BIN_PCT),
        ]
    )

    def name(code: Array) -> str:
        fan_word = f" fan at {np.exp(code[2] * SPEED_BIN):.0f}" if code[2] >= 0.0 else ""
        return f"{_power_word(code[0])} {NEIGHBOUR_WORDS[int(code[1])]}{fan_word}{_memory_word(code[3])}"

    return _named(codes, name)


def day_cells(observations: pd.DataFrame) -> pd.DataFrame:
    """One robust mean for each day and class.

    Each cell comes from its own observations alone.

    Parameters
    ----------
    observations
        Columns ``day``, ``workload_class``, ``log_value`` and ``standard_error`` (of the logarithm).

    Returns
    -------
    DataFrame
        ``day``, ``workload_class``, ``log_value``, ``standard_error`` and ``n``, one row for each cell.
        Observations that disagree with their cell are held back, and a cell that scatters more than its
        observations admit has a larger error.
    """
    keys = pd.MultiIndex.from_frame(observations[["day", "workload_class"]])
    cells, names = keys.factorize(sort=True)
    values = observations["log_value"].to_numpy(float)
    # One observation is not known better than its fellows: else the best stated error speaks for the cell.
    errors = observations["standard_error"].to_numpy(float)
    n_cells = len(names)
    errors = np.hypot(errors, _medians(errors, cells, n_cells)[cells]) / np.sqrt(2.0)
    counts = np.bincount(cells, minlength=n_cells)
    center = _medians(values, cells, n_cells)
    away = np.abs(values - center[cells]) / errors
    # The scale of a cell: as stated, or as its middle half scatters.
    scale = np.maximum(1.0, np.where(counts > 2, _medians(away, cells, n_cells) / 0.6745, 1.0))
    for _ in range(ROUNDS):
        residual = np.abs(values - center[cells]) / (errors * scale[cells])
        weights = HUBER_THRESHOLD / np.maximum(residual, HUBER_THRESHOLD) / errors**2
        total = np.bincount(cells, weights, n_cells)
        center = np.bincount(cells, weights * values, n_cells) / total
    squares = np.bincount(cells, weights * (values - center[cells]) ** 2, n_cells)
    excess = (squares + PRIOR_DEGREES) / (np.maximum(counts - 1, 0) + PRIOR_DEGREES)
    return pd.DataFrame(
        {
            "day": [name[0] for name in names],
            "workload_class": [name[1] for name in names],
            "log_value": center,
            "standard_error": np.sqrt(np.maximum(excess, 1.0) / total),
            "n": counts,
        }
    )


def _binned(values: Array, width: float) -> Array:
    """Number of the bin, -1 where there is no value."""
    return np.nan_to_num(np.minimum(np.floor(values / width), np.floor(99.9 / width)), nan=-1.0)


def _power_word(number: float) -> str:
    low, high = np.exp((number + np.array([-0.5, 0.5])) * POWER_BIN)
    return f"{low:.0f}-{high:.0f} W"


def _memory_word(number: float) -> str:
    if number < 0.0:
        return ""
    return f" memory {number * MEMORY_BIN_PCT:.0f}-{(number + 1) * MEMORY_BIN_PCT:.0f} %"


def _named(codes: Array, name: object) -> pd.Series:
    assert callable(name)
    unique, which = np.unique(codes, axis=0, return_inverse=True)
    words = np.array([name(code) for code in unique], dtype=object)
    return pd.Series(words[which.ravel()] if len(unique) else [], dtype=object)


def _medians(values: Array, groups: npt.NDArray[np.int64], n_groups: int) -> Array:
    """Median of each group; every group has a value."""
    order = np.lexsort((values, groups))
    counts = np.bincount(groups, minlength=n_groups)
    begin = np.concatenate([[0], np.cumsum(counts)[:-1]])
    ordered = values[order]
    medians: Array = (ordered[begin + (counts - 1) // 2] + ordered[begin + counts // 2]) / 2.0
    return medians
