"""Whether a path with liquid metal is suddenly hotter than ever lately at like power."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from math import exp

from ..store.past_heat import HeatRow

LEAST_W, MOST_W = 10.0, 2000.0  # below, a few watts more or less are more than five per cent
BIN_RATIO = 1.05
SMOOTHING_S = 300.0  # a heatsink that others warmed stays warm about so long
LEAST_SEEN_S = 600.0  # so long must be known at like power before anything is out of the ordinary
OTHERS_FROM_W, OTHERS_BUCKETS = 10.0, 9  # powers of two

EDGES_MILLI_W: list[int] = []
while not EDGES_MILLI_W or EDGES_MILLI_W[-1] < MOST_W * 1000:
    EDGES_MILLI_W.append(round(LEAST_W * 1000 * BIN_RATIO ** len(EDGES_MILLI_W)))
OTHERS_MILLI_W = [round(OTHERS_FROM_W * 1000 * 2**n) for n in range(OTHERS_BUCKETS - 1)]


class MetalWatch:
    """Follows one source.

    Highest temperatures are kept by own power, in bins of 5 %, and by what all other sources draw, because
    they warm the same heatsink. A look is compared with its own bin and both neighbours, at as much or more
    power of the others; what was drawn until lately counts as drawn, so that a heatsink which is only cooling
    down raises no alarm.

    Attributes
    ----------
    rise_milli_k
        How far the last look lay above the highest known, where that is an alarm in the making.
    since_utc_ms
        Since when [ms since 1970].
    """

    __slots__ = (
        "_highs",
        "_lasts_s",
        "_n_looks",
        "_others_milli_w",
        "_own_milli_w",
        "_seen_s",
        "_sustain_s",
        "_threshold",
        "rise_milli_k",
        "since_utc_ms",
    )

    def __init__(self, threshold_milli_k: int, sustain_s: float, past: Iterable[HeatRow] = ()) -> None:
        self._threshold = threshold_milli_k
        self._sustain_s = sustain_s
        self._highs: dict[int, int] = {}
        self._seen_s: dict[int, float] = {}
        self._own_milli_w = self._others_milli_w = 0.0
        self._lasts_s = 0.0
        self._n_looks = self.rise_milli_k = self.since_utc_ms = 0
        for row in past:
            if row.power_milli_w >= EDGES_MILLI_W[0]:
                self._learn(_slot(row.power_milli_w, row.others_milli_w), row.temperature_milli_c, row.span_s)

    def note(self, now_utc_ms: int, step_s: float, power: int, others: int, temperature: int) -> bool:
        """Take one look [thousandths]; True where it completes an alarm.

        Parameters
        ----------
        step_s
            Seconds since the look before; 0 after a gap.
        """
        keeps = exp(-step_s / SMOOTHING_S) if step_s else 0.0
        self._own_milli_w = keeps * self._own_milli_w + (1 - keeps) * power
        self._others_milli_w = keeps * self._others_milli_w + (1 - keeps) * others
        if step_s == 0:
            self._lasts_s = self._n_looks = 0
        if power < EDGES_MILLI_W[0] or power * BIN_RATIO < self._own_milli_w:
            self._lasts_s = self._n_looks = 0
            return False
        rest = max(others, round(self._others_milli_w))
        slot = _slot(power, rest)
        high = self._known_high(slot)
        if high is None or temperature < high + self._threshold:
            self._lasts_s = self._n_looks = 0
            self._learn(slot, temperature, step_s)
            return False
        if self._n_looks == 0:
            self.since_utc_ms = now_utc_ms
        else:
            self._lasts_s += step_s
        self._n_looks += 1
        self.rise_milli_k = temperature - high
        if self._lasts_s < self._sustain_s or self._n_looks < 3:
            return False
        self._learn(slot, temperature, step_s)  # told once; from now on this is what is known
        self._lasts_s = self._n_looks = 0
        return True

    def _known_high(self, slot: int) -> int | None:
        high, seen_s = None, 0.0
        own, others = divmod(slot, OTHERS_BUCKETS)
        for power_bin in (own - 1, own, own + 1):
            for bucket in range(others, OTHERS_BUCKETS):
                known = self._highs.get(power_bin * OTHERS_BUCKETS + bucket)
                if known is not None:
                    seen_s += self._seen_s[power_bin * OTHERS_BUCKETS + bucket]
                    high = known if high is None or known > high else high
        return high if seen_s >= LEAST_SEEN_S else None

    def _learn(self, slot: int, temperature: int, span_s: float) -> None:
        self._highs[slot] = max(temperature, self._highs.get(slot, temperature))
        self._seen_s[slot] = self._seen_s.get(slot, 0.0) + span_s


def _slot(power_milli_w: int, others_milli_w: int) -> int:
    own = bisect_right(EDGES_MILLI_W, power_milli_w)
    return own * OTHERS_BUCKETS + bisect_right(OTHERS_MILLI_W, others_milli_w)
