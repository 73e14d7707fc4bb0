"""The forms that the total resistance of a heat path may take, and what they predict of a settled window."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .settled import LATE_S

Array = npt.NDArray[np.float64]

NEGLIGIBLE_WEIGHT = 1e-3
# What is no heat that flows through the path at this moment.
NOT_FLOWING = ("offset", "settling", *(f"late_{word}" for word in LATE_S))


@dataclass(frozen=True, slots=True)
class Shape:
    """One form of the model: which fan, about which speed and memory load, which exponent, whose sink."""

    fan: str
    speed: float
    memory_pct: float
    exponent: float = math.nan
    is_shared: bool = False


@dataclass(frozen=True, slots=True)
class Form:
    """A form, fitted: value and standard error of each term, and how badly it fits."""

    terms: dict[str, tuple[float, float]]
    shape: Shape
    misfit: float
    degrees_of_freedom: int


@dataclass(frozen=True, slots=True)
class AirModel:
    """Forms joined by how well each fits."""

    forms: tuple[Form, ...]
    weights: tuple[float, ...]

    @property
    def best(self) -> Form:
        """The form that fits best."""
        return min(self.forms, key=lambda form: form.misfit)

    def rise_k(self, windows: pd.DataFrame) -> tuple[Array, Array]:
        """What settled windows should show, in two parts.

        Parameters
        ----------
        windows
            As `settled_windows` gives them.

        Returns
        -------
        flowing_k
            Rise that the powers of the moment cause by flowing to the air [K]; NaN where a speed or power
            was not had, or the fan stood.
        other_k
            The rest: what the reference is wrong by, and heat of earlier work [K].
        """
        flowing_k, other_k = np.zeros(len(windows)), np.zeros(len(windows))
        for form, weight in zip(self.forms, self.weights, strict=True):
            columns = columns_of(windows, form.shape)
            for name, (value, _) in form.terms.items():
                part_k = weight * value * columns.get(name, 0.0)
                if name in NOT_FLOWING:
                    other_k += part_k
                else:
                    flowing_k += part_k
        return np.where(np.isfinite(flowing_k), flowing_k, np.nan), other_k

    def term(self, name: str) -> float:
        """Value of a term over all forms; 0 where none has it."""
        return sum(
            weight * form.terms.get(name, (0.0, 0.0))[0]
            for form, weight in zip(self.forms, self.weights, strict=True)
        )

    def without_trifles(self) -> AirModel:
        """The forms that count."""
        kept = [
            (form, weight)
            for form, weight in zip(self.forms, self.weights, strict=True)
            if weight >= NEGLIGIBLE_WEIGHT
        ]
        total = sum(weight for _, weight in kept)
        return AirModel(tuple(form for form, _ in kept), tuple(weight / total for _, weight in kept))

    def as_document(self) -> list[dict[str, Any]]:
        """For storing as JSON."""
        return [
            asdict(form) | {"weight": weight} for form, weight in zip(self.forms, self.weights, strict=True)
        ]

    @classmethod
    def of_document(cls, document: Iterable[dict[str, Any]]) -> AirModel:
        """What `as_document` wrote."""
        forms, weights = [], []
        for one in document:
            terms = {name: (value, error) for name, (value, error) in one["terms"].items()}
            shape: dict[str, Any] = {
                key: math.nan if value is None else value for key, value in one["shape"].items()
            }
            forms.append(Form(terms, Shape(**shape), one["misfit"], one["degrees_of_freedom"]))
            weights.append(one["weight"])
        return cls(tuple(forms), tuple(weights))


def columns_of(rows: pd.DataFrame, shape: Shape) -> dict[str, Array]:
    """The terms of the model: one column for each, those that are 0 everywhere left out."""

    def of(name: str) -> Array:
        return rows[name].to_numpy(float)

    def of_others(prefix: str) -> Array:
        return sum((of(f"{prefix}{other}") for other in others), none)

    own_w = of("power_w")
    none = np.zeros(len(own_w))
    others = [column.removeprefix("power_w") for column in rows.columns if column.startswith("power_w.")]
    columns = {"offset": none + 1.0, "power_w": own_w}
    columns |= {f"power_w{other}": of(f"power_w{other}") for other in others}
    if shape.fan:
        pushed_w = own_w + shape.is_shared * of_others("power_w")
        with np.errstate(divide="ignore"):  # a fan that stands: no resistance is known for it
            columns["fan"] = ((of(f"speed.{shape.fan}") / shape.speed) ** -shape.exponent - 1.0) * pushed_w
    if math.isfinite(shape.memory_pct):
        columns["memory"] = (of("memory_utilization_pct") - shape.memory_pct) / 100.0 * own_w
    columns["settling"] = -of("slope_k_per_min")
    for word in LATE_S:
        of_all = word == "case" or shape.is_shared  # the air in a case is warmed by everybody
        columns[f"late_{word}"] = of(f"late_{word}_w") + of_all * of_others(f"late_{word}_w")
    return {name: values for name, values in columns.items() if np.any(values != 0.0)}
