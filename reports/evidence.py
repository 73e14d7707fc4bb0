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
        self._onsets, self._spans = np.zeros(0), np.zeros(0)
        self._reached, self._power = np.zeros(0), np.zeros(0)
        self.log_bayes, self.change = -math.inf, 0.0

    def add(self, day: float, log_ratio: float, standard_error: float, mixture: Array = NO_CLASSES) -> None:
        """Take in the next row; see `Whitener.row`."""
        if self._n_rows >= self._n_quiet:
            self._onsets = np.append(self._onsets, 0.5 * (self._last + day))
            self._spans = np.append(self._spans, day - self._last)
            self._reached, self._power = (
                np.append(self._reached, [0.0, 0.0]),
                np.append(self._power, [0.0, 0.0]),
            )
        self._last, self._n_rows = day, self._n_rows + 1
        values = np.empty(1 + 2 * len(self._onsets))
        values[0] = log_ratio
        values[1::2] = STEP_SPREAD
        values[2::2] = CREEP_SPREAD_PER_DAY * (day - self._onsets)
        white = self._whitener.row(day, standard_error, values, mixture)
        self._reached += white[0] * white[1:]
        self._power += white[1:] ** 2
        if len(self._onsets):
            self._weigh(values[1:])

    def _weigh(self, size_now: Array) -> None:
        # amplitude ~ N(0, 1) in units of its spread
        log_bayes = 0.5 * self._reached**2 / (self._power + 1.0) - 0.5 * np.log1p(self._power)
        log_weight = log_bayes + np.log(0.5 * CHANGES_PER_DAY * np.repeat(self._spans, 2))
        top = float(log_weight.max())
        weight = np.exp(log_weight - top)
        self.log_bayes = top + math.log(float(weight.sum()))
        self.change = float(weight @ (self._reached / (self._power + 1.0) * size_now) / weight.sum())
