"""Whether a source is under load, and whether its load just stepped: one follower for each source.

A step is a shift that lasts: the mean of the last three looks against the mean of up to five before them.
It must be large against the range in which this source is known to move (its power limit, else what has been
seen) and stand clear of the noise just before. Everything is in thousandths, as it was read.
"""

from __future__ import annotations

from collections import deque

from ..store.units import MILLI, POWER, QUANTITY_INDEX, UTILIZATION

LIMIT = QUANTITY_INDEX["enforced_limit_w"]
AFTER_LOOKS = 3  # at 1 s: shorter is a spike, longer would delay what the ring has to bridge
BEFORE_LOOKS = 5
LEAST_BEFORE_LOOKS = 3
KEPT_LOOKS = BEFORE_LOOKS + AFTER_LOOKS
# Noise is known twice: the spread of the five looks before (about one sigma, but five looks know little), and
# the mean change from look to look of the last half minute (1.13 sigma). The difference that is tested has a
# sigma of 0.73: 3 and 4 put it beyond 4 and 6 of its own sigmas.
SPREAD_FACTOR = 3.0
CHANGE_FACTOR = 4.0
CHANGE_SHARE = 1 / 16  # weight of the newest change in that mean
PERSISTS_FRACTION = 0.5  # every look after the step lies beyond half of the threshold
# A source whose limit is unknown and that has not yet worked: a 15 W processor has about this range.
LEAST_RANGE_W = 20.0
# Idle power as a share of the limit, for a service that starts while the machine works already:
# common practice, no source; three real cards idle at 0.09 to 0.11.
IDLE_SHARE = 0.15
IDLE_FOLLOW = 0.002  # per idle look: the idle level follows a new screen or driver within some hours
FORGET_MS = 60_000  # values older than this say nothing about the noise now
LOST_LOOKS = 30  # looks without power after which utilisation takes its place


