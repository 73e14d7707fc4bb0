"""Mean power from a counter of energy that wraps, restarts and stands still."""

from __future__ import annotations

from ...store.records import Missing
from .base import Reading

# The counters are renewed about once a millisecond: over 50 ms that is 2 %.
SHORTEST_SPAN_S = 0.05
# A counter that has not moved for half a second belongs to no running part.
STANDSTILL_S = 0.5
DEFAULT_HIGHEST_W = 500.0  # above every desktop package, also in its short-term limit
LIMIT_SHARE = 3.0  # short-term limits are up to about 2.5 x the sustained one


class EnergyMeter:
    """Turns looks at one counter into the mean power between them.

    Parameters
    ----------
    range_uj
        Where the counter wraps [µJ]; None for a counter too wide to wrap.
    highest_w
        Power above which a difference is a restart and not heat [W].
    """

    __slots__ = ("_at_s", "_counter_uj", "highest_w", "longest_gap_s", "range_uj")

    def __init__(self, range_uj: int | None, highest_w: float = DEFAULT_HIGHEST_W) -> None:
        self.range_uj = range_uj
        self.highest_w = highest_w
        # Beyond half of the shortest possible wrap nobody can say how often it wrapped.
        self.longest_gap_s = float("inf") if range_uj is None else range_uj / 1e6 / highest_w / 2
        self._counter_uj: int | None = None
        self._at_s = 0.0

    def restart(self) -> None:
        """Forget the last look: the next one is a first look."""
        self._counter_uj = None

    def mean_milli_w(self, counter_uj: int, at_boot_s: float) -> Reading:
        """Mean power since the last look [mW].

        Parameters
        ----------
        counter_uj
            The counter now [µJ].
        at_boot_s
            Now, in seconds since boot with suspended time [s].
        """
        before_uj, span_s = self._counter_uj, at_boot_s - self._at_s
        if before_uj is not None and 0 <= span_s < SHORTEST_SPAN_S:
            return Missing.NOT_READ  # keep the baseline, so that the next mean is a whole one
        self._counter_uj, self._at_s = counter_uj, at_boot_s
        if before_uj is None:
            return Missing.FIRST_LOOK
        if span_s < 0 or span_s > self.longest_gap_s:
            return Missing.COUNTER_RESTART
        spent_uj = counter_uj - before_uj
        if spent_uj < 0 and self.range_uj is not None and counter_uj <= self.range_uj:
            spent_uj += self.range_uj + 1  # the range is the highest value, zero comes after it
        if spent_uj < 0:  # it began again, or what was read before was no counter
            return Missing.COUNTER_RESTART
        if spent_uj == 0 and span_s >= STANDSTILL_S:
            return Missing.STUCK
        mean_milli_w = round(spent_uj / span_s / 1000)
        return mean_milli_w if mean_milli_w <= self.highest_w * 1000 else Missing.COUNTER_RESTART
