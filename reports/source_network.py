"""One source as a network of three stages: die, plate, and sink with air."""

from __future__ import annotations

import math

import pandas as pd

from ..store.errors import AnalysisError
from .air_model import AirModel
from .era_model import EraModel
from .heat_path import PathFit, interface_part
from .network import FosterNetwork
from .settled import LATE_S


def source_network(model: EraModel, fit: PathFit, steps: pd.DataFrame) -> FosterNetwork:
    """Resistances and time constants of a source in an era, shortest first.

    Die and plate come from the load steps, the sum from the settled windows. What is left gets one time
    constant, an effective one: sink, case and fan have several.

    Parameters
    ----------
    model, fit
        Of the era.
    steps
        Its load steps, as `DerivedStore` gives them.

    Raises
    ------
    AnalysisError
        A part is not known, or the parts contradict each other.
    """
    if fit.interface is None or fit.total is None or model.constants is None or model.air is None:
        reasons = (fit.no_interface, fit.no_airflow, model.no_steps, model.no_air)
        raise AnalysisError(f"no network: {next(filter(None, reasons), 'too little is known')}")
    of_plate = steps.assign(
        interface_resistance_k_per_w=steps["plate_resistance_k_per_w"],
        standard_error_k_per_w=steps["plate_standard_error_k_per_w"],
    )
    try:
        plate = interface_part(of_plate, 0.0, fit.memory_utilization_pct)
    except AnalysisError as reason:
        raise AnalysisError("no network: the plate's part does not stand out of the noise") from reason
    rest_k_per_w = fit.total.k_per_w - fit.interface.k_per_w - plate.k_per_w
    if rest_k_per_w <= 0.0:
        raise AnalysisError("no network: die and plate together are no smaller than the whole")
    return FosterNetwork(
        (fit.interface.k_per_w, plate.k_per_w, rest_k_per_w),
        (model.constants.interface_s, model.constants.plate_s, sink_time_constant_s(model.air)),
    )


def sink_time_constant_s(air: AirModel) -> float:
    """Effective time constant of what is slower than the plate [s].

    The mean of the model's slow lags, each weighted by the heat that comes through it.

    Raises
    ------
    AnalysisError
        The windows show no slow heat.
    """
    weights = dict.fromkeys(LATE_S, 0.0)
    for form, share in zip(air.forms, air.weights, strict=True):
        for word in LATE_S:
            weights[word] += share * max(form.terms.get(f"late_{word}", (0.0, 0.0))[0], 0.0)
    total = sum(weights.values())
    if total <= 0.0:
        raise AnalysisError("no network: the settled windows show no heat that is still on its way")
    return math.exp(sum(weight * math.log(LATE_S[word]) for word, weight in weights.items()) / total)
