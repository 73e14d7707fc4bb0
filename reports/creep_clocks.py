"""Clocks by which a part may age: the calendar, counted cycles and hot hours."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[np.float64]

DAYS, CYCLES, HOT_HOURS = "days", "counted cycles", "hot hours"
COLUMNS = {CYCLES: "cycles", HOT_HOURS: "hot_h"}  # of `day_exposure`
RATE_DAYS = 30
# How far a month's use differs from the month before it, and how many months that is worth against what the
# record says of it: common practice, no source.
USUAL_RATE_SPREAD, USUAL_RATE_MONTHS = 0.3, 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Clock:
    """One clock.

    Attributes
    ----------
    name
        ``DAYS``, ``CYCLES`` or ``HOT_HOURS``.
    edges, reached
        Moments [days since 1970], rising, and what the clock shows then.
    rate_per_day
        How fast it went in the last thirty days.
    rate_spread
        How far the future may differ from that, relative.
    """

    name: str
    edges: Array
    reached: Array
    rate_per_day: float
    rate_spread: float

    def at(self, days: npt.ArrayLike) -> Array:
        """What it shows in the middle of some days [days since 1970]."""
        return np.asarray(np.interp(np.asarray(days, float) + 0.5, self.edges, self.reached), float)


def clocks(exposure: pd.DataFrame | None, from_day: float, to_day: float) -> list[Clock]:
    """The clocks that were running from one day to another.

    Parameters
    ----------
    exposure
        As `day_exposure` gives it; a day without a row was one on which the machine was off. None, or one
        that begins too late, leaves the calendar alone.
    from_day, to_day
        First and last day [days since 1970].
    """
    edges = np.arange(math.floor(from_day), math.floor(to_day) + 2.0)
    found = [Clock(DAYS, edges, edges - edges[0], 1.0, 0.0)]
    if exposure is None or exposure.empty:
        return found
    known = pd.DatetimeIndex(pd.to_datetime(exposure.index, utc=True))
    numbers = (known - pd.Timestamp(0, tz="UTC")) // pd.Timedelta(days=1)
    if int(numbers.min()) > edges[0] + RATE_DAYS / 4.0:
        return found
    for name, column in COLUMNS.items():
        by_day = pd.Series(exposure[column].to_numpy(float), numbers).reindex(edges[:-1], fill_value=0.0)
        of_day = np.nan_to_num(by_day.to_numpy(float))
        rate = float(of_day[-RATE_DAYS:].mean())
        if rate > 0.0:
            reached = np.concatenate([[0.0], np.cumsum(of_day)])
            found.append(Clock(name, edges, reached, rate, _rate_spread(of_day)))
    return found


def _rate_spread(of_day: Array) -> float:
    """How far a month differs from the month before, of what is usual and what was seen."""
    n_months = len(of_day) // RATE_DAYS
    months = of_day[len(of_day) - n_months * RATE_DAYS :].reshape(n_months, RATE_DAYS).sum(axis=1)
    middle = 0.5 * (months[1:] + months[:-1])
    away = np.diff(months)[middle > 0.0] / middle[middle > 0.0]
    total = USUAL_RATE_MONTHS * USUAL_RATE_SPREAD**2 + float(away @ away)
    return math.sqrt(total / (USUAL_RATE_MONTHS + len(away)))
