"""The two parts of one heat path in one era: what the first seconds show, and what is left of the whole.

These are psi-like quantities in the sense of JESD51-12: total power, one sensor. They are no theta-JC.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError, TooFewWindowsError
from .era_model import EraModel
from .reference_temperature import Reference, ReferenceKind
from .regression import fit_huber
from .step_memory import LEAST_MEMORY_SD_PCT, memory_of_steps
from .total_resistance import TotalResistance, fit_total_resistances

Array = npt.NDArray[np.float64]

NORMAL_95 = 1.959964
LEAST_STEPS = 4
# Steps of one kind agree within a fifth, or within what noise explains; heat of the memory halves the answer.
ONE_KIND, ONE_KIND_IN_ERRORS = 0.2, 2.5
MOST_CENTERS, LEAST_OF_ONE_KIND = 200, 3
# What the model of the air leaves out (sinks that take longer than a window remembers, a fan law that is
# none) takes one to two hundredths off the airflow part, seen on twelve machines with known truth.
AIRFLOW_MODEL_SHARE = 0.015


@dataclass(frozen=True, slots=True)
class Estimate:
    """A resistance [K/W] with its standard error, and how many load steps or settled windows it rests on."""

    k_per_w: float
    standard_error_k_per_w: float
    n: int

    @property
    def ci95(self) -> tuple[float, float]:
        """95 % interval [K/W]."""
        half = NORMAL_95 * self.standard_error_k_per_w
        return self.k_per_w - half, self.k_per_w + half


@dataclass(frozen=True, slots=True)
class PathFit:
    """Both parts of one source in one era; where one is None, its reason says why.

    Attributes
    ----------
    interface, airflow, total
        Per watt of the power that the journal makes of the reported one.
    memory_utilization_pct, speed, fan
        Where all three hold: share of time in which memory is busy, and the fan's speed in its own unit; NaN
        where that was not had or never varied.
    time_constants_s
        Of die and plate [s]; empty where not identified.
    reference
        What told the temperature of the air, in words.
    """

    interface: Estimate | None
    airflow: Estimate | None
    total: Estimate | None
    no_interface: str
    no_airflow: str
    memory_utilization_pct: float
    fan: str
    speed: float
    time_constants_s: tuple[float, ...]
    reference: str


Beside = Mapping[str, tuple[EraModel, pd.DataFrame]]


def fit_path(model: EraModel, steps: pd.DataFrame, windows: pd.DataFrame, beside: Beside) -> PathFit:
    """Join the load steps and the settled windows of an era.

    Parameters
    ----------
    model
        Of the era.
    steps, windows
        As `DerivedStore` gives them, of this era alone.
    beside
        Model and settled windows of the other sources in the same stretch: who heats whom is told by both.
    """
    every = {model.source: (model, windows), **beside}
    known = {name: found for name, one in every.items() if (found := _reference(*one)) is not None}
    total, no_airflow = None, ""
    if model.source in known:
        plain = {name: every[name][1].drop(columns="reference_c") for name in known}
        fit = fit_total_resistances(plain, known)[model.source]
        if isinstance(fit, TotalResistance):
            total = fit
        else:
            no_airflow = str(fit)
    else:
        no_airflow = model.no_air or "not identifiable: no settled window in which the air is known"
    memory_pct = total.memory_utilization_pct if total else math.nan
    interface, no_interface = None, model.no_steps
    if model.constants is not None:
        try:
            interface = interface_part(steps, model.constants.common_relative_error, memory_pct)
        except AnalysisError as reason:
            no_interface = str(reason)
    whole = (
        Estimate(total.resistance_k_per_w, total.standard_error_k_per_w, total.n_windows) if total else None
    )
    airflow = None
    if whole and interface:
        airflow, no_airflow = _rest(whole, interface)
    elif whole:
        no_airflow = "not identifiable: the interface part, which would have to be taken off, is not known"
    return PathFit(
        interface,
        airflow,
        whole,
        no_interface,
        no_airflow,
        memory_pct,
        total.fan if total else "",
        total.speed if total else math.nan,
        (model.constants.interface_s, model.constants.plate_s) if model.constants else (),
        _reference_words(model),
    )


def interface_part(
    steps: pd.DataFrame, common_relative_error: float, memory_utilization_pct: float = math.nan
) -> Estimate:
    """The interface part that some load steps agree on.

    Steps that say something else than most (heat that is made in the memory beside the die, a neighbour that
    started at the same second) are left alone.

    Parameters
    ----------
    steps
        Columns as `DerivedStore.load_steps` gives them.
    common_relative_error
        What the errors of all of them have in common; see `TimeConstants`.
    memory_utilization_pct
        For which load of the memory the answer is wanted; the mean one where NaN.

    Raises
    ------
    TooFewWindowsError
        Fewer than four steps could be fitted.
    """
    known = steps[steps["not_identifiable"] == ""]
    if len(known) < LEAST_STEPS:
        raise TooFewWindowsError(
            f"not identifiable: {len(known)} usable load steps, {LEAST_STEPS} are needed",
            remedy="record for longer, with work that starts and stops",
        )
    memory_pct = memory_of_steps(known)
    has_memory = (
        math.isfinite(memory_utilization_pct)
        and bool(np.isfinite(memory_pct).all())
        and float(np.std(memory_pct)) >= LEAST_MEMORY_SD_PCT
        and len(known) > 2 * LEAST_STEPS
    )
    if not has_memory:
        known = known[_of_one_kind(known)]
    value = known["interface_resistance_k_per_w"].to_numpy(float)
    error = known["standard_error_k_per_w"].to_numpy(float)
    columns = [np.ones(len(known))]
    if has_memory:
        columns.append((memory_pct - memory_utilization_pct) / 100.0)
    # A step is not known better than its kind: without a floor the largest one would speak for all.
    weight = 1.0 / np.hypot(error, np.median(error))
    fit = fit_huber(np.column_stack(columns) * weight[:, None], value * weight)
    resistance = float(fit.coefficients[0])
    if resistance <= 0.0:
        raise AnalysisError("not identifiable: the temperature does not follow the power")
    own = float(fit.standard_errors[0])
    return Estimate(resistance, math.hypot(own, common_relative_error * resistance), len(known))


def _of_one_kind(steps: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Which steps agree with the value that the most certainty agrees on."""
    value = steps["interface_resistance_k_per_w"].to_numpy(float)
    error = steps["standard_error_k_per_w"].to_numpy(float)
    weight = 1.0 / np.hypot(error, np.median(error)) ** 2
    # Candidates are the values themselves; of many, evenly spread ones are enough.
    order = np.argsort(value)
    centers = value[order[np.unique(np.linspace(0, len(value) - 1, MOST_CENTERS).astype(np.int64))]]
    room = np.maximum(ONE_KIND * np.abs(centers)[:, None], ONE_KIND_IN_ERRORS * error)
    agrees = np.abs(value - centers[:, None]) <= room
    chosen: npt.NDArray[np.bool_] = agrees[int(np.argmax(agrees @ weight))]
    # Too few of one kind: then all of them speak, and their scatter with them.
    return chosen if int(chosen.sum()) >= LEAST_OF_ONE_KIND else np.ones(len(value), bool)


def _reference(model: EraModel, windows: pd.DataFrame) -> Reference | None:
    """What the air was, as the windows hold it; its offset is taken off already, only its error is left."""
    if model.reference is None or "reference_c" not in windows:
        return None
    known = model.reference
    return Reference(
        ReferenceKind(known.kind),
        known.name,
        windows["reference_c"].dropna(),
        0.0,
        known.offset_error_k,
        known.scatter_k,
    )


def _rest(total: Estimate, interface: Estimate) -> tuple[Estimate | None, str]:
    left = total.k_per_w - interface.k_per_w
    error = math.hypot(
        total.standard_error_k_per_w, interface.standard_error_k_per_w, AIRFLOW_MODEL_SHARE * left
    )
    if left <= 0.0:
        return None, "not identifiable: the interface part is no smaller than the whole"
    return Estimate(left, error, total.n), ""


def _reference_words(model: EraModel) -> str:
    if model.reference is None:
        return "none"
    known = model.reference
    return f"{known.kind} {known.name}".strip() + f" (±{NORMAL_95 * known.offset_error_k:.1f} K)"
