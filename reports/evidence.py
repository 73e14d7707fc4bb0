"""How much the days so far speak for a change, from any of them on, against a healthy machine.

For each day two hypotheses are held: since then the series stands a step higher or lower, or it creeps. The
Bayes factor of all together against no change is a sum over onsets as in Shiryaev's procedure [1]_. The
filter is linear, so that each hypothesis is a column that goes through it beside the series: a day costs one
row.

References
----------
.. [1] A. N. Shiryaev, On optimum methods in quickest detection problems, Theory Probab. Appl. 8 (1963) 22.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from .prewhitening import NO_CLASSES, HealthyDays, Whitener

Array = npt.NDArray[np.float64]

CHANGES_PER_DAY = 1.0 / 730.0  # a change in two years: only shifts the limit
STEP_SPREAD = 0.10  # log units
CREEP_SPREAD_PER_DAY = 0.05 / 30.0  # log units
FIRST_ROOM = 128
# Days on which a change may have begun that are held apart: of more, the older half is thinned out. A change
# that is still not seen after a year has no onset that is known to a day.
MOST_ONSETS = 300


class Evidence:
    """Evidence for a change, gathered day by day.

    Parameters
    ----------
    healthy
        What healthy rows look like.
    n_quiet
        First rows, in which no change is looked for.

    Attributes
    ----------
    log_bayes
        Logarithm of the Bayes factor of any change against none [nats]; minus infinity before the first row
        that could show one.
    change
        The change by now, mean over all hypotheses [log units].
    """

    def __init__(self, healthy: HealthyDays, n_quiet: int) -> None:
        self._whitener = Whitener(healthy, is_robust=True)
        self._n_quiet, self._n_rows, self._last = n_quiet, 0, 0.0
        self._n = 0  # hypotheses so far: a step and a creep for each onset, side by side
        self._onsets, self._log_prior, self._reached, self._power, self._size = (
            np.zeros(FIRST_ROOM) for _ in range(5)
        )
        self.log_bayes, self.change = -math.inf, 0.0

    def add(
        self,
        day: float,
        log_ratio: float,
        standard_error: float,
        mixture: Array = NO_CLASSES,
        *,
        is_weighed: bool = True,
    ) -> None:
        """Take in the next row; see `Whitener.row`. Who asks for nothing before the next need not weigh."""
        if self._n_rows >= self._n_quiet:
            self._suppose(0.5 * (self._last + day), day - self._last)
        self._last, self._n_rows = day, self._n_rows + 1
        n = self._n
        size = self._size[:n]
        size[1::2] = CREEP_SPREAD_PER_DAY * (day - self._onsets[1:n:2])
        values = np.concatenate([[log_ratio], size])
        white = self._whitener.row(day, standard_error, values, mixture)
        self._reached[:n] += white[0] * white[1:]
        self._power[:n] += white[1:] ** 2
        if n and is_weighed:
            self._weigh()

    def _suppose(self, onset: float, span: float) -> None:
        """Take in one more day on which a change may have begun."""
        if self._n >= 2 * MOST_ONSETS:
            self._thin_out()
        n = self._n
        if n + 2 > len(self._onsets):
            self._onsets, self._log_prior, self._reached, self._power, self._size = (
                np.concatenate([one, np.zeros(len(one))])
                for one in (self._onsets, self._log_prior, self._reached, self._power, self._size)
            )
        self._onsets[n : n + 2] = onset
        self._log_prior[n : n + 2] = math.log(0.5 * CHANGES_PER_DAY * span)
        self._size[n] = STEP_SPREAD
        self._n = n + 2

    def _thin_out(self) -> None:
        """Let every second of the older days stand for its neighbour as well."""
        n_days, n_old = self._n // 2, self._n // 8 * 2
        is_kept = (np.arange(n_days) % 2 == 0) | (np.arange(n_days) >= n_old)
        kept = np.flatnonzero(np.repeat(is_kept, 2))
        of_two = self._log_prior[: 2 * n_old].reshape(n_old // 2, 2, 2)  # pair of days, day, step or creep
        of_two[:, 0] = np.logaddexp(of_two[:, 0], of_two[:, 1])
        for one in (self._onsets, self._log_prior, self._reached, self._power, self._size):
            one[: len(kept)], one[len(kept) :] = one[kept], 0.0
        self._whitener.keep(np.append(0, kept + 1))
        self._n = len(kept)

    def _weigh(self) -> None:
        # amplitude ~ N(0, 1) in units of its spread
        n = self._n
        reached, more = self._reached[:n], self._power[:n] + 1.0
        mean = reached / more
        log_weight = 0.5 * (reached * mean - np.log(more)) + self._log_prior[:n]
        top = float(log_weight.max())
        weight = np.exp(log_weight - top)
        whole = float(weight.sum())
        self.log_bayes = top + math.log(whole)
        self.change = float(weight @ (mean * self._size[:n])) / whole
