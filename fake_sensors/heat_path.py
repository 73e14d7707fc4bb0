"""Die, plate and sink as a network of heat capacities and resistances, stepped without error.

Each source is a die on a plate; all plates of one path hang on one sink, and the sink on the air. For a
constant heat and air flow the network is linear and is stepped by its exact solution, whatever the length
of the step; a fan speed between two grid speeds enters as a small held heat, which leaves the settled
state exact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from operator import add, mul

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

STILL_SHARE = 0.05  # natural convection moves about what a fan at a twentieth of its speed does
SPEED_GRID = 24  # grid speeds between still and full, for which solutions are kept
KEPT_SOLUTIONS = 4096
ONE_SOURCE, TWO_SOURCES = 6, 10  # rises and heats of die and plate of each, and of the sink


@dataclass(frozen=True, slots=True)
class PathValues:
    """The part of a heat path that belongs to one source alone.

    Attributes
    ----------
    source
        Name of the source.
    interface_resistance_k_per_w
        Die to plate, through the compound [K/W].
    spread_resistance_k_per_w
        Plate to sink [K/W].
    die_capacity_j_per_k, plate_capacity_j_per_k
        Heat capacities [J/K].
    """

    source: str
    interface_resistance_k_per_w: float
    spread_resistance_k_per_w: float
    die_capacity_j_per_k: float
    plate_capacity_j_per_k: float


@dataclass(frozen=True, slots=True)
class SinkValues:
    """A sink and its air: resistance = still + flow * speed^-exponent, speed as a share of full speed.

    Attributes
    ----------
    capacity_j_per_k
        Heat capacity [J/K].
    still_resistance_k_per_w, flow_resistance_k_per_w
        The part that no fan moves, and the part at full speed that it does [K/W].
    flow_exponent
        0.4 (laminar between fins) to 0.9.
    """

    capacity_j_per_k: float
    still_resistance_k_per_w: float
    flow_resistance_k_per_w: float
    flow_exponent: float


class HeatPath:
    """Sources on one sink.

    Parameters
    ----------
    paths
        One for each source.
    sink
        What they share.
    air_c
        Temperature of everything at the start [°C].

    Attributes
    ----------
    temperatures_c
        Node temperatures [°C]: die and plate of each source in order, last the sink.
    """

    def __init__(self, paths: Sequence[PathValues], sink: SinkValues, air_c: float) -> None:
        self.paths = tuple(paths)
        self.sink = sink
        self.temperatures_c = [air_c] * (2 * len(self.paths) + 1)
        self._solutions: dict[tuple[int, float], tuple[list[list[float]], float]] = {}
        self._speed_share = -1.0
        self._conductance_w_per_k = 0.0

    def change(
        self, interface_k_per_w: Mapping[str, float] | None = None, flow_k_per_w: float | None = None
    ) -> None:
        """Set resistances [K/W] from now on: of the interface by source, and of the moving air."""
        wanted = {path.source: path.interface_resistance_k_per_w for path in self.paths}
        wanted.update(interface_k_per_w or {})
        paths = tuple(replace(path, interface_resistance_k_per_w=wanted[path.source]) for path in self.paths)
        flow = self.sink.flow_resistance_k_per_w if flow_k_per_w is None else flow_k_per_w
        sink = replace(self.sink, flow_resistance_k_per_w=flow)
        if (paths, sink) != (self.paths, self.sink):
            self.paths, self.sink = paths, sink
            self._solutions.clear()
            self._speed_share = -1.0

    def airflow_resistance_k_per_w(self, speed_share: float) -> float:
        """Sink to air at a fan speed (share of full speed) [K/W]."""
        share = max(speed_share, STILL_SHARE)
        sink = self.sink
        moved: float = sink.flow_resistance_k_per_w * share**-sink.flow_exponent
        return sink.still_resistance_k_per_w + moved

    def settled_c(self, heat_w: Sequence[float], speed_share: float, air_c: float) -> list[float]:
        """Node temperatures after a long time [°C].

        Parameters
        ----------
        heat_w
            Heat put into each node [W], in the order of `temperatures_c`.
        speed_share
            Fan speed as a share of full speed.
        air_c
            Temperature of the air at the inlet [°C].
        """
        conductance = self._conductances(1.0 / self.airflow_resistance_k_per_w(speed_share))
        rise: Array = np.linalg.solve(conductance, np.asarray(heat_w, dtype=float))
        return [air_c + float(node) for node in rise]

    def time_constants_s(self, speed_share: float) -> tuple[float, ...]:
        """Time constants of the network at a fan speed [s], shortest first."""
        rates, _, _ = self._modes(1.0 / self.airflow_resistance_k_per_w(speed_share))
        return tuple(sorted(1.0 / float(rate) for rate in rates))

    def answer(self, speed_share: float, read: int, heated: int) -> list[tuple[float, float]]:
        """How one node answers to heat in another: time constants [s] and resistances [K/W], shortest first.

        Parameters
        ----------
        speed_share
            Fan speed as a share of full speed.
        read, heated
            Nodes, in the order of `temperatures_c`.
        """
        rates, into_modes, from_modes = self._modes(1.0 / self.airflow_resistance_k_per_w(speed_share))
        resistances = from_modes[read] * into_modes[:, heated] / rates
        pairs = zip(rates.tolist(), resistances.tolist(), strict=True)
        return sorted((1.0 / rate, resistance) for rate, resistance in pairs)

    def step(self, seconds: float, heat_w: Sequence[float], speed_share: float, air_c: float) -> None:
        """Let ``seconds`` pass with constant heat, speed and air; parameters as in `settled_c`."""
        share = speed_share if speed_share > STILL_SHARE else STILL_SHARE
        cell = int(share * SPEED_GRID + 0.5) or 1
        solution = self._solutions.get((cell, seconds))
        if solution is None:
            solution = self._solve(cell, seconds)
        if share != self._speed_share:
            self._speed_share = share
            self._conductance_w_per_k = 1.0 / self.airflow_resistance_k_per_w(share)
        rows, grid_conductance_w_per_k = solution
        vector = [node - air_c for node in self.temperatures_c]
        sink_rise_k = vector[-1]
        vector += heat_w
        vector[-1] -= (self._conductance_w_per_k - grid_conductance_w_per_k) * sink_rise_k
        self.temperatures_c = product(rows, vector, air_c)

    def _solve(self, cell: int, seconds: float) -> tuple[list[list[float]], float]:
        """Exact solution over a step: a row for each node, times its rises and heats now."""
        if len(self._solutions) >= KEPT_SOLUTIONS:
            self._solutions.clear()
        conductance = 1.0 / self.airflow_resistance_k_per_w(cell / SPEED_GRID)
        rates, into_modes, from_modes = self._modes(conductance)
        decay = np.exp(-rates * seconds)
        held = from_modes @ np.diag(decay) @ np.linalg.inv(from_modes)
        heated = from_modes @ np.diag(-np.expm1(-rates * seconds) / rates) @ into_modes
        solution = np.hstack([held, heated]).tolist(), conductance
        self._solutions[cell, seconds] = solution
        return solution

    def _modes(self, air_conductance_w_per_k: float) -> tuple[Array, Array, Array]:
        """Decay rates [1/s], heat to modes, modes to rises.

        Scaled by the roots of the capacities the network is symmetric, so that its modes are real and
        found without loss.
        """
        root = np.sqrt(self._capacities())
        conductance = self._conductances(air_conductance_w_per_k)
        rates, vectors = np.linalg.eigh(conductance / np.outer(root, root))
        return rates, vectors.T / root, vectors / root[:, None]

    def _capacities(self) -> Array:
        nodes: list[float] = []
        for path in self.paths:
            nodes += [path.die_capacity_j_per_k, path.plate_capacity_j_per_k]
        return np.array([*nodes, self.sink.capacity_j_per_k])

    def _conductances(self, air_conductance_w_per_k: float) -> Array:
        n_nodes = len(self.temperatures_c)
        matrix = np.zeros((n_nodes, n_nodes))
        links: list[tuple[int, int, float]] = []
        for index, path in enumerate(self.paths):
            links.append((2 * index, 2 * index + 1, 1.0 / path.interface_resistance_k_per_w))
            links.append((2 * index + 1, n_nodes - 1, 1.0 / path.spread_resistance_k_per_w))
        for one, other, conductance in links:
            matrix[one, one] += conductance
            matrix[other, other] += conductance
            matrix[one, other] -= conductance
            matrix[other, one] -= conductance
        matrix[-1, -1] += air_conductance_w_per_k
        return matrix


def product(rows: Sequence[Sequence[float]], vector: Sequence[float], offset: float) -> list[float]:
    """An offset, plus rows times a vector, added up from left to right whatever the Python.

    The two lengths that machines have are written out: a loop over pairs took a third of a step, and
    `sum` rounds differently from Python 3.12 on, so that a seed would not give the same life everywhere.
    """
    if len(vector) == ONE_SOURCE:
        a, b, c, d, e, f = vector
        return [offset + (p * a + q * b + r * c + s * d + t * e + u * f) for p, q, r, s, t, u in rows]
    if len(vector) == TWO_SOURCES:
        a, b, c, d, e, f, g, h, i, j = vector
        return [
            offset + (p * a + q * b + r * c + s * d + t * e + u * f + v * g + w * h + x * i + y * j)
            for p, q, r, s, t, u, v, w, x, y in rows
        ]
    return [offset + float(reduce(add, map(mul, row, vector))) for row in rows]
