"""What healthy days look like: noise with memory, a common baseline error, a slow wander; and how to undo it.

A day's residual is AR(1) in time and as large as its stated error says, times one factor for all days. On top
lie the error of the baseline, the same for every row, and a slow wander (season, room) that is smooth over
weeks. Days of one class of work share what is not known of its effect. Together they are a Gaussian process
with a few states, so that a Kalman filter turns any series, with any gaps, into independent unit normals; a
template sent through the same filter is what that change would look like there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ..store.errors import TooFewWindowsError

Array = npt.NDArray[np.float64]

# Half a season: a sinus of a year is well followed, and over a week hardly anything moves.
WANDER_DAYS = 60.0
# What is believed before a series has spoken: weekly habits and weather give 0-0.6 (our trials).
USUAL_AUTOCORRELATION, AUTOCORRELATION_SPREAD = 0.3, 0.2
HIGHEST_AUTOCORRELATION = 0.9
# Stated errors are right within a factor 1.5; that knowledge weighs as much as so many days.
STATED_ERROR_ROWS = 8.0
KNOT_ROWS = 45  # a bend of the trend that is taken out before noise is measured, for so many rows
LEAST_ROWS = 8
N_MOVING = 4  # offset, wander and its slope, memory of the noise
NO_CLASSES: Array = np.zeros(0)
FIRST_ROOM = 128
CLIP = 3.0  # standard deviations: beyond it a day is an outlier and held back


@dataclass(frozen=True, slots=True)
class DayNoise:
    """Scatter of days about their trend.

    Attributes
    ----------
    autocorrelation
        Of residuals one day apart; over a gap of d days it is raised to the power d.
    scale
        True over stated standard error.
    n_rows
        Rows it was learned from.
    """

    autocorrelation: float
    scale: float
    n_rows: int


@dataclass(frozen=True, slots=True)
class HealthyDays:
    """Everything that a healthy series may do.

    Attributes
    ----------
    noise
        Scatter of the days.
    offset_sd
        Standard deviation of what is common to all rows: the baseline's own error [log units].
    wander_sd
        Standard deviation of the slow wander [log units]. The baseline was taken at some moment of it, so
        that it counts in the offset, too.
    classes_covariance
        What is not known of the effects of the classes of work, shape (n_classes, n_classes) [log units
        squared]; the days of one class share its error. Empty where there are no classes.
    """

    noise: DayNoise
    offset_sd: float
    wander_sd: float
    classes_covariance: Array = field(default_factory=lambda: np.zeros((0, 0)))


def learn_noise(days: Array, log_ratio: Array, standard_error: Array, *, is_shrunk: bool = True) -> DayNoise:
    """Learn autocorrelation and scale from rows without a sudden change.

    A broken line is taken out first, so that a creep does not count as memory. The exact likelihood of AR(1)
    at irregular times is weighed with what is usual.

    Parameters
    ----------
    days
        Shape (n_rows,), rising [days].
    log_ratio, standard_error
        Shape (n_rows,), finite, errors above 0.
    is_shrunk
        Whether what is usual counts; False gives the likelihood alone.

    Raises
    ------
    TooFewWindowsError
        Fewer than ``LEAST_ROWS`` rows.
    """
    n = len(days)
    if n < LEAST_ROWS:
        raise TooFewWindowsError(
            f"too short: {n} days, {LEAST_ROWS} are needed to know their scatter", remedy="record for longer"
        )
    residuals, n_columns = _without_trend(days, log_ratio, standard_error)
    steps = np.diff(days)
    grid = np.linspace(0.0, HIGHEST_AUTOCORRELATION, 91)
    kept = grid[:, None] ** steps[None, :]
    variance = 1.0 - kept**2
    fresh = np.column_stack(
        [np.full(len(grid), residuals[0]), (residuals[1:] - kept * residuals[:-1]) / np.sqrt(variance)]
    )
    rows = STATED_ERROR_ROWS if is_shrunk else 0.0
    scale_squared = (rows + (fresh**2).sum(axis=1)) / (rows + n - n_columns)
    log_weight = -0.5 * (rows + n - n_columns) * np.log(scale_squared) - 0.5 * np.log(variance).sum(axis=1)
    if not is_shrunk:
        best = int(np.argmax(log_weight))
        return DayNoise(float(grid[best]), math.sqrt(float(scale_squared[best])), n)
    # A trend taken out takes memory with it: (1 + 3 phi) / n for each column (Kendall 1954, for the mean).
    seen = grid - n_columns * (1.0 + 3.0 * grid) / n
    log_weight = np.interp(np.maximum(seen, 0.0), grid, log_weight)
    log_weight -= 0.5 * ((grid - USUAL_AUTOCORRELATION) / AUTOCORRELATION_SPREAD) ** 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return DayNoise(float(weight @ grid), math.sqrt(float(weight @ scale_squared)), n)


def _without_trend(days: Array, log_ratio: Array, standard_error: Array) -> tuple[Array, int]:
    """Standardised residuals about a broken line, outliers clipped; and how many columns the line had."""
    knots = np.linspace(days[0], days[-1], 2 + len(days) // KNOT_ROWS)[1:-1]
    columns = np.column_stack(
        [np.ones(len(days)), days - days[0], *(np.maximum(days - knot, 0.0) for knot in knots)]
    )
    design, target = columns / standard_error[:, None], log_ratio / standard_error
    weight = np.ones(len(days))
    for _ in range(3):
        found = np.linalg.lstsq(design * weight[:, None], target * weight, rcond=None)[0]
        residuals = target - design @ found
        limit = CLIP * 1.4826 * max(float(np.median(np.abs(residuals))), 1e-12)
        weight = np.sqrt(np.minimum(1.0, limit / np.maximum(np.abs(residuals), 1e-12)))
    return np.clip(residuals, -limit, limit), columns.shape[1]


class Whitener:
    """Turns rows into independent unit normals, one day after the other, and templates along with them.

    Parameters
    ----------
    healthy
        What is taken out.
    is_robust
        Whether a row far off (in its first column) is held back.
    """

    def __init__(self, healthy: HealthyDays, *, is_robust: bool = False) -> None:
        wander_sd, classes = healthy.wander_sd, healthy.classes_covariance
        n_states = N_MOVING + len(classes)
        self._noise, self._is_robust = healthy.noise, is_robust
        self._rate = math.sqrt(3.0) / WANDER_DAYS  # Matern 3/2
        # The offset and the classes' errors stay as they are: 0 in the steady state, 1 in the move.
        self._steady = np.zeros((n_states, n_states))
        self._steady[:N_MOVING, :N_MOVING] = np.diag([0.0, wander_sd**2, (self._rate * wander_sd) ** 2, 1.0])
        self._covariance = self._steady.copy()
        self._covariance[0, 0] = healthy.offset_sd**2 + wander_sd**2
        self._covariance[N_MOVING:, N_MOVING:] = classes
        self._mean, self._n = np.zeros((n_states, FIRST_ROOM)), 0
        self._seen = np.zeros(n_states)
        self._seen[:2] = 1.0
        self._moves: dict[float, tuple[Array, Array]] = {}
        self._day: float | None = None

    def row(self, day: float, standard_error: float, values: Array, mixture: Array = NO_CLASSES) -> Array:
        """Whiten one more row.

        Parameters
        ----------
        day
            After the one before [days].
        standard_error
            As stated for that day.
        values
            Shape (n_columns,): the series first, then templates. There may be more than in the row before:
            what is new was 0 until now.
        mixture
            By how much more of each class the day holds than the baseline, shape (n_classes,).
        """
        if self._day is not None:
            self._predict(day - self._day)
        self._day = day
        self._n = len(values)
        while self._n > self._mean.shape[1]:
            self._mean = np.hstack([self._mean, np.zeros_like(self._mean)])
        mean = self._mean[:, : self._n]
        seen = self._seen
        seen[N_MOVING - 1] = self._noise.scale * standard_error
        seen[N_MOVING:] = mixture
        reached = self._covariance @ seen
        variance = float(seen @ reached)
        surprise = values - seen @ mean
        if self._is_robust:
            # Huber: counts as CLIP standard deviations, whatever it is
            far = abs(float(surprise[0])) / (CLIP * math.sqrt(variance))
            variance *= max(1.0, far) ** 2
        gain = reached / variance
        mean += gain[:, None] * surprise
        self._covariance -= gain[:, None] * reached
        return np.asarray(surprise / math.sqrt(variance))

    def keep(self, columns: npt.NDArray[np.int64]) -> None:
        """Go on with some of the columns only."""
        kept = self._mean[:, columns]
        self._mean = np.zeros_like(self._mean)
        self._mean[:, : len(columns)] = kept
        self._n = len(columns)

    def _predict(self, step: float) -> None:
        if step not in self._moves:  # most steps are a day
            move = self._move(step)
            self._moves[step] = move, self._steady - move @ self._steady @ move.T
        move, fresh = self._moves[step]
        moving = self._mean[1:N_MOVING, : self._n]
        moving[:] = move[1:N_MOVING, 1:N_MOVING] @ moving
        self._covariance = move @ self._covariance @ move.T + fresh

    def _move(self, step: float) -> Array:
        rate = self._rate
        fading = math.exp(-rate * step)
        move = np.eye(len(self._steady))
        move[1, 1], move[1, 2] = fading * (1.0 + rate * step), fading * step
        move[2, 1], move[2, 2] = -fading * rate**2 * step, fading * (1.0 - rate * step)
        move[3, 3] = self._noise.autocorrelation**step
        return move


def whiten(
    days: Array, standard_error: Array, columns: Array, healthy: HealthyDays, mixtures: Array | None = None
) -> Array:
    """Whiten whole columns, shape (n_rows, n_columns); as `Whitener` does row by row."""
    whitener = Whitener(healthy)
    if mixtures is None:
        mixtures = np.zeros((len(days), len(healthy.classes_covariance)))
    rows = zip(days, standard_error, columns, mixtures, strict=True)
    return np.array([whitener.row(day, error, row, mixture) for day, error, row, mixture in rows])
