"""What kind of change it was, when it began, how large it is by now: models held against each other.

A trend test cannot do this: it also rejects on a pure step. Here every model (step, straight creep, root of
time, saturating creep, step and creep) is tried from every day on, all against the same coloured noise, and
weighed by its marginal likelihood; answers are averages over all that remain credible.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from .prewhitening import CLIP, HealthyDays, whiten

Array = npt.NDArray[np.float64]
Shape = Literal["step", "creep", "undecided"]

CHANGE_SPREAD = 0.15  # log units: how large changes are before anything was seen; half of them below 10 %
SATURATION_DAYS = (15.0, 30.0, 60.0)  # a faster one cannot be told from a step
PRIOR = {"step": 0.5, "linear": 0.15, "root": 0.15, "saturating": 0.15, "step and creep": 0.05}
USUAL_CREEP = 0.2  # of the ratio: where it matters, creeps are of this size
CREEPS = ("linear", "root", "saturating", "step and creep")
# A shape is named from this probability: right in 95 % at 8 % and 14 days (tests/bench/test_detector.py).
SURE = 0.6
MOST_ONSETS = 120
REVERSAL_LOG_BAYES = 6.0  # from it on a second change is believed
TAIL = 0.025


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a series, in log units and days.

    Attributes
    ----------
    shape
        ``step``, ``creep`` (also a step that creeps on) or ``undecided``.
    probabilities
        Of each model.
    onset_day, onset_ci95
        Median and interval [days].
    now, now_ci95
        The change on the last day [log units]; after a reversal what remains of it.
    slope_per_day, slope_ci95
        How fast it goes on [log units a day]; None where it is no creep.
    reversal_day
        When a second, opposite or further, sudden change came; None where there was none.
    """

    shape: Shape
    probabilities: dict[str, float]
    onset_day: float
    onset_ci95: tuple[float, float]
    now: float
    now_ci95: tuple[float, float]
    slope_per_day: float | None
    slope_ci95: tuple[float, float] | None
    reversal_day: float | None


@dataclass(frozen=True, slots=True, eq=False)
class _Candidates:
    """All models from all days on: columns (n_rows, n_candidates, 2) of size 1 now; the second may be 0."""

    columns: Array
    names: npt.NDArray[np.str_]
    onsets: Array
    earliest: Array
    latest: Array
    slopes: Array
    log_prior: Array


def explain(rows: Array, healthy: HealthyDays, first_row: int, mixtures: Array | None = None) -> Change:
    """Find the most credible story of a change that is known to be there.

    Parameters
    ----------
    rows
        Shape (n_rows, 3), finite: day (rising), log ratio, standard error.
    healthy
        What healthy rows look like.
    first_row
        The first row on which a change may show.
    mixtures
        Classes of work of each row; see `Whitener.row`.
    """
    candidates = _candidates(rows[:, 0], first_row)
    seen = rows.copy()
    for _ in range(2):  # the second time with outliers held back
        white, flat = _whitened(seen, candidates.columns, healthy, mixtures)
        log_bayes, mean, covariance = _amplitudes(white, flat)
        log_weight = log_bayes + candidates.log_prior
        best = int(np.argmax(log_weight))
        left = np.abs(white - flat[:, best] @ mean[best])
        seen[:, 2] *= np.maximum(1.0, left / CLIP)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    probabilities = {name: float(weight[candidates.names == name].sum()) for name in PRIOR}
    shape = _shape(probabilities)
    chosen = weight
    if shape != "undecided":
        is_of_shape = (candidates.names == "step") == (shape == "step")
        chosen = weight * is_of_shape
        chosen = chosen / chosen.sum()
    onset, onset_ci95 = _onset(candidates, chosen)
    total = mean.sum(axis=1)
    now, now_ci95 = _mixed(total, covariance.sum(axis=(1, 2)), chosen)
    slope: float | None = None
    slope_ci95: tuple[float, float] | None = None
    if shape == "creep":
        rates = (mean * candidates.slopes).sum(axis=1)
        spread = np.einsum("ci,cij,cj->c", candidates.slopes, covariance, candidates.slopes)
        slope, slope_ci95 = _mixed(rates, spread, chosen)
    change = Change(shape, probabilities, onset, onset_ci95, now, now_ci95, slope, slope_ci95, None)
    story = candidates.columns[:, int(np.argmax(chosen))]

    def whitened(errors: Array, columns: Array) -> Array:
        return whiten(rows[:, 0], errors, columns, healthy, mixtures)

    return _with_reversal(change, rows, seen[:, 2], story, whitened)


