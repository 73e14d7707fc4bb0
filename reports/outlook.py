"""How long until the limit: a creeping part carried on by its laws, at the owner's room and power."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .creep_laws import CreepForecast
from .heat_path import Estimate

Array = npt.NDArray[np.float64]

LONGEST_INTERVAL_DAYS = 365.0  # wider than a year, a date would mean nothing
FARTHEST_DAYS = 3650.0
STEPS = 800  # on a logarithmic scale: hours at first, weeks at last
# Where no throttle point is known: common practice, no source.
LIMITS_C = {"gpu": 87.0, "cpu": 95.0}
ENDS = "no date: the creep may also come to an end"
TOO_WIDE = "no date: the interval is wider than a year"


@dataclass(frozen=True, slots=True)
class Outlook:
    """Temperature now at the reference, and days to the limit; None where ``reason`` says why.

    Attributes
    ----------
    law, clock
        By what it is carried on, such as "root" and "counted cycles"; empty where nothing creeps.
    worse
        The other laws and clocks, with the weights that they still have in the interval.
    """

    limit_c: float
    reference_ambient_c: float
    reference_power_w: float
    now_c: float | None
    days_to_limit: float | None
    ci80_days: tuple[float, float] | None
    reason: str = ""
    law: str = ""
    clock: str = ""
    worse: dict[str, float] = field(default_factory=dict)


def limit_of(source: str) -> float:
    """Temperature at which a source of this kind throttles [°C]."""
    return LIMITS_C.get(source.rstrip("0123456789"), LIMITS_C["cpu"])


def outlook(
    source: str,
    total: Estimate | None,
    *,
    total_change: tuple[float, float] | None,
    creep: CreepForecast | None = None,
    share: float = 1.0,
    ambient_c: float,
    power_w: float,
    limit_c: float | None = None,
) -> Outlook:
    """Look ahead.

    Parameters
    ----------
    source
        Its kind gives the limit where ``limit_c`` does not.
    total
        Whole path in the baseline.
    total_change
        What became of it in the last thirty days: logarithm of its ratio, and standard error.
    creep, share
        How the part that creeps goes on, and its share in the whole in the baseline; None where none does.
    ambient_c, power_w
        The owner's room [°C] and load [W].
    limit_c
        Where the source throttles [°C].
    """
    limit_c = limit_of(source) if limit_c is None else limit_c

    def unknown(reason: str, now_c: float | None = None) -> Outlook:
        return Outlook(limit_c, ambient_c, power_w, now_c, None, None, reason)

    if total is None or total_change is None or not math.isfinite(power_w) or power_w <= 0.0:
        return unknown("the whole path is not known")
    log_ratio, log_error = total_change
    healthy_k, ratio = power_w * total.k_per_w, math.exp(log_ratio)
    if creep is None or share <= 0.0:
        now_c = ambient_c + healthy_k * ratio
        return unknown("already at its limit" if limit_c <= now_c else "nothing creeps", now_c)
    # The last thirty days are half a month old on average; what has grown since is added.
    now_c = ambient_c + healthy_k * (ratio + share * (creep.now_ratio - creep.recent_ratio))
    limit_ratio = (limit_c - ambient_c) / healthy_k
    relative = total.standard_error_k_per_w / total.k_per_w
    growth_error = math.hypot(ratio * log_error, limit_ratio * relative) / share
    ahead = _foreseen(creep, (limit_ratio - ratio) / share, growth_error, limit_c - now_c)
    return Outlook(limit_c, ambient_c, power_w, now_c, *ahead, creep.law, creep.clock, creep.worse)


def _foreseen(
    creep: CreepForecast, growth: float, growth_error: float, room_k: float
) -> tuple[float | None, tuple[float, float] | None, str]:
    """Median day of reaching a ratio and its 80 % interval, or why there is none."""
    if room_k <= 0.0:
        return None, None, "already at its limit"
    if creep.now_ratio <= creep.recent_ratio:
        return None, None, "it does not grow"
    ahead_days = np.expm1(np.linspace(0.0, math.log1p(FARTHEST_DAYS), STEPS))
    chance = creep.chance_reached(growth, growth_error, ahead_days)
    if chance[-1] <= 0.9:
        return None, None, ENDS
    early, middle, late = (_first_day(ahead_days, chance, level) for level in (0.1, 0.5, 0.9))
    if late - early > LONGEST_INTERVAL_DAYS:
        return None, None, TOO_WIDE
    return middle, (early, late), ""


def _first_day(ahead_days: Array, chance: Array, level: float) -> float:
    """Day on which a rising chance passes a level; 0 where it has already."""
    after = int(np.argmax(chance >= level))
    if after == 0:
        return 0.0
    return float(np.interp(level, chance[after - 1 : after + 1], ahead_days[after - 1 : after + 1]))
