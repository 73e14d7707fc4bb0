"""By which law a part creeps, and by which clock: a straight line, a root or a curve that levels off.

Laws and clocks that foresaw the days so far about as well as each other are all carried on, each with its
weight; only the name is a choice. What is fitted is the ratio to the baseline, as resistances add; the days
are as noisy as their own residuals say (`prewhitening.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtr

from ..store.errors import TooFewWindowsError
from .creep_clocks import DAYS, Clock, clocks
from .prewhitening import CLIP, HealthyDays, learn_noise, whiten

Array = npt.NDArray[np.float64]

STRAIGHT, ROOT, LEVELLING = "straight line", "root", "curve that levels off"
# How soon it levels off, as a share of the time since the onset: below, it is over; above, it is straight.
LEVELLING_SHARES = (0.25, 0.5, 1.0, 2.0)
# Set so that intervals hold what they claim: with 0.5 for the straight line and for the calendar, and 0.2 for
# the spread in `creep_clocks.py`, the simplest was believed too soon; 80 % intervals held the day in 75 %
# instead of 81 %, mean over the six truths of tests/reports/simulated_creep.py (120 cases of each).
PRIOR_LAW = {STRAIGHT: 0.4, ROOT: 0.3, LEVELLING: 0.3}
PRIOR_CLOCK = 0.4  # of the calendar; the others share the rest
CHANGE_SPREAD = 0.3  # of the ratio by now, before anything was seen: wide enough to say little
# Times as likely: "positive" evidence (Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773).
CLEARLY_BETTER = 3.0
LEAST_NAMED = 0.005
HEALTHY_DAYS = 180.0  # before the onset: enough to know how days scatter
N_ONSETS = 7
LEAST_ROWS = 5  # since the onset
LEAST_AGE_DAYS = 3.0
RECENT_DAYS = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Member:
    """One law by one clock from one onset; its course is 0 at the onset and 1 now.

    Attributes
    ----------
    law, levelling_share, clock, onset_day
        What it is.
    passed
        What the clock has counted since the onset.
    course, recent
        On each row, and its mean over the last thirty days.
    """

    law: str
    levelling_share: float
    clock: Clock
    onset_day: float
    passed: float
    course: Array
    recent: float

    def ahead(self, ahead_days: Array) -> tuple[Array, Array]:
        """Course some days ahead, and how far it may be off as use may change."""
        share = self.clock.rate_per_day * ahead_days / self.passed
        course = course_of(self.law, 1.0 + share, self.levelling_share)
        off = self.clock.rate_spread
        more = course_of(self.law, 1.0 + share * (1.0 + off), self.levelling_share)
        return course, more - course


@dataclass(frozen=True, slots=True, eq=False)
class CreepForecast:
    """How a part goes on: a mixture of laws and clocks.

    Attributes
    ----------
    law, clock
        The one to name: the straight line by the calendar unless another is clearly better.
    weights
        Of each law by each clock, such as "root of counted cycles"; together 1, falling.
    now_ratio, recent_ratio
        Ratio to the baseline reached now, and on the mean of the last thirty days.
    members, member_weights, sizes, size_errors
        The mixture: change of the ratio by now of each member with its standard error, shape (n_members,).
    """

    law: str
    clock: str
    weights: dict[str, float]
    now_ratio: float
    recent_ratio: float
    members: tuple[Member, ...]
    member_weights: Array
    sizes: Array
    size_errors: Array

    @property
    def worse(self) -> dict[str, float]:
        """Weights of the laws and clocks that are not named, as far as they are worth naming."""
        own = named(self.law, self.clock)
        return {
            name: weight for name, weight in self.weights.items() if name != own and weight >= LEAST_NAMED
        }

    def chance_reached(self, growth: float, growth_error: float, ahead_days: Array) -> Array:
        """Chance that the ratio has grown by so much over its recent mean, by each day ahead.

        Parameters
        ----------
        growth, growth_error
            Of the ratio, over its mean of the last thirty days.
        ahead_days
            Shape (n_days,), rising [days].
        """
        chance = np.zeros(len(ahead_days))
        for member, weight, size, error in zip(
            self.members, self.member_weights, self.sizes, self.size_errors, strict=True
        ):
            course, off = member.ahead(ahead_days)
            more = course - member.recent
            spread = np.sqrt((more * error) ** 2 + (size * off) ** 2 + growth_error**2 + 1e-18)
            chance += weight * np.maximum.accumulate(ndtr((size * more - growth) / spread))
        return chance


def named(law: str, clock: str) -> str:
    """Law and clock in words."""
    return f"{law} {'in' if clock == DAYS else 'of'} {clock}"


def course_of(law: str, share: npt.ArrayLike, levelling_share: float = 1.0) -> Array:
    """Course of a law, 0 at the onset and 1 now, by the share of the clock's time from then to now."""
    since = np.maximum(np.asarray(share, float), 0.0)
    if law == ROOT:
        return np.asarray(np.sqrt(since), float)
    if law == LEVELLING:
        return np.asarray(np.expm1(-since / levelling_share) / np.expm1(-1.0 / levelling_share), float)
    return np.asarray(since, float)