def _candidates(days: Array, first_row: int) -> _Candidates:
    stride = math.ceil((len(days) - first_row) / MOST_ONSETS)
    rows = np.arange(first_row, len(days))[::stride]
    columns: list[Array] = []
    names: list[str] = []
    onsets: list[float] = []
    between: list[tuple[float, float]] = []
    slopes: list[Array] = []
    log_prior: list[float] = []

    def add(name: str, onset: float, share: float, parts: list[tuple[Array, float]]) -> None:
        pair, rates = np.zeros((len(days), 2)), np.zeros(2)
        for number, (course, rate) in enumerate(parts):
            pair[:, number], rates[number] = course / course[-1], rate / course[-1]
        columns.append(pair)
        names.append(name)
        onsets.append(onset)
        between.append((days[max(row - stride, 0)], days[min(row + stride, len(days)) - 1]))
        slopes.append(rates)
        log_prior.append(math.log(PRIOR[name] * share / len(rows)))

    for row in rows:
        # a creep has begun some time after the row before, and shows a little on this one
        onset = 0.5 * (days[row - 1] + days[row]) if row else days[row] - 0.5
        age = np.maximum(days - onset, 0.0)
        now, is_after = float(age[-1]), (age > 0.0).astype(float)
        add("step", onset, 1.0, [(is_after, 0.0)])
        # Straight in the ratio, as resistances add; in its logarithm it bends by how large it is.
        bent = np.log1p(USUAL_CREEP * age / now)
        add("linear", onset, 1.0, [(bent, USUAL_CREEP / now / (1.0 + USUAL_CREEP))])
        add("root", onset, 1.0, [(np.sqrt(age), 0.5 / math.sqrt(now))])
        for constant in SATURATION_DAYS:
            course = 1.0 - np.exp(-age / constant)
            share = 1.0 / len(SATURATION_DAYS)
            add("saturating", onset, share, [(course, math.exp(-now / constant) / constant)])
        if row < len(days) - 1:
            add("step and creep", onset, 1.0, [(is_after, 0.0), (age, 1.0)])
    return _Candidates(
        np.stack(columns, axis=1),
        np.array(names),
        np.array(onsets),
        np.array([low for low, _ in between]),
        np.array([high for _, high in between]),
        np.array(slopes),
        np.array(log_prior),
    )


def _whitened(
    rows: Array, columns: Array, healthy: HealthyDays, mixtures: Array | None
) -> tuple[Array, Array]:
    """The series and all candidates, whitened."""
    flat = columns.reshape(len(rows), -1)
    used = np.flatnonzero(flat[-1] != 0.0)
    white = whiten(rows[:, 0], rows[:, 2], np.column_stack([rows[:, 1], flat[:, used]]), healthy, mixtures)
    templates = np.zeros_like(flat)
    templates[:, used] = white[:, 1:]
    return white[:, 0], templates.reshape(columns.shape)


def _amplitudes(white: Array, columns: Array) -> tuple[Array, Array, Array]:
    """Log Bayes factor against no change, mean and covariance of the amplitudes, of each candidate."""
    n_candidates = columns.shape[1]
    gram = np.einsum("rci,rcj->cij", columns, columns)
    information = gram + np.eye(2) / CHANGE_SPREAD**2
    reached = np.einsum("rci,r->ci", columns, white)
    covariance = np.linalg.inv(information)
    mean = np.einsum("cij,cj->ci", covariance, reached)
    is_there = (gram[:, [0, 1], [0, 1]] > 0.0).astype(float)
    covariance = covariance * is_there[:, :, None] * is_there[:, None, :]
    spread = np.linalg.slogdet(information * CHANGE_SPREAD**2)[1]
    log_bayes = 0.5 * (reached * mean).sum(axis=1) - 0.5 * spread
    return log_bayes.reshape(n_candidates), mean, covariance


