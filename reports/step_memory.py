"""Where the heat of a load step is made: what is made in the memory beside the die hardly warms the die."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from .regression import fit_huber

Array = npt.NDArray[np.float64]

LEAST_STEPS = 12
LEAST_MEMORY_SD_PCT = 5.0
LEAST_SHARE = 0.1  # of rises and of falls, for the two to be told apart
# Of the logarithm, for memory that is always busy against never: on an accelerator a copy gave half of what
# compute gave (own recording).
LEAST_SLOPE, MOST_SLOPE = -1.5, 0.5


def memory_of_steps(steps: pd.DataFrame) -> Array:
    """Share of a step's power for which memory was busy [%], NaN where it was not had.

    What a step shows is the change of heat, so the busy share is that of the change: of a step from idle it
    is the share after it.
    """
    before_w, after_w = (steps[f"power_{side}_w"].to_numpy(float) for side in ("before", "after"))
    before_pct, after_pct = (
        steps[f"memory_utilization_{side}_pct"].to_numpy(float) for side in ("before", "after")
    )
    change_w = np.where(after_w == before_w, np.nan, after_w - before_w)
    share: Array = np.clip((after_w * after_pct - before_w * before_pct) / change_w, 0.0, 100.0)
    return share


def memory_slope(steps: pd.DataFrame) -> float:
    """How the logarithm of the interface part goes with the busy share of memory (0 to 1).

    Works differ within one class of work too; with this they are compared at the middle of the class.

    Parameters
    ----------
    steps
        Columns as `DerivedStore.load_steps` gives them, of a healthy stretch.

    Returns
    -------
    float
        0 where memory was not had or hardly varied.
    """
    known = steps[(steps["not_identifiable"] == "") & (steps["interface_resistance_k_per_w"] > 0.0)]
    memory_pct = memory_of_steps(known)
    is_had = np.isfinite(memory_pct)
    if int(is_had.sum()) < LEAST_STEPS or float(np.std(memory_pct[is_had])) < LEAST_MEMORY_SD_PCT:
        return 0.0
    known, memory = known[is_had], memory_pct[is_had] / 100.0
    resistance = known["interface_resistance_k_per_w"].to_numpy(float)
    relative = known["standard_error_k_per_w"].to_numpy(float) / resistance
    is_rise = (known["power_after_w"] > known["power_before_w"]).to_numpy(float)
    weight = 1.0 / np.hypot(relative, np.median(relative))
    columns = [np.ones(len(known)), memory - memory.mean()]
    if LEAST_SHARE < float(is_rise.mean()) < 1.0 - LEAST_SHARE:
        columns.append(is_rise)
    fit = fit_huber(np.column_stack(columns) * weight[:, None], np.log(resistance) * weight)
    return float(np.clip(fit.coefficients[1], LEAST_SLOPE, MOST_SLOPE))
