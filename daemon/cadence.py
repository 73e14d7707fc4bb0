"""Decides how fast to look and what to keep.

Looks wait in a ring for as long as a coming load step could still claim them; then each one becomes either a
row of its own or part of exactly one mean. All sources share one pace, so that heat which crosses between
them is seen from both sides.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from ..store.records import Cadence, ProbeSample, SourceSample
from .load_steps import AFTER_LOOKS, LoadFollower
from .looks import Look, SourceLook, mean_probes, mean_source, single_probes

__all__ = ["CadenceKeeper", "CadenceSettings", "Look", "SourceLook"]

EXCITED_LOOKS = AFTER_LOOKS + 1  # fast looks after a sign of load: enough to confirm or dismiss a step
IDLE, LOAD, STEP = Cadence  # a look asks for them often, and a module knows its own names quickest
LOAD_LOOKS = 2  # one look above the level is a spike of some background job
HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class CadenceSettings:
    """Paces, spans and thresholds [s, shares of a source's range].

    Attributes
    ----------
    load_hold_s
        Load is left when no source was above its level for this long: pauses within work are work.
    step_fraction, load_fraction
        Shares of a source's known range that make a load step, and a load.
    max_steps_per_hour
        Step windows paid for in an hour; work that steps all the time is kept as means beyond that.
    max_gap_s
        Looks further apart than this never share a mean.
    """

    load_period_s: float = 1.0
    idle_period_s: float = 10.0
    peek_period_s: float = 1.0
    idle_mean_s: float = 60.0
    load_mean_s: float = 5.0
    before_step_s: float = 10.0
    after_step_s: float = 60.0
    load_hold_s: float = 30.0
    step_fraction: float = 0.15
    load_fraction: float = 0.2
    max_steps_per_hour: float = 12.0
    max_gap_s: float = 30.0


class CadenceKeeper:
    """Turns looks into rows.

    Parameters
    ----------
    source_names
        Names of the sources, in layout order.
    probe_names
        Name and quantity of each probe, in layout order.
    settings
        Paces and thresholds.

    Attributes
    ----------
    mode
        How densely the machine is being looked at now.
    look_period_s
        When to look next [s].
    n_steps, n_steps_refused
        Load steps kept at full density since the start, and those for which the hour's budget was spent.
    """

    def __init__(
        self,
        source_names: Sequence[str],
        probe_names: Sequence[tuple[str, str]],
        settings: CadenceSettings | None = None,
    ) -> None:
        self.settings = settings = settings or CadenceSettings()
        self.mode = IDLE
        self.look_period_s = settings.idle_period_s
        self.n_steps = self.n_steps_refused = 0
        self._source_names = tuple(source_names)
        self._probe_names = tuple(probe_names)
        self._followers = [LoadFollower(settings.step_fraction, settings.load_fraction) for _ in source_names]
        self._before_ms = round(settings.before_step_s * 1000)
        self._after_ms = round(settings.after_step_s * 1000)
        # A step is known only some looks after it began: the ring must reach back past its beginning.
        self._ring_ms = self._before_ms + round(AFTER_LOOKS * settings.load_period_s * 1000)
        self._hold_ms = round(settings.load_hold_s * 1000)
        self._max_gap_ms = round(settings.max_gap_s * 1000)
        # A look that comes a hair early must not be the sixth in a mean of five.
        early_s = settings.load_period_s / 2
        self._span_ms = {
            IDLE: round((settings.idle_mean_s - early_s) * 1000),
            LOAD: round((settings.load_mean_s - early_s) * 1000),
        }
        self._tokens = settings.max_steps_per_hour
        self._tokens_at_ms: int | None = None
        self._ring: deque[tuple[Look, Cadence]] = deque()
        self._open: list[Look] = []
        self._open_cadence = IDLE
        self._last_ms: int | None = None
        self._keep_until_ms = self._loaded_until_ms = -HOUR_MS
        self._excited_looks = 0
        self._source_rows: list[SourceSample] = []
        self._probe_rows: list[ProbeSample] = []

    @property
    def trigger_quantities(self) -> tuple[int, ...]:
        """Index in `SOURCE_QUANTITIES` of what `notices` wants of each source."""
        return tuple(follower.quantity for follower in self._followers)

    def notices(self, triggers: Sequence[int | None]) -> bool:
        """Whether a peek betrays a change of load, so that a full look is due now.

        Parameters
        ----------
        triggers
            Thousandths of each source's `trigger_quantities`, None where not had.
        """
        for follower, trigger in zip(self._followers, triggers, strict=True):
            if trigger is not None and follower.leaves_level(trigger):
                self.excite()
                return True
        return False

    def excite(self) -> None:
        """Look fast for a while: something has changed."""
        self._excited_looks = EXCITED_LOOKS

    def levels(self) -> list[tuple[float, float] | None] | None:
        """Where each source stays while it idles [thousandths]; None while not all of them do."""
        if self.look_period_s < self.settings.idle_period_s:
            return None
        return [follower.level() for follower in self._followers]

    def add(self, look: Look) -> None:
        """Take one look; looks must come in order, a step back in time closes what is open."""
        now_ms = look.time_utc_ms
        if self._last_ms is not None and now_ms <= self._last_ms:
            self.close_open()
        self._last_ms = now_ms
        onset_ms: int | None = None
        for follower, (values, _, _) in zip(self._followers, look.sources, strict=True):
            step_ms = follower.follow(now_ms, values)
            if step_ms is not None and (onset_ms is None or step_ms < onset_ms):
                onset_ms = step_ms
            if follower.is_excited:
                self._excited_looks = EXCITED_LOOKS
            if follower.looks_above >= LOAD_LOOKS:
                self._loaded_until_ms = now_ms + self._hold_ms
        ring, oldest_ms = self._ring, now_ms - self._ring_ms
        ring.append((look, self._judge(now_ms)))
        if onset_ms is not None:
            self._keep_step(onset_ms, now_ms)
        while ring[0][0].time_utc_ms < oldest_ms:
            self._settle(*ring.popleft())
        self._set_pace()

    def take(self) -> tuple[list[SourceSample], list[ProbeSample]]:
        """Hand over the finished rows."""
        rows = self._source_rows, self._probe_rows
        self._source_rows, self._probe_rows = [], []
        return rows

    def close_open(self) -> None:
        """Finish every look that still waits: before a gap, and at the end."""
        while self._ring:
            self._settle(*self._ring.popleft())
        self._close_mean()
        for follower in self._followers:
            follower.forget()
        self._last_ms = None
        self._keep_until_ms = self._loaded_until_ms = -HOUR_MS
        self._excited_looks = 0
        self.mode = IDLE
        self._set_pace()

    def _judge(self, now_ms: int) -> Cadence:
        was_idle = self.mode is IDLE
        if now_ms <= self._keep_until_ms:
            self.mode = STEP
        elif now_ms <= self._loaded_until_ms:
            self.mode = LOAD
            if was_idle and self._ring:  # the look before was above the level too
                look, _ = self._ring.pop()
                self._ring.append((look, LOAD))
        else:
            self.mode = IDLE
            for follower in self._followers:
                follower.rest()
        return self.mode

    def _set_pace(self) -> None:
        if self._excited_looks:
            self._excited_looks -= 1
        is_fast = self._excited_looks > 0 or self.mode is not IDLE
        self.look_period_s = self.settings.load_period_s if is_fast else self.settings.idle_period_s

    def _keep_step(self, onset_ms: int, now_ms: int) -> None:
        until_ms = onset_ms + self._after_ms
        if not self._pay(until_ms, now_ms):
            self.n_steps_refused += 1
            return
        self.n_steps += 1
        self._keep_until_ms = max(self._keep_until_ms, until_ms)
        self.mode = STEP if now_ms <= self._keep_until_ms else self.mode
        from_ms = onset_ms - self._before_ms
        for index in range(len(self._ring) - 1, -1, -1):
            look, _ = self._ring[index]
            if look.time_utc_ms < from_ms:
                break
            self._ring[index] = look, STEP

    def _pay(self, until_ms: int, now_ms: int) -> bool:
        """Pay for the seconds that a step adds to what is kept; False when the hour's budget is spent."""
        settings = self.settings
        if self._tokens_at_ms is not None:
            earned = max(0, now_ms - self._tokens_at_ms) / HOUR_MS * settings.max_steps_per_hour
            self._tokens = min(settings.max_steps_per_hour, self._tokens + earned)
        self._tokens_at_ms = now_ms
        price = min(1.0, max(0, until_ms - self._keep_until_ms) / max(1, self._after_ms))
        if price > self._tokens:
            return False
        self._tokens -= price
        return True

    def _settle(self, look: Look, cadence: Cadence) -> None:
        if cadence is STEP:
            self._close_mean()
            self._write_single(look)
            return
        if self._open:
            first_ms, last_ms = self._open[0].time_utc_ms, self._open[-1].time_utc_ms
            if (
                cadence is not self._open_cadence
                or look.time_utc_ms - last_ms > self._max_gap_ms
                or look.time_utc_ms - first_ms >= self._span_ms[cadence]
            ):
                self._close_mean()
        self._open_cadence = cadence
        self._open.append(look)

    def _write_single(self, look: Look) -> None:
        now_ms = look.time_utc_ms
        for name, source in zip(self._source_names, look.sources, strict=True):
            values, limit_reasons, missing = source
            self._source_rows.append(SourceSample(now_ms, name, values, limit_reasons, STEP, 1, missing))
        self._probe_rows.extend(single_probes(now_ms, self._probe_names, look))

    def _close_mean(self) -> None:
        looks = self._open
        if not looks:
            return
        self._open = []
        moments_ms, sources, _, _ = zip(*looks, strict=True)
        mean_ms = sum(moments_ms) // len(looks)
        for name, seen in zip(self._source_names, zip(*sources, strict=True), strict=True):
            self._source_rows.append(mean_source(mean_ms, name, self._open_cadence, seen))
        self._probe_rows.extend(mean_probes(mean_ms, self._probe_names, looks))