def _shape(probabilities: dict[str, float]) -> Shape:
    creep = sum(probabilities[name] for name in CREEPS)
    if probabilities["step"] >= SURE:
        return "step"
    return "creep" if creep >= SURE else "undecided"


def _onset(candidates: _Candidates, weight: Array) -> tuple[float, tuple[float, float]]:
    """Median and interval; a change shows on a row, and may have begun at any time since the row before."""
    middle = _quantile(candidates.onsets, weight, 0.5)
    low = _quantile(candidates.earliest, weight, TAIL)
    return middle, (low, _quantile(candidates.latest, weight, 1.0 - TAIL))


def _quantile(values: Array, weight: Array, share: float) -> float:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order]) / weight.sum()
    return float(values[order][min(int(np.searchsorted(reached, share)), len(order) - 1)])


def _mixed(mean: Array, variance: Array, weight: Array) -> tuple[float, tuple[float, float]]:
    middle = float(weight @ mean)
    half = 1.96 * math.sqrt(float(weight @ (variance + (mean - middle) ** 2)))
    return middle, (middle - half, middle + half)


def _with_reversal(
    change: Change, rows: Array, held_back: Array, story: Array, whitened: Callable[[Array, Array], Array]
) -> Change:
    """Look for a sudden second change after the first, as when somebody has seated the cooler again.

    Single days off are held back (``held_back``: their errors), so that one of them is no second change; once
    there is one, the days after it were not off, and count in full.
    """
    days = rows[:, 0]
    later_rows = np.flatnonzero(days > change.onset_day)[3:]
    if not len(later_rows):
        return change
    later_rows = later_rows[:: math.ceil(len(later_rows) / MOST_ONSETS)]
    steps = (np.arange(len(days))[:, None] >= later_rows[None, :]).astype(float)
    main = story[:, [0]] if not story[-1, 1] else story
    white = whitened(held_back, np.column_stack([rows[:, 1], main, steps]))
    known, later = white[:, 1 : 1 + main.shape[1]], white[:, 1 + main.shape[1] :]
    gains = [
        _evidence(np.column_stack([known, later[:, number]]), white[:, 0])[0]
        for number in range(len(later_rows))
    ]
    best = int(np.argmax(gains))
    gain = gains[best] - _evidence(known, white[:, 0])[0] - math.log(len(later_rows))
    if gain < REVERSAL_LOG_BAYES:
        return change
    columns = np.column_stack([rows[:, 1], main, steps[:, best]])
    errors = rows[:, 2]
    for _ in range(2):
        white = whitened(errors, columns)
        _, mean, covariance = _evidence(white[:, 1:], white[:, 0])
        errors = errors * np.maximum(1.0, np.abs(white[:, 0] - white[:, 1:] @ mean) / CLIP)
    now, now_ci95 = _mixed(np.array([mean.sum()]), np.array([covariance.sum()]), np.ones(1))
    return replace(change, now=now, now_ci95=now_ci95, reversal_day=float(days[later_rows[best]]))


def _evidence(columns: Array, target: Array) -> tuple[float, Array, Array]:
    information = columns.T @ columns + np.eye(columns.shape[1]) / CHANGE_SPREAD**2
    covariance: Array = np.linalg.inv(information).astype(np.float64)
    reached = columns.T @ target
    mean = covariance @ reached
    spread = float(np.linalg.slogdet(information * CHANGE_SPREAD**2)[1])
    return 0.5 * float(reached @ mean) - 0.5 * spread, mean, covariance
