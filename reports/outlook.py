"""How long until the limit: a creeping path carried on in a straight line, at the owner's room and power."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .baseline import NORMAL_95
from .detection import Detection
from .heat_path import Estimate

NORMAL_80 = 1.281552
LONGEST_INTERVAL_DAYS = 365.0  # wider than a year, a date would mean nothing
# Where no throttle point is known: common practice, no source.
LIMITS_C = {"gpu": 87.0, "cpu": 95.0}


@dataclass(frozen=True, slots=True)
class Outlook:
    """Temperature now at the reference, and days to the limit; None where ``reason`` says why."""

    limit_c: float
    reference_ambient_c: float
    reference_power_w: float
    now_c: float | None
    days_to_limit: float | None
    ci80_days: tuple[float, float] | None
    reason: str = ""


def limit_of(source: str) -> float:
    """Temperature at which a source of this kind throttles [°C]."""
    return LIMITS_C.get(source.rstrip("0123456789"), LIMITS_C["cpu"])


def outlook(
    source: str,
    total: Estimate | None,
    *,
    total_change: tuple[float, float] | None,
    moving: tuple[Detection, float] | None,
    ambient_c: float,
    power_w: float,
) -> Outlook:
    """Look ahead.

    Parameters
    ----------
    source
        Its kind gives the limit.
    total
        Whole path in the baseline.
    total_change
        What became of it: logarithm of its ratio, and standard error.
    moving
        The part that creeps, and its share in the whole.
    ambient_c, power_w
        The owner's room [°C] and load [W].
    """
    limit_c = limit_of(source)

    def unknown(reason: str, now_c: float | None = None) -> Outlook:
        return Outlook(limit_c, ambient_c, power_w, now_c, None, None, reason)

    if total is None or total_change is None or not math.isfinite(power_w):
        return unknown("the whole path is not known")
    log_ratio, log_error = total_change
    rise_k = power_w * total.k_per_w * math.exp(log_ratio)
    now_c = ambient_c + rise_k
    found, share = moving or (None, 0.0)
    trend, trend_ci95 = (found.trend_pct_per_30d, found.trend_ci95) if found else (None, None)
    if trend is None or trend_ci95 is None:
        return unknown("nothing creeps", now_c)
    each_k = power_w * total.k_per_w * share / 100.0 / 30.0  # kelvin a day for each per cent in 30 days
    slope, error = each_k * trend, each_k * (trend_ci95[1] - trend_ci95[0]) / 2.0 / NORMAL_95
    relative = total.standard_error_k_per_w / total.k_per_w
    ahead = _crossing(limit_c - now_c, rise_k * math.hypot(log_error, relative), slope, error)
    if isinstance(ahead, str):
        return unknown(ahead, now_c)
    return Outlook(limit_c, ambient_c, power_w, now_c, *ahead)


def _crossing(
    room_k: float, room_error_k: float, slope: float, error: float
) -> tuple[float, tuple[float, float]] | str:
    """Days until a rise is used up and their 80 % interval, or why there is none."""
    if room_k <= 0.0:
        return "already at its limit"
    slowest = slope - NORMAL_80 * error
    if slowest <= 0.0:
        return "it does not grow" if slope <= 0.0 else "no date: the creep may as well end"
    days = room_k / slope
    # Both ends at once would be too wide: their shares of the interval add as errors do.
    by_room = NORMAL_80 * room_error_k / slope
    early = days - math.hypot(days - room_k / (slope + NORMAL_80 * error), by_room)
    late = days + math.hypot(room_k / slowest - days, by_room)
    if late - max(early, 0.0) > LONGEST_INTERVAL_DAYS:
        return "no date: the interval is wider than a year"
    return days, (max(early, 0.0), late)
