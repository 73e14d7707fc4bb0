"""Heat, fans and sensors of machines that owe nothing to the package's own invented ones.

A heat path is a row of layers (die, die, joint, plate, plate, chamber, fins, case, air), not a sum of lags:
the chamber carries better the more heat it carries, fins breathe by themselves when the fan stops, and a hot
die leaks power. All stretches of load of a machine are solved side by side, one second at a time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]

BLOCK_S = 10  # fan and chamber are looked at this often
HALVINGS = 5  # a second is solved in 2^5 trapezoids: the fastest layers settle in some 0.05 s
FAST_S = 3.0  # lags below this are the interface part, by the definition of the report
LEAK_DOUBLES_K = 25.0  # leakage of silicon doubles every 20 to 30 K: common practice, no source


@dataclass(frozen=True, slots=True)
class Network:
    """Layers and what joins them.

    Attributes
    ----------
    capacity_j_per_k
        Shape (n_nodes,).
    edges
        (node, node, K/W, kind, number); a node of -1 is the air of the room. The kinds are ``fixed``,
        ``joint`` (number of the source), ``chamber`` and ``fin`` (number of the fan).
    dies, plates
        Where each source feels and where the rest of its power goes in.
    """

    capacity_j_per_k: Floats
    edges: tuple[tuple[int, int, float, str, int], ...]
    dies: tuple[int, ...]
    plates: tuple[int, ...]

    def conductance(self, joint: Floats, chamber: Floats, fin: Floats) -> tuple[Floats, Floats]:
        """Laplacian (n, nodes, nodes) and conductance to the room (n, nodes); factors: (n, number)."""
        n, size = len(joint), len(self.capacity_j_per_k)
        matrix, room = np.zeros((n, size, size)), np.zeros((n, size))
        for a, b, k_per_w, kind, number in self.edges:
            g = np.full(n, 1.0 / k_per_w)
            if kind == "joint":
                g = g / joint[:, number]
            elif kind == "chamber":
                g = g * chamber[:, number]
            elif kind == "fin":
                g = g * fin[:, number]
            matrix[:, a, a] += g
            if b < 0:
                room[:, a] += g
            else:
                matrix[:, b, b] += g
                matrix[:, a, b] -= g
                matrix[:, b, a] -= g
        return matrix, room

    def parts(
        self, source: int, joint: Floats, chamber: Floats, fin: Floats, share: float
    ) -> tuple[Floats, Floats]:
        """Fast and slow resistance [K/W] of a source for each row of factors."""
        matrix, _ = self.conductance(joint, chamber, fin)
        root = np.sqrt(self.capacity_j_per_k)
        rate, shape = np.linalg.eigh(matrix / root[:, None] / root)
        heat = np.zeros(len(root))
        heat[self.dies[source]] += share
        heat[self.plates[source]] += 1.0 - share
        weight = shape[:, self.dies[source], :] / root[self.dies[source]]
        part = weight * np.einsum("nij,i->nj", shape, heat / root) / rate
        fast = rate > 1.0 / FAST_S
        return (part * fast).sum(axis=1), (part * ~fast).sum(axis=1)

    def lags_s(self, joint: Floats, chamber: Floats, fin: Floats) -> Floats:
        """All time constants, shape (n, nodes)."""
        root = np.sqrt(self.capacity_j_per_k)
        return np.asarray(
            1.0 / np.linalg.eigvalsh(self.conductance(joint, chamber, fin)[0] / root[:, None] / root)
        )


@dataclass(frozen=True, slots=True)
class FanControl:
    """``kind`` is ``pi`` or ``table``; below ``stop_c`` the fan stands where it may."""

    kind: str
    target_c: float
    idle: float
    stop_c: float
    slew_per_s: float
    exponent: float

    def next(self, command: Floats, smooth_c: Floats, before_c: Floats) -> Floats:
        if self.kind == "pi":
            wish = command + 0.012 * (smooth_c - self.target_c) + 0.05 * (smooth_c - before_c)
        else:
            table = np.array([self.idle, 0.3, 0.42, 0.55, 0.7, 0.85, 1.0])
            edges = self.target_c + np.array([-22.0, -15.0, -9.0, -4.0, 1.0, 6.0])
            up = table[np.searchsorted(edges, smooth_c)]
            down = table[np.searchsorted(edges - 4.0, smooth_c)]  # four degrees of hysteresis
            wish = np.where(up > command, up, np.where(down < command, down, command))
        step = self.slew_per_s * BLOCK_S
        wish = np.clip(wish, command - step, command + step)
        return np.clip(np.where(smooth_c < self.stop_c, np.minimum(wish, self.idle), wish), self.idle, 1.0)


@dataclass(frozen=True, slots=True)
class Stretches:
    """All stretches of load of one machine, the longest first; n stretches, t seconds, s sources, f fans."""

    wanted_w: Floats  # (n, t, s)
    share: Floats  # (n, t, s): what part of the power is made where the sensor is
    n_seconds: NDArray[np.int64]  # (n,)
    room_c: Floats  # (n, t)
    joint: Floats  # (n, s)
    flow: Floats  # (n, f): what the fins still let through
    wear: Floats  # (n, f): speed at the same command


def fin_factor(moved: Floats, warm_k: Floats, exponent: float) -> Floats:
    """Conductance of fins in units of full speed: forced by the fan, and by itself."""
    return np.asarray(np.maximum(moved, 0.0) ** exponent + 0.09 * (np.maximum(warm_k, 1.0) / 20.0) ** 0.25)


def solve(
    network: Network,
    work: Stretches,
    control: FanControl,
    cap_w: Floats,
    limit_c: float,
    fans: tuple[int, ...],
) -> tuple[Floats, Floats, Floats, Floats]:
    """Temperature [°C], power [W], clock share (n, t, s) and command (n, t, f); a fan for each source."""
    n, n_t, n_s = work.wanted_w.shape
    n_f, size = work.flow.shape[1], len(network.capacity_j_per_k)
    temperature, power = np.full((n, n_t, n_s), np.nan), np.full((n, n_t, n_s), np.nan)
    clock, speed = np.ones((n, n_t, n_s)), np.zeros((n, n_t, n_f))
    command, held = np.full((n, n_f), control.idle), np.ones((n, n_s))
    fin_nodes = [edge[0] for edge in network.edges if edge[3] == "fin"]
    tubes = [edge for edge in network.edges if edge[3] == "chamber"]
    chamber, warm = np.ones((n, len(tubes))), np.full((n, n_f), 10.0)
    dies, plates = list(network.dies), list(network.plates)
    x: Floats = np.zeros((n, size))
    for _ in range(6):  # the rest before the work
        g, room = network.conductance(
            work.joint, chamber, fin_factor(command * work.wear * work.flow, warm, control.exponent)
        )
        heat = np.zeros((n, size))
        for s in range(n_s):
            heat[:, dies[s]] += work.wanted_w[:, 0, s] + 0.02 * cap_w[s]
        x = np.asarray(np.linalg.solve(g, (heat + room * work.room_c[:, :1])[..., None])[..., 0], dtype=float)
        warm = x[:, fin_nodes] - work.room_c[:, :1]
    smooth = x[:, dies]
    hottest = np.stack(
        [smooth[:, [s for s in range(n_s) if fans[s] == f]].max(axis=1) for f in range(n_f)], axis=1
    )
    inverse_c = 1.0 / network.capacity_j_per_k
    for start in range(0, n_t, BLOCK_S):
        k = int(np.searchsorted(-work.n_seconds, -start, side="left"))  # those that are still at it
        if k == 0:
            break
        on = slice(0, k)
        fin = fin_factor(command[on] * work.wear[on] * work.flow[on], warm[on], control.exponent)
        g, room = network.conductance(work.joint[on], chamber[on], fin)
        a = -g * inverse_c[:, None]
        h = 1.0 / 2**HALVINGS
        left = np.linalg.inv(np.eye(size) - a * (h / 2))
        move, gain = left @ (np.eye(size) + a * (h / 2)), left * (h * inverse_c)
        for _ in range(HALVINGS):
            gain = move @ gain + gain
            move = move @ move
        state = x[on]
        warmest = state[:, dies]
        for t in range(start, min(start + BLOCK_S, n_t)):
            die_c = state[:, dies]
            leak = 0.04 * cap_w * np.exp2((die_c - 60.0) / LEAK_DOUBLES_K)
            wanted = work.wanted_w[on, t] * held[on]
            made = np.minimum(wanted + leak, cap_w)
            heat = room * work.room_c[on, t, None]
            share = work.share[on, t]
            heat[:, dies] += made * share
            heat[:, plates] += made * (1.0 - share)
            state = (move @ state[..., None] + gain @ heat[..., None])[..., 0]
            temperature[on, t], power[on, t] = state[:, dies], made
            clock[on, t] = (np.maximum(made - leak, 1.0) / np.maximum(work.wanted_w[on, t], 1.0)).clip(
                0.2, 1.0
            ) ** 0.4
            warmest = 0.85 * warmest + 0.15 * die_c
        x[on] = state
        held[on] = np.clip(held[on] + np.where(state[:, dies] > limit_c, -0.06, 0.02), 0.4, 1.0)
        warm[on] = state[:, fin_nodes] - work.room_c[on, start, None]
        for index, (i, j, k_per_w, _, _) in enumerate(tubes):
            carried = np.maximum(state[:, i] - state[:, j], 0.0) / k_per_w * chamber[on, index]
            chamber[on, index] = 0.8 + 0.5 * carried / (carried + 60.0)
        speed[on, start : start + BLOCK_S] = command[on, None, :]
        for f in range(n_f):
            own = warmest[:, [s for s in range(n_s) if fans[s] == f]].max(axis=1)
            seen = 0.6 * hottest[on, f] + 0.4 * own
            command[on, f] = control.next(command[on, f], seen, hottest[on, f])
            hottest[on, f] = seen
    return temperature, power, clock, speed


@dataclass(frozen=True, slots=True)
class Senses:
    """How a machine reads itself: ``digits`` is ``floor``, ``round`` or ``eighth``."""

    digits: str
    noise_k: float
    smoothing_s: float
    late_s: float
    outlier_share: float
    power_noise: float

    def temperature(self, true_c: Floats, rng: np.random.Generator) -> Floats:
        """What is read of one stretch, shape (t,)."""
        felt = true_c
        if self.smoothing_s > 0.0:
            keep = float(np.exp(-1.0 / self.smoothing_s))
            felt = lfilter([1.0 - keep], [1.0, -keep], felt, zi=[keep * felt[0]])[0]
        late = rng.uniform(0.0, self.late_s, len(felt))
        felt = felt - late * np.diff(felt, prepend=felt[0]) + rng.normal(0.0, self.noise_k, len(felt))
        wild = rng.random(len(felt)) < self.outlier_share
        felt = felt + wild * np.clip(3.0 * rng.standard_t(1.5, len(felt)), -25.0, 25.0)
        if self.digits == "eighth":
            return np.round(felt * 8.0) / 8.0
        return np.floor(felt) if self.digits == "floor" else np.round(felt)

    def power(self, true_w: Floats, rng: np.random.Generator) -> Floats:
        return np.round(true_w * (1.0 + rng.normal(0.0, self.power_noise, true_w.shape)), 2)


def draw_network(rng: np.random.Generator, is_laptop: bool, cap_w: Floats) -> Network:
    """Layers sized so that a full load warms the joint by 10 to 20 K, the rest by 25 to 40 K."""
    capacity: list[float] = []
    edges: list[tuple[int, int, float, str, int]] = []
    dies, plates = [], []
    case = 20 if is_laptop else 40

    def node(c: float) -> int:
        capacity.append(c)
        return len(capacity) - 1

    air = node(case * rng.uniform(18, 30))
    edges.append((air, -1, float(rng.uniform(3, 6) / cap_w.sum()), "fixed", 0))
    shared: tuple[int, int] | None = None
    for s, cap in enumerate(cap_w):
        r_fast, r_slow = rng.uniform(10, 20) / cap, rng.uniform(24, 34) / (cap_w.sum() if is_laptop else cap)
        lag = rng.uniform(0.35, 0.9)
        first, second = node(0.1 * lag / r_fast), node(lag / (0.7 * r_fast))
        third = node(rng.uniform(9, 14) / (0.25 * r_fast + 0.3 * r_slow))
        fourth = node(rng.uniform(0.3, 0.5) * capacity[third])
        edges += [(first, second, 0.3 * r_fast, "fixed", 0), (second, third, 0.7 * r_fast, "joint", s)]
        edges.append((third, fourth, 0.08 * r_fast, "fixed", 0))
        dies.append(first)
        plates.append(third)
        if shared is None or not is_laptop:
            chamber = node(rng.uniform(0.5, 0.8) * capacity[third])
            fins = node(rng.uniform(45, 80) / (0.65 * r_slow))
            fan = 0 if is_laptop else s
            edges.append((chamber, fins, 0.2 * r_slow, "fixed", 0))
            edges.append((fins, air, 0.55 * r_slow, "fin", fan))
            shared = (chamber, fins)
        edges.append((fourth, shared[0], float(rng.uniform(5, 8) / cap), "chamber", s))
    return Network(np.array(capacity), tuple(edges), tuple(dies), tuple(plates))


def nominal(network: Network, control: FanControl, n: int, n_fans: int) -> tuple[Floats, Floats, Floats]:
    fin = fin_factor(np.full((n, n_fans), 0.6), np.full((n, n_fans), 20.0), control.exponent)
    return np.ones((n, 2)), np.ones((n, 2)), fin