def forecast_creep(
    rows: pd.DataFrame,
    onset_ci95_utc: tuple[str, str],
    *,
    baseline_standard_error: float,
    systematic_sd: float,
    exposure: pd.DataFrame | None = None,
) -> CreepForecast:
    """Learn by which laws and clocks a part may have crept since its onset.

    A member's weight is its marginal likelihood: the product of the densities with which each day was
    foreseen from those before it [1]_.

    Parameters
    ----------
    rows
        UTC DatetimeIndex of days, rising, from the baseline on; ``log_ratio``, ``standard_error``. Rows where
        one is NaN are left out.
    onset_ci95_utc
        When it began, as `Detection` says.
    baseline_standard_error
        Common to all rows [log units].
    systematic_sd
        Slow wander that a healthy part may show [log units], as in `DetectorSettings`.
    exposure
        As `day_exposure` gives it, from before the onset on; None leaves the calendar alone.

    Raises
    ------
    TooFewWindowsError
        Too few days since the onset.

    References
    ----------
    .. [1] A. P. Dawid, J. R. Stat. Soc. A 147 (1984) 278.
    """
    first, last = _numbers(pd.DatetimeIndex([pd.Timestamp(moment) for moment in onset_ci95_utc]))
    is_used = np.isfinite(rows[["log_ratio", "standard_error"]].to_numpy(float)).all(axis=1)
    known = rows[is_used & (_numbers(pd.DatetimeIndex(rows.index)) > first - HEALTHY_DAYS)]
    days = _numbers(pd.DatetimeIndex(known.index))
    log_ratio, log_error = (known[name].to_numpy(float) for name in ("log_ratio", "standard_error"))
    if not len(days) or int((days > first).sum()) < LEAST_ROWS or days[-1] - first < LEAST_AGE_DAYS:
        raise TooFewWindowsError(
            f"too few days since {onset_ci95_utc[0]}, {LEAST_ROWS} are needed", remedy="record for longer"
        )
    noise = learn_noise(days, log_ratio, log_error)
    healthy = HealthyDays(noise, baseline_standard_error, systematic_sd)
    onsets = np.linspace(first, min(last, days[-1] - LEAST_AGE_DAYS), N_ONSETS)
    running = clocks(exposure, min(first, days[0]), days[-1])
    members = _members(running, onsets, days, recent_weights(days, log_error))
    ratio = np.exp(log_ratio)
    sizes, errors, log_bayes = _fitted(days, ratio - 1.0, ratio * log_error, members, healthy)
    log_weight = log_bayes + np.log([_prior(one, len(running)) for one in members])
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    by_name: dict[tuple[str, str], float] = {}
    for one, own in zip(members, weight, strict=True):
        key = (one.law, one.clock.name)
        by_name[key] = by_name.get(key, 0.0) + float(own)
    best = max(by_name, key=lambda key: by_name[key])
    if by_name[best] < CLEARLY_BETTER * by_name[STRAIGHT, DAYS]:
        best = (STRAIGHT, DAYS)
    recent = np.array([one.recent for one in members])
    falling = sorted(by_name, key=lambda key: -by_name[key])
    return CreepForecast(
        *best,
        {named(*key): by_name[key] for key in falling},
        1.0 + float(weight @ sizes),
        1.0 + float(weight @ (sizes * recent)),
        tuple(members),
        weight,
        sizes,
        errors,
    )


def recent_weights(days: Array, log_error: Array) -> Array:
    """Weight of each row in the mean of the last thirty days, together 1."""
    is_recent = days > days[-1] - RECENT_DAYS
    weights = is_recent / (log_error**2 + float(np.median(log_error[is_recent])) ** 2)
    return np.asarray(weights / weights.sum(), float)


def _members(running: list[Clock], onsets: Array, days: Array, recent: Array) -> list[Member]:
    found = []
    for clock in running:
        shown, now = clock.at(days), float(clock.at(days[-1]))
        for onset in onsets:
            begun = float(clock.at(onset))
            if now - begun <= 0.0:
                continue
            share = (shown - begun) / (now - begun)
            for law in PRIOR_LAW:
                for levelling in LEVELLING_SHARES if law == LEVELLING else (1.0,):
                    course = course_of(law, share, levelling)
                    found.append(
                        Member(
                            law,
                            levelling,
                            clock,
                            float(onset),
                            now - begun,
                            course,
                            float(recent @ course),
                        )
                    )
    return found


def _prior(member: Member, n_clocks: int) -> float:
    law = PRIOR_LAW[member.law] / (len(LEVELLING_SHARES) if member.law == LEVELLING else 1)
    if n_clocks == 1:
        return law
    return law * (PRIOR_CLOCK if member.clock.name == DAYS else (1.0 - PRIOR_CLOCK) / (n_clocks - 1))


def _fitted(
    days: Array, change: Array, error: Array, members: list[Member], healthy: HealthyDays
) -> tuple[Array, Array, Array]:
    """Size, its standard error and log marginal likelihood of each member, outliers held back."""
    courses = np.column_stack([one.course for one in members])
    for _ in range(2):
        white = whiten(days, error, np.column_stack([change, courses]), healthy)
        target, columns = white[:, 0], white[:, 1:]
        information = (columns**2).sum(axis=0) + CHANGE_SPREAD**-2.0
        reached = target @ columns
        sizes = reached / information
        log_bayes = 0.5 * reached * sizes - 0.5 * np.log(information * CHANGE_SPREAD**2)
        left = target - columns[:, int(np.argmax(log_bayes))] * sizes[int(np.argmax(log_bayes))]
        error = error * np.maximum(1.0, np.abs(left) / CLIP)
    return sizes, information**-0.5, log_bayes


def _numbers(index: pd.DatetimeIndex) -> Array:
    """Days since 1970."""
    return np.asarray((index - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(days=1), float)