class LoadFollower:
    """Follows the power of one source, or its utilisation where it has no power reading.

    Parameters
    ----------
    step_fraction
        Share of the source's range that makes a step.
    load_fraction
        Share of the range above idle that makes a load.

    Attributes
    ----------
    quantity
        Index in `SOURCE_QUANTITIES` of what is followed.
    is_excited
        The last look left the level of those before it: look again soon.
    looks_above
        Consecutive looks above the load level.
    """

    __slots__ = (
        "_change",
        "_high",
        "_limit",
        "_load_fraction",
        "_load_level",
        "_lost",
        "_low",
        "_step_fraction",
        "_threshold",
        "_times",
        "_total",
        "_values",
        "is_excited",
        "looks_above",
        "quantity",
    )

    def __init__(self, step_fraction: float, load_fraction: float) -> None:
        self._step_fraction = step_fraction
        self._load_fraction = load_fraction
        self.quantity = POWER
        self.is_excited = False
        self.looks_above = 0
        self._lost = 0
        self._values: deque[int] = deque(maxlen=KEPT_LOOKS)
        self._times: deque[int] = deque(maxlen=KEPT_LOOKS)
        self._total = 0
        self._limit: int | None = None
        self._low: float | None = None
        self._high = 0.0
        self._threshold = self._load_level = self._change = 0.0

    def follow(self, time_utc_ms: int, values: tuple[int | None, ...]) -> int | None:
        """Take one look; return when a step began [ms since 1970], None where there was none."""
        if self.quantity != POWER and values[POWER] is not None:
            self._switch(POWER)  # a counter of energy says nothing at its first look
        value = values[self.quantity]
        if value is None:
            self._miss(values)
            return None
        self._lost = 0
        if self._times and time_utc_ms - self._times[-1] > FORGET_MS:
            self.forget()
        limit = values[LIMIT]
        if limit != self._limit or self._low is None:
            self._limit = limit
            self._widen(value)
        self.is_excited = self.leaves_level(value)
        self._append(time_utc_ms, value)
        self.looks_above = self.looks_above + 1 if value > self._load_level else 0
        series = self._values
        n_before = len(series) - AFTER_LOOKS
        if n_before < 0:
            return None
        after = (series[-1] + series[-2] + series[-3]) / AFTER_LOOKS
        if after > self._high or (self._low is not None and after < self._low):
            self._widen(after)
        if n_before < LEAST_BEFORE_LOOKS:
            return None
        before = (self._total - after * AFTER_LOOKS) / n_before
        if abs(after - before) < self._threshold or not self._persists(after):
            return None
        return self._begin_anew()

    def leaves_level(self, value: int) -> bool:
        """Whether a single reading stands outside the level and noise of the looks so far."""
        count = len(self._values)
        if count < LEAST_BEFORE_LOOKS:
            return False
        distance = abs(value - self._total / count)
        return distance >= self._threshold and distance >= self._noise(sorted(self._values))

    def level(self) -> tuple[float, float] | None:
        """Between what a single reading stays on the level [thousandths]; None while that is not known."""
        count = len(self._values)
        if count < LEAST_BEFORE_LOOKS:
            return None
        reach = max(self._threshold, self._noise(sorted(self._values)))
        return self._total / count - reach, self._total / count + reach

    def rest(self) -> None:
        """Note that the machine idles: the idle level may follow what is read now."""
        if self._low is not None and self._values:
            self._low += (self._values[-1] - self._low) * IDLE_FOLLOW
            self._set_levels()

    def forget(self) -> None:
        """Drop the last looks, as after a gap; the range stays known."""
        self._values.clear()
        self._times.clear()
        self._total = self.looks_above = 0
        self.is_excited = False

    def _append(self, time_utc_ms: int, value: int) -> None:
        values = self._values
        if values:
            # A step is no noise: it counts no more than its threshold.
            change = min(abs(value - values[-1]), self._threshold)
            self._change += (change - self._change) * CHANGE_SHARE
        self._total += value
        if len(values) == KEPT_LOOKS:
            self._total -= values[0]
        values.append(value)
        self._times.append(time_utc_ms)

    def _miss(self, values: tuple[int | None, ...]) -> None:
        self.is_excited = False
        self.looks_above = 0
        if self.quantity != POWER or values[UTILIZATION] is None:
            return
        self._lost += 1
        if self._low is None or self._lost >= LOST_LOOKS:
            self._switch(UTILIZATION)

    def _switch(self, quantity: int) -> None:
        self.quantity = quantity
        self.forget()
        self._low = None
        self._high = self._change = 0.0
        self._lost = 0

    def _widen(self, value: float) -> None:
        """Take a level into the known range."""
        if self._low is None:
            self._low = self._high = float(value)
            if self._limit is not None and self.quantity == POWER:
                self._low = min(self._low, IDLE_SHARE * self._limit)
        self._low = min(self._low, value)
        self._high = max(self._high, value)
        self._set_levels()

    def _set_levels(self) -> None:
        low = self._low or 0.0
        if self.quantity == UTILIZATION:
            low, span = 0.0, 100.0 * MILLI
        elif self._limit is not None:
            span = max(self._limit - low, LEAST_RANGE_W * MILLI)
        else:
            span = max(self._high - low, LEAST_RANGE_W * MILLI)
        self._threshold = self._step_fraction * span
        self._load_level = low + self._load_fraction * span

    def _persists(self, after: float) -> bool:
        series = list(self._values)
        late, early = series[-AFTER_LOOKS:], sorted(series[:-AFTER_LOOKS])
        middle = early[1:-1]  # without the extremes: the spike of some seconds ago is no level
        before = sum(middle) / len(middle)
        edge = PERSISTS_FRACTION * self._threshold
        if after > before:
            if min(late) < before + edge:
                return False
        elif max(late) > before - edge:
            return False
        return abs(after - before) >= max(self._threshold, self._noise(early))

    def _noise(self, ordered: list[int]) -> float:
        """What a difference must exceed to be more than noise; one spike among five looks is ignored."""
        is_long = len(ordered) >= BEFORE_LOOKS
        spread = ordered[-2] - ordered[1] if is_long else ordered[-1] - ordered[0]
        return max(SPREAD_FACTOR * spread, CHANGE_FACTOR * self._change)

    def _begin_anew(self) -> int:
        """Let the looks after the step be the level before the next one."""
        while len(self._values) > AFTER_LOOKS:
            self._total -= self._values.popleft()
            self._times.popleft()
        return self._times[0]
