"""One heat path as a network: Foster (what a step response shows), Cauer (what has a place), and slabs.

A Foster network describes the response at the die alone; its nodes have no place in the machine. So outside
resistances are only ever added to the Cauer form, or to the steady sum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from ..store.errors import AnalysisError

Array = npt.NDArray[np.float64]
Polynomial = list[Fraction]  # coefficients of s, lowest first


@dataclass(frozen=True, slots=True)
class FosterNetwork:
    """Resistances [K/W] with a time constant [s] each: Z(t) = sum of R_k (1 - exp(-t / tau_k))."""

    resistances_k_per_w: tuple[float, ...]
    time_constants_s: tuple[float, ...]

    @property
    def total_k_per_w(self) -> float:
        """Steady resistance [K/W]."""
        return math.fsum(self.resistances_k_per_w)

    def impedance_k_per_w(self, times_s: npt.ArrayLike) -> Array:
        """Rise of the die per watt of a step of power, at times after it [s]; 0 before it [1]_.

        References
        ----------
        .. [1] JEDEC dictionary, transient thermal impedance (JESD24-3): change of temperature over the step
           of heating power that caused it.
        """
        times = np.maximum(np.asarray(times_s, float), 0.0)
        ratios = times[..., None] / np.asarray(self.time_constants_s)
        impedance: Array = -np.expm1(-ratios) @ np.asarray(self.resistances_k_per_w)
        return impedance


@dataclass(frozen=True, slots=True)
class CauerNetwork:
    """A ladder from the die out: at each node a capacity [J/K], then a resistance [K/W]; the last to air."""

    resistances_k_per_w: tuple[float, ...]
    capacities_j_per_k: tuple[float, ...]

    @property
    def total_k_per_w(self) -> float:
        """Steady resistance [K/W]."""
        return math.fsum(self.resistances_k_per_w)


def to_cauer(network: FosterNetwork) -> CauerNetwork:
    """The ladder with the same response at the die.

    Found by continued fraction of Z(s) in exact rational arithmetic: in floating point four stages already
    lose most digits.

    Raises
    ------
    AnalysisError
        A resistance or time constant is not above 0, or two time constants are the same.
    """
    pairs = list(zip(network.resistances_k_per_w, network.time_constants_s, strict=True))
    _refuse_unless_positive(pairs)
    if len({tau for _, tau in pairs}) < len(pairs):
        raise AnalysisError(
            "two time constants of a Foster network are the same", remedy="add their resistances"
        )
    numerator: Polynomial = [Fraction(0)]
    denominator: Polynomial = [Fraction(1)]
    for resistance, tau in pairs:  # a/b + R / (1 + s tau)
        pole = [Fraction(1), Fraction(tau)]
        grown = [Fraction(resistance) * value for value in denominator]
        numerator = _sum(_product(numerator, pole), grown)
        denominator = _product(denominator, pole)
    resistances, capacities = [], []
    for _ in pairs:
        # Highest powers of s: what is left of 1/Z is first a capacity, then a conductance.
        capacity = denominator[-1] / numerator[-1]
        denominator = _less(denominator, [Fraction(0), *[capacity * value for value in numerator]])
        resistance_exact = numerator[-1] / denominator[-1]
        numerator = _less(numerator, [resistance_exact * value for value in denominator])
        resistances.append(float(resistance_exact))
        capacities.append(float(capacity))
    return CauerNetwork(tuple(resistances), tuple(capacities))


def to_foster(network: CauerNetwork) -> FosterNetwork:
    """Resistances and time constants of a ladder's response at the die, shortest first.

    Raises
    ------
    AnalysisError
        A resistance or capacity is not above 0.
    """
    _refuse_unless_positive(list(zip(network.resistances_k_per_w, network.capacities_j_per_k, strict=True)))
    conductances = 1.0 / np.asarray(network.resistances_k_per_w)
    root = np.sqrt(np.asarray(network.capacities_j_per_k))
    diagonal = conductances + np.concatenate([[0.0], conductances[:-1]])
    beside = -conductances[:-1]
    # Scaled by the roots of the capacities the ladder is symmetric: its modes are real, found without loss.
    matrix = np.diag(diagonal) + np.diag(beside, 1) + np.diag(beside, -1)
    rates, modes = np.linalg.eigh(matrix / np.outer(root, root))
    resistances = (modes[0] / root[0]) ** 2 / rates
    order = np.argsort(1.0 / rates)
    return FosterNetwork(
        tuple(float(value) for value in resistances[order]),
        tuple(float(value) for value in 1.0 / rates[order]),
    )


def slab_resistance_k_per_w(thickness_m: float, conductivity_w_per_m_k: float, area_m2: float) -> float:
    """Resistance of a slab whose heat flows straight through it [K/W]: R = t / (k A).

    Parameters
    ----------
    thickness_m, area_m2
        Of the slab [m], [m2].
    conductivity_w_per_m_k
        Of its material [W/(m K)].

    Raises
    ------
    AnalysisError
        One of them is not above 0.
    """
    if not all(
        value > 0.0 and math.isfinite(value) for value in (thickness_m, conductivity_w_per_m_k, area_m2)
    ):
        raise AnalysisError("a slab needs a thickness, a conductivity and an area above 0")
    return thickness_m / (conductivity_w_per_m_k * area_m2)


def _refuse_unless_positive(pairs: list[tuple[float, float]]) -> None:
    if not pairs or not all(value > 0.0 and math.isfinite(value) for pair in pairs for value in pair):
        raise AnalysisError("every element of a thermal network is above 0", remedy="leave the others out")


def _product(one: Polynomial, other: Polynomial) -> Polynomial:
    made = [Fraction(0)] * (len(one) + len(other) - 1)
    for power, value in enumerate(one):
        for other_power, other_value in enumerate(other):
            made[power + other_power] += value * other_value
    return made


def _sum(one: Polynomial, other: Polynomial) -> Polynomial:
    longest = max(len(one), len(other))
    return _trimmed(
        [
            (one[power] if power < len(one) else Fraction(0))
            + (other[power] if power < len(other) else Fraction(0))
            for power in range(longest)
        ]
    )


def _less(one: Polynomial, other: Polynomial) -> Polynomial:
    return _sum(one, [-value for value in other])


def _trimmed(values: Polynomial) -> Polynomial:
    while len(values) > 1 and values[-1] == 0:
        values = values[:-1]
    return values
