"""How first-order lags answer to a measured power, exactly, at irregular times.

A power reading is a mean over the time before it: over the last second (drivers), or since the last look
(energy counters). So a reading holds *backwards*. Where power jumps, the reading of that second lies between
the levels before and after, and says when within the second the jump came; the die, which answers within that
same second, wants to know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

# A jump is placed within its second where it exceeds this share of the series' range: smaller changes are the
# flicker of the work, and to place those wrongly costs no more than to spread them.
JUMP_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class HeldPower:
    """Power as a staircase: each interval that ends at a look has two treads.

    Arrays of shape (..., n_looks); the first interval has no length.

    Attributes
    ----------
    early_s, early_w
        Length [s] and level [W] of the first tread.
    late_s, late_w
        Length [s] and level [W] of the second.
    """

    early_s: Array
    early_w: Array
    late_s: Array
    late_w: Array


def held_power(times_s: Array, power_w: Array, average_s: Array | float | None = 1.0) -> HeldPower:
    """Read means of power as a staircase with the same energy.

    Where looks lie further apart than the mean reaches, the last level is held until its beginning.

    Parameters
    ----------
    times_s
        When each reading was taken, not decreasing [s], shape (..., n_looks); equal times are padding.
    power_w
        The readings [W], same shape, no NaN.
    average_s
        Over how long before its time a reading is the mean [s], one for all or for each; None where since the
        last look.
    """
    times_s, power_w = np.asarray(times_s, float), np.asarray(power_w, float)
    spacing_s = np.diff(times_s, axis=-1, prepend=times_s[..., :1])
    reach_s = spacing_s if average_s is None else np.minimum(spacing_s, average_s)
    before_w = np.concatenate([power_w[..., :1], power_w[..., :-1]], axis=-1)
    after_w = np.concatenate([power_w[..., 1:], power_w[..., -1:]], axis=-1)
    jump_w = after_w - before_w
    range_w = np.ptp(power_w, axis=-1, keepdims=True)
    is_large = np.abs(jump_w) > JUMP_SHARE * range_w
    share = np.divide(power_w - before_w, jump_w, out=np.zeros_like(jump_w), where=is_large)
    is_jump = is_large & (share >= 0.0) & (share <= 1.0)
    late_s = np.where(is_jump, share * reach_s, reach_s)
    return HeldPower(
        early_s=spacing_s - late_s,
        early_w=before_w,
        late_s=late_s,
        late_w=np.where(is_jump, after_w, power_w),
    )


def lag_responses(power: HeldPower, time_constants_s: Sequence[float]) -> Array:
    """Follow a staircase of power with lags of first order, exactly.

    Parameters
    ----------
    power
        Shape (..., n_looks). Before its first look it is taken to have stood at that level for ever.
    time_constants_s
        Of each lag [s], positive.

    Returns
    -------
    Array
        What each lag shows at each look [W], shape (..., n_looks, n_lags).
    """
    constants_s = np.asarray(time_constants_s, float)
    # Looks first: each turn of the loop then works on one stretch of memory.
    early_s, early_w, late_s, late_w = (
        np.ascontiguousarray(np.moveaxis(tread, -1, 0))[..., None]
        for tread in (power.early_s, power.early_w, power.late_s, power.late_w)
    )
    late_keep = np.exp(-late_s / constants_s)
    keep: Array = np.exp(-early_s / constants_s) * late_keep
    gain = early_w * (late_keep - keep) + late_w * (1.0 - late_keep)
    shown_w: Array = np.empty_like(keep)
    shown_w[0] = early_w[0]
    for look in range(1, len(keep)):
        shown_w[look] = shown_w[look - 1] * keep[look] + gain[look]
    return np.moveaxis(shown_w, 0, -2)
