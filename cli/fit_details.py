"""What ``heatdrift fit`` says beyond the two parts: fan laws, networks, cross-heating, power stages."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..reports.derivation import Derivation
from ..reports.fits import SourceEra
from ..reports.heat_path import NORMAL_95
from ..reports.network import to_cauer
from ..reports.path_details import fit_cross_heating_now
from ..reports.power_stage import PowerStage
from ..store.derived import DerivedStore
from ..store.errors import AnalysisError
from .tables import WIDTH, wrap


def stage_lines(stages: Mapping[str, PowerStage | str]) -> list[str]:
    """What each power stage rises by at the highest power at which it was seen."""
    lines: list[str] = []
    for name, stage in stages.items():
        if isinstance(stage, str):
            text = f"{name}: {stage}"
        else:
            rise_k, error_k = stage.rise_k(stage.high_w)
            text = (
                f"{name}, which seems to feed {stage.feeds}: {rise_k:.1f} ± {NORMAL_95 * error_k:.1f} K above"
                f" the air at {stage.high_w:.0f} W; {stage.k_per_w:.3g} K/W and {stage.k_per_w2:.2g} K/W2"
            )
        first, *more = wrap(text, WIDTH - 2)
        lines += [f"- {first}", *(f"  {line}" for line in more)]
    return lines


def stage_document(name: str, stage: PowerStage | str) -> dict[str, Any]:
    """One power stage, for programs."""
    if isinstance(stage, str):
        return {"name": name, "feeds": None, "reason": stage}
    rise_k, error_k = stage.rise_k(stage.high_w)
    return {
        "name": name,
        "feeds": stage.feeds,
        "k_per_w": stage.k_per_w,
        "k_per_w2": stage.k_per_w2,
        "power_w": stage.high_w,
        "rise_k": rise_k,
        "ci95_k": [rise_k - NORMAL_95 * error_k, rise_k + NORMAL_95 * error_k],
        "n_windows": stage.n_windows,
        "reason": None,
    }


def detail_document(one: SourceEra, derived: DerivedStore) -> dict[str, Any]:
    """Fan law of a source, and the source as a network, for programs."""
    return {"fan_law": _fan_law(one, derived), **_network(one, derived)}


def heating_document(derived: DerivedStore, derivation: Derivation) -> dict[str, Any]:
    """Who heats whom, for programs."""
    try:
        found = fit_cross_heating_now(derived, derivation)
    except AnalysisError as reason:
        return {"sources": None, "reason": str(reason)}
    return {
        "sources": list(found.sources),
        "matrix_k_per_w": found.matrix_k_per_w.tolist(),
        "standard_errors_k_per_w": found.errors_k_per_w.tolist(),
        "condition_number": found.condition_number,
        "n_windows": found.n_windows,
        "reason": None,
    }


def _fan_law(one: SourceEra, derived: DerivedStore) -> dict[str, Any]:
    try:
        law = one.fan_law(derived)
    except AnalysisError as reason:
        return {"exponent": None, "reason": str(reason)}
    return {
        "still_k_per_w": law.still_k_per_w,
        "moved_k_per_w": law.moved_k_per_w,
        "usual_speed": law.usual_speed,
        "exponent": law.exponent,
        "exponent_ci95": [law.exponent_low, law.exponent_high],
        "is_intended_speed": law.is_intended,
        "reason": None,
    }


def _network(one: SourceEra, derived: DerivedStore) -> dict[str, Any]:
    """Die, plate and sink as Foster's sum and Cauer's ladder."""
    try:
        foster = one.network(derived)
        cauer = to_cauer(foster)
    except AnalysisError as reason:
        return {"foster": None, "cauer": None, "network_reason": str(reason)}
    return {
        "foster": {
            "resistances_k_per_w": list(foster.resistances_k_per_w),
            "time_constants_s": list(foster.time_constants_s),
        },
        "cauer": {
            "resistances_k_per_w": list(cauer.resistances_k_per_w),
            "capacities_j_per_k": list(cauer.capacities_j_per_k),
        },
        "network_reason": None,
    }
