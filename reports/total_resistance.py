"""From settled windows to the total resistance of one heat path, at one fan speed.

    rise = offset + R_own P_own + sum of R_j P_j + b (speed^-n - usual speed^-n) P + m (memory) P + late heat

The offset is what the reference temperature is wrong by: its own uncertainty bounds it, the windows sharpen
it. Written about the usual speed and memory load, R_own is the total resistance there and needs no further
sums. Windows that are alike share whatever the model leaves out, so a thousand of them are no thousand
witnesses: they are joined into groups, and each group keeps an error that no repetition takes away. Which
exponent the fan law has, and whether the sink is shared, often cannot be told: the answers of all forms are
joined by how well they fit, and their disagreement is part of the error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError, TooFewWindowsError
from .air_model import AirModel, Form, Shape, columns_of
from .reference_temperature import Reference
from .regression import fit_huber
from .window_groups import LEAST_LOADED, alike, fans_of, loaded, powers_of, turning_fans, usual_memory_pct

Array = npt.NDArray[np.float64]

RECIPROCITY_SHARE = 0.1  # two power meters agree no better: common practice, no source
EXPONENTS = tuple(0.4 + 0.1 * step for step in range(6))  # laminar to turbulent, with room


@dataclass(frozen=True, slots=True, eq=False)
class TotalResistance:
    """Total resistance of one heat path, source to room, per reported watt.

    Attributes
    ----------
    resistance_k_per_w, standard_error_k_per_w
        At the usual speed and memory load under work.
    cross_k_per_w
        What each other source adds: (K/W, standard error).
    fan, speed, speed_exponent
        The fan that follows this source, its usual speed under work, and the exponent, averaged over those
        that fit; empty and NaN where no fan could be told.
    fan_k_per_w
        What the resistance rises by for a unit of speed^-n (in usual speeds), and its standard error.
    memory_utilization_pct
        Where the resistance holds; NaN where it was not had.
    offset_k, offset_error_k
        What the reference was found to be wrong by, beyond its own offset.
    n_windows, n_groups
        Windows under load, and groups of like ones.
    model
        All forms that were joined, to say what another window should have shown.
    """

    resistance_k_per_w: float
    standard_error_k_per_w: float
    cross_k_per_w: dict[str, tuple[float, float]]
    fan: str
    speed: float
    speed_exponent: float
    fan_k_per_w: tuple[float, float]
    memory_utilization_pct: float
    offset_k: float
    offset_error_k: float
    n_windows: int
    n_groups: int
    model: AirModel


def fit_total_resistances(
    windows: Mapping[str, pd.DataFrame], references: Mapping[str, Reference]
) -> dict[str, TotalResistance | AnalysisError]:
    """Fit every source of a machine, each helped by what the others know.

    A passive network heats both ways alike: what the GPU adds to the processor, the processor adds to the
    GPU, up to the scales of two power meters. A source whose work never parts from another's learns so from
    the other what it cannot tell itself.

    Parameters
    ----------
    windows, references
        Of each source, as `fit_total_resistance` takes them.

    Returns
    -------
    dict
        The fit of each source, or why there is none.
    """
    alone: dict[str, TotalResistance | AnalysisError] = {}
    helped: dict[str, TotalResistance | AnalysisError] = {}
    for source in windows:
        alone[source] = _fit_or_reason(windows[source], references[source], {})
    for source in windows:
        known = {}
        for other, fit in alone.items():
            if other != source and isinstance(fit, TotalResistance) and source in fit.cross_k_per_w:
                value, error = fit.cross_k_per_w[source]
                known[other] = value, math.hypot(error, RECIPROCITY_SHARE * value)
        helped[source] = _fit_or_reason(windows[source], references[source], known)
    return helped


def _fit_or_reason(
    windows: pd.DataFrame, reference: Reference, cross_known: Mapping[str, tuple[float, float]]
) -> TotalResistance | AnalysisError:
    try:
        return fit_total_resistance(windows, reference, cross_known)
    except AnalysisError as reason:
        return reason


def fit_total_resistance(
    windows: pd.DataFrame, reference: Reference, cross_known: Mapping[str, tuple[float, float]] | None = None
) -> TotalResistance:
    """Fit the total resistance of one heat path.

    Parameters
    ----------
    windows
        As `settled_windows` gives them.
    reference
        What the air was.
    cross_known
        What is known beforehand of other sources' heating: (K/W, standard error) by source. Of one that is
        not named, only that it lies between nothing and the whole.

    Raises
    ------
    TooFewWindowsError
        Fewer than `LEAST_LOADED` windows under load.
    AnalysisError
        The powers never vary, or always vary together.
    """
    rows = windows.assign(rise_k=windows["temperature_c"] - reference.at(pd.DatetimeIndex(windows.index)))
    rows = rows[np.isfinite(rows["rise_k"])]
    is_loaded = loaded(rows)
    turning = turning_fans(rows[is_loaded])
    turns = (rows[[f"speed.{fan}" for fan in turning]] > 0.0).all(axis=1).to_numpy()
    rows, is_loaded = rows[turns], is_loaded[turns]
    n_loaded = int(is_loaded.sum())
    if n_loaded < LEAST_LOADED:
        raise TooFewWindowsError(
            f"not identifiable: {n_loaded} settled windows under load, {LEAST_LOADED} are needed",
            remedy="record for longer, or let work run for ten minutes on end",
        )
    usual_rows = rows[is_loaded]
    fans, do_follow = fans_of(usual_rows)
    memory_pct = usual_memory_pct(usual_rows)
    groups = alike(rows, fans)
    speeds = {fan: float(usual_rows[f"speed.{fan}"].median()) for fan in fans}
    ways = product(fans, EXPONENTS, (True, False) if do_follow else (True,))
    shapes = [Shape(fan, speeds[fan], memory_pct, n, is_shared) for fan, n, is_shared in ways]
    if not do_follow:
        shapes.append(Shape("", math.nan, memory_pct))
    priors = {"offset": (0.0, reference.offset_error_k)}
    half = float((usual_rows["rise_k"] / usual_rows[powers_of(rows)].sum(axis=1)).median()) / 2.0
    for power in powers_of(rows)[1:]:
        priors[power] = (cross_known or {}).get(power.removeprefix("power_w."), (half, abs(half)))
    forms = [_fit_form(columns_of(groups, shape), groups, priors, shape) for shape in shapes]
    return _joined(forms, n_loaded, len(groups))


def _fit_form(
    columns: dict[str, Array], groups: pd.DataFrame, priors: dict[str, tuple[float, float]], shape: Shape
) -> Form:
    names = list(columns)
    error_k = groups["group_error_k"].to_numpy(float)
    known = [(name, *priors[name]) for name in names if name in priors]
    rows = np.array([[(name == of) / error for name in names] for of, _, error in known])
    design = np.vstack([np.column_stack(list(columns.values())) / error_k[:, None], rows])
    target = np.append(
        groups["rise_k"].to_numpy(float) / error_k, [value / error for _, value, error in known]
    )
    fit = fit_huber(design, target, names)
    if "fan" in names and fit.coefficients[names.index("fan")] < 0.0:
        rest = {name: values for name, values in columns.items() if name != "fan"}
        shape = replace(shape, fan="", speed=math.nan, exponent=math.nan)
        return _fit_form(rest, groups, priors, shape)  # more air never warms
    weighted = design * np.sqrt(fit.weights)[:, None]
    misfit = float(fit.weights @ fit.residuals**2)
    excess = max(1.0, misfit / fit.degrees_of_freedom)
    errors = np.sqrt(np.diag(np.linalg.inv(weighted.T @ weighted)) * excess)
    terms = {
        name: (float(value), float(error))
        for name, value, error in zip(names, fit.coefficients, errors, strict=True)
    }
    return Form(terms, shape, misfit, fit.degrees_of_freedom)


def _joined(forms: list[Form], n_windows: int, n_groups: int) -> TotalResistance:
    """Mean of all forms, weighted by how well each fits; errors hold their own and their disagreement."""
    best = min(forms, key=lambda form: form.misfit)
    # Where even the best form misses by more than the groups' errors, a step in misfit is worth less.
    excess = max(1.0, best.misfit / best.degrees_of_freedom)
    weights = np.array([math.exp(-(form.misfit - best.misfit) / (2.0 * excess)) for form in forms])
    weights /= weights.sum()
    terms = {}
    for name in dict.fromkeys(name for form in forms for name in form.terms):
        values, errors = np.array([form.terms.get(name, (0.0, 0.0)) for form in forms]).T
        mean = float(weights @ values)
        terms[name] = mean, math.sqrt(float(weights @ (errors**2 + (values - mean) ** 2)))
    of_fan = [
        (w, form.shape.exponent)
        for w, form in zip(weights, forms, strict=True)
        if form.shape.fan == best.shape.fan
    ]
    exponent = float(np.average([n for _, n in of_fan], weights=[w for w, _ in of_fan]))
    return TotalResistance(
        *terms["power_w"],
        {
            name.removeprefix("power_w."): value
            for name, value in terms.items()
            if name.startswith("power_w.")
        },
        best.shape.fan,
        best.shape.speed,
        exponent,
        terms.get("fan", (0.0, 0.0)),
        best.shape.memory_pct,
        *terms["offset"],
        n_windows,
        n_groups,
        AirModel(tuple(forms), tuple(float(w) for w in weights)),
    )
