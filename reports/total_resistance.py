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
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import TooFewWindowsError
from .reference_temperature import Reference
from .regression import fit_huber
from .window_groups import LEAST_LOADED, alike, fan_of, loaded, usual_memory_pct

Array = npt.NDArray[np.float64]

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


@dataclass(frozen=True, slots=True)
class _Usual:
    """About what the model is written: the fan and its usual speed, the usual memory load."""

    fan: str
    speed: float
    memory_pct: float


@dataclass(frozen=True, slots=True)
class _Form:
    """One form of the model, fitted: value and standard error of each term, and how badly it fits."""

    terms: dict[str, tuple[float, float]]
    exponent: float
    misfit: float


def fit_total_resistance(windows: pd.DataFrame, reference: Reference) -> TotalResistance:
    """Fit the total resistance of one heat path.

    Parameters
    ----------
    windows
        As `settled_windows` gives them.
    reference
        What the air was.

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
    n_loaded = int(is_loaded.sum())
    if n_loaded < LEAST_LOADED:
        raise TooFewWindowsError(
            f"not identifiable: {n_loaded} settled windows under load, {LEAST_LOADED} are needed",
            remedy="record for longer, or let work run for ten minutes on end",
        )
    fan = fan_of(rows[is_loaded])
    speed = math.nan
    if fan:
        turns = (rows[f"speed.{fan}"] > 0.0).to_numpy()
        rows, is_loaded = rows[turns], is_loaded[turns]
        speed = float(rows.loc[is_loaded, f"speed.{fan}"].median())
    memory_pct = usual_memory_pct(rows[is_loaded])
    usual = _Usual(fan, speed, memory_pct)
    groups = alike(rows, fan)
    ways = product(EXPONENTS, (True, False)) if fan else [(math.nan, False)]
    forms = []
    for exponent, is_shared in ways:
        columns = _columns(groups, usual, exponent, is_shared)
        forms.append(_fit_form(columns, groups, reference, exponent))
    terms, exponent = _joined(forms)
    return TotalResistance(
        *terms["power_w"],
        {
            name.removeprefix("power_w."): value
            for name, value in terms.items()
            if name.startswith("power_w.")
        },
        fan,
        speed,
        exponent,
        terms.get("fan", (0.0, 0.0)),
        memory_pct,
        *terms["offset"],
        n_loaded,
        len(groups),
    )


def _columns(rows: pd.DataFrame, usual: _Usual, exponent: float, is_shared: bool) -> dict[str, Array]:
    def of(name: str) -> Array:
        return rows[name].to_numpy(float)

    def of_others(prefix: str) -> Array:
        return sum((of(f"{prefix}{other}") for other in others), none)

    own_w = of("power_w")
    none = np.zeros(len(own_w))
    others = [column.removeprefix("power_w") for column in rows.columns if column.startswith("power_w.")]
    columns = {"offset": none + 1.0, "power_w": own_w}
    columns |= {f"power_w{other}": of(f"power_w{other}") for other in others}
    if usual.fan:
        pushed_w = own_w + is_shared * of_others("power_w")
        columns["fan"] = ((of(f"speed.{usual.fan}") / usual.speed) ** -exponent - 1.0) * pushed_w
    if math.isfinite(usual.memory_pct):
        columns["memory"] = (of("memory_utilization_pct") - usual.memory_pct) / 100.0 * own_w
    columns["late_sink"] = of("late_sink_w") + is_shared * of_others("late_sink_w")
    columns["late_case"] = of("late_case_w") + of_others("late_case_w")
    return {name: values for name, values in columns.items() if np.any(values != 0.0)}


def _fit_form(
    columns: dict[str, Array], groups: pd.DataFrame, reference: Reference, exponent: float
) -> _Form:
    names = list(columns)
    error_k = groups["group_error_k"].to_numpy(float)
    prior = np.zeros((1, len(names)))
    prior[0, 0] = 1.0 / reference.offset_error_k
    design = np.vstack([np.column_stack(list(columns.values())) / error_k[:, None], prior])
    target = np.append(groups["rise_k"].to_numpy(float) / error_k, 0.0)
    fit = fit_huber(design, target, names)
    if "fan" in names and fit.coefficients[names.index("fan")] < 0.0:
        rest = {name: values for name, values in columns.items() if name != "fan"}
        return _fit_form(rest, groups, reference, math.nan)  # more air never warms
    weighted = design * np.sqrt(fit.weights)[:, None]
    misfit = float(fit.weights @ fit.residuals**2)
    excess = max(1.0, misfit / fit.degrees_of_freedom)
    errors = np.sqrt(np.diag(np.linalg.inv(weighted.T @ weighted)) * excess)
    terms = {
        name: (float(value), float(error))
        for name, value, error in zip(names, fit.coefficients, errors, strict=True)
    }
    return _Form(terms, exponent, misfit / excess)


def _joined(forms: list[_Form]) -> tuple[dict[str, tuple[float, float]], float]:
    """Mean of all forms, weighted by how well each fits; errors hold their own and their disagreement."""
    least = min(form.misfit for form in forms)
    weights = np.array([math.exp(-(form.misfit - least) / 2.0) for form in forms])
    weights /= weights.sum()
    terms = {}
    for name in dict.fromkeys(name for form in forms for name in form.terms):
        values, errors = np.array([form.terms.get(name, (0.0, 0.0)) for form in forms]).T
        mean = float(weights @ values)
        terms[name] = mean, math.sqrt(float(weights @ (errors**2 + (values - mean) ** 2)))
    known = np.array([math.isfinite(form.exponent) for form in forms])
    if not known.any():
        return terms, math.nan
    exponents = np.array([form.exponent for form in forms])[known]
    return terms, float(weights[known] @ exponents / weights[known].sum())
