"""The thermal network against what physics says it must do."""

from __future__ import annotations

import math

import numpy as np
import pytest

from heatdrift.fake_sensors.heat_path import SPEED_GRID, HeatPath, PathValues, SinkValues

GPU = PathValues("gpu0", 0.1, 0.12, 8.0, 120.0)
CPU = PathValues("cpu0", 0.3, 0.2, 2.0, 60.0)
SINK = SinkValues(700.0, 0.05, 0.12, 0.6)
ON_GRID = 12 / SPEED_GRID
AIR_C = 24.0


def settle(path: HeatPath, heat_w: list[float], speed_share: float) -> list[float]:
    for _ in range(400):
        path.step(60.0, heat_w, speed_share, AIR_C)
    return path.temperatures_c


@pytest.mark.parametrize("speed_share", [0.0, 0.31, ON_GRID, 1.0])
def test_settled_rise_is_the_sum_of_resistance_times_power(speed_share: float) -> None:
    path = HeatPath([GPU], SINK, AIR_C)
    die_w, plate_w = 90.0, 15.0
    die_c, plate_c, sink_c = settle(path, [die_w, plate_w, 0.0], speed_share)
    air_k_per_w = path.airflow_resistance_k_per_w(speed_share)
    # Settled for hundreds of time constants: only the last bits of the sums differ.
    assert sink_c - AIR_C == pytest.approx((die_w + plate_w) * air_k_per_w, rel=1e-9)
    assert plate_c - sink_c == pytest.approx((die_w + plate_w) * 0.12, rel=1e-9)
    assert die_c - plate_c == pytest.approx(die_w * 0.1, rel=1e-9)


def test_settled_c_is_where_steps_lead() -> None:
    path = HeatPath([CPU, GPU], SINK, AIR_C)
    heat_w = [30.0, 1.0, 90.0, 15.0, 0.0]
    expected = path.settled_c(heat_w, 0.7, AIR_C)
    assert settle(path, heat_w, 0.7) == pytest.approx(expected, rel=1e-9)  # last bits


def test_shared_sink_carries_heat_across() -> None:
    path = HeatPath([CPU, GPU], SINK, AIR_C)
    settle(path, [0.0, 0.0, 100.0, 0.0, 0.0], 1.0)
    # The idle processor sits at the sink: all its own resistances carry no heat.
    assert path.temperatures_c[0] == pytest.approx(path.temperatures_c[-1], rel=1e-9)
    assert path.temperatures_c[0] - AIR_C == pytest.approx(100.0 * 0.17, rel=1e-9)


def test_step_response_is_the_sum_of_exponentials() -> None:
    """A chain of three nodes: rates and amplitudes from the eigenvalues of its unsymmetric matrix."""
    path = HeatPath([GPU], SINK, AIR_C)
    air_w_per_k = 1.0 / path.airflow_resistance_k_per_w(ON_GRID)
    g1, g2, c1, c2, c3 = 1 / 0.1, 1 / 0.12, 8.0, 120.0, 700.0
    rates_matrix = np.array(
        [
            [-g1 / c1, g1 / c1, 0.0],
            [g1 / c2, -(g1 + g2) / c2, g2 / c2],
            [0.0, g2 / c3, -(g2 + air_w_per_k) / c3],
        ]
    )
    rates, vectors = np.linalg.eig(rates_matrix)
    settled = np.linalg.solve(rates_matrix, np.array([-100.0 / c1, 0.0, 0.0]))
    weights = np.linalg.solve(vectors, -settled)
    for second in range(1, 601):
        path.step(1.0, [100.0, 0.0, 0.0], ON_GRID, AIR_C)
        expected_k = settled[0] + float(vectors[0] @ (weights * np.exp(rates * second)))
        # Both are exact solutions; 600 chained steps leave rounding alone.
        assert path.temperatures_c[0] - AIR_C == pytest.approx(expected_k, abs=1e-9)
    assert path.time_constants_s(ON_GRID) == pytest.approx(sorted(-1.0 / rates), rel=1e-9)


def test_length_of_steps_does_not_matter() -> None:
    coarse, fine = HeatPath([CPU, GPU], SINK, AIR_C), HeatPath([CPU, GPU], SINK, AIR_C)
    heat_w = [30.0, 1.0, 90.0, 15.0, 0.0]
    coarse.step(60.0, heat_w, ON_GRID, AIR_C)
    for _ in range(600):
        fine.step(0.1, heat_w, ON_GRID, AIR_C)
    assert coarse.temperatures_c == pytest.approx(fine.temperatures_c, abs=1e-9)  # rounding of 600 steps


def test_speed_between_grid_speeds_errs_little_on_the_way() -> None:
    """Half a grid cell off, the held correction lags one step behind a sink that needs minutes."""
    share = (12 + 0.5) / SPEED_GRID - 1e-6
    path, reference = HeatPath([GPU], SINK, AIR_C), HeatPath([GPU], SINK, AIR_C)
    for _ in range(120):
        path.step(1.0, [100.0, 0.0, 0.0], share, AIR_C)
        for _ in range(100):
            reference.step(0.01, [100.0, 0.0, 0.0], share, AIR_C)
    # A step of 1 s against a sink of some 90 s, times a correction of some per cent of the flow.
    assert path.temperatures_c[0] == pytest.approx(reference.temperatures_c[0], abs=0.01)


def test_energy_is_kept() -> None:
    """What went in is in the nodes or went to the air."""
    sealed = SinkValues(700.0, 1e9, 1e-9, 0.6)  # no way out within the time looked at
    path = HeatPath([GPU], sealed, AIR_C)
    for _ in range(100):
        path.step(1.0, [100.0, 20.0, 0.0], 1.0, AIR_C)
    die, plate, sink = (node - AIR_C for node in path.temperatures_c)
    stored_j = 8.0 * die + 120.0 * plate + 700.0 * sink
    # 1e9 K/W lets out some 1e-7 W of 120: what remains is rounding, in sums of numbers up to 1e5.
    assert stored_j == pytest.approx(120.0 * 100.0, rel=1e-6)


def test_changed_interface_moves_only_its_own_rise() -> None:
    path = HeatPath([CPU, GPU], SINK, AIR_C)
    heat_w = [30.0, 1.0, 90.0, 15.0, 0.0]
    before = path.settled_c(heat_w, 0.7, AIR_C)
    path.change({"gpu0": 0.13})
    after = path.settled_c(heat_w, 0.7, AIR_C)
    moved = [late - early for early, late in zip(before, after, strict=True)]
    assert moved == pytest.approx([0.0, 0.0, 90.0 * 0.03, 0.0, 0.0], abs=1e-9)  # rounding


def test_fan_law_has_its_exponent() -> None:
    path = HeatPath([GPU], SINK, AIR_C)
    flow = [path.airflow_resistance_k_per_w(share) - SINK.still_resistance_k_per_w for share in (0.4, 0.8)]
    assert math.log(flow[0] / flow[1]) / math.log(2.0) == pytest.approx(0.6, rel=1e-9)
