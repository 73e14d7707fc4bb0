"""A source as a network, against the machine that it was made from."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.air_model import AirModel, Form, Shape
from heatdrift.reports.era_model import EraModel
from heatdrift.reports.heat_path import Estimate, PathFit, interface_part
from heatdrift.reports.network import to_cauer, to_foster
from heatdrift.reports.source_network import source_network
from heatdrift.reports.time_constants import TimeConstants
from heatdrift.store.derived import STEP_FIELDS
from heatdrift.store.errors import AnalysisError, TooFewWindowsError

INTERFACE, PLATE, TOTAL = 0.10, 0.08, 0.45
TERMS = {
    "power_w": (TOTAL, 0.01),
    "late_sink": (0.1, 0.01),
    "late_slow": (0.1, 0.01),
    "late_case": (-0.02, 0.01),
}


def model() -> EraModel:
    return EraModel(
        source="gpu0",
        from_utc_ms=0,
        n_days=30,
        step_range_w=80.0,
        grid_k=1.0,
        idle_w={"": 10.0},
        shared_with=(),
        constants=TimeConstants(0.5, 14.0, 0.05, 0.05, INTERFACE, 0.02, (0.1,), 100),
        reference=None,
        air=AirModel((Form(TERMS, Shape("", math.nan, math.nan), 1.0, 10),), (1.0,)),
        fan="",
        usual_speed=math.nan,
        usual_memory_pct=math.nan,
    )


def fit(interface: float = INTERFACE, total: float = TOTAL) -> PathFit:
    return PathFit(
        Estimate(interface, 0.002, 50),
        Estimate(total - interface, 0.01, 100),
        Estimate(total, 0.01, 100),
        "",
        "",
        math.nan,
        "",
        math.nan,
        (0.5, 14.0),
        "",
    )


def steps(n: int = 60, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({name: np.full(n, np.nan) for name in STEP_FIELDS})
    return frame.assign(
        not_identifiable="",
        power_before_w=20.0,
        power_after_w=100.0,
        interface_resistance_k_per_w=INTERFACE + 0.006 * rng.standard_normal(n),
        standard_error_k_per_w=0.006,
        plate_resistance_k_per_w=PLATE + 0.008 * rng.standard_normal(n),
        plate_standard_error_k_per_w=0.008,
    )


def test_the_stages_add_up_and_the_ladder_comes_back() -> None:
    network = source_network(model(), fit(), steps())
    assert network.total_k_per_w == pytest.approx(TOTAL)
    assert network.resistances_k_per_w[1] == pytest.approx(PLATE, abs=3 * 0.008 / math.sqrt(60))
    # Between both lags that carry heat, by their logarithms; the negative one carries none.
    assert network.time_constants_s[2] == pytest.approx(math.sqrt(150.0 * 400.0))
    again = to_foster(to_cauer(network))
    np.testing.assert_allclose(again.resistances_k_per_w, network.resistances_k_per_w, rtol=1e-9)
    np.testing.assert_allclose(again.time_constants_s, network.time_constants_s, rtol=1e-9)


def test_parts_that_contradict_each_other_make_no_network() -> None:
    with pytest.raises(AnalysisError, match="no smaller than the whole"):
        source_network(model(), fit(total=0.15), steps())
    with pytest.raises(AnalysisError, match="no steps here"):
        source_network(model(), replace(fit(), interface=None, no_interface="no steps here"), steps())
    still = AirModel((Form({"power_w": (TOTAL, 0.01)}, Shape("", math.nan, math.nan), 1.0, 10),), (1.0,))
    with pytest.raises(AnalysisError, match="still on its way"):
        source_network(replace(model(), air=still), fit(), steps())


def test_steps_of_one_kind_speak_for_the_interface_part() -> None:
    """Six of arithmetic and two of copying, as a card showed them: the copying heats memory, not the die."""
    some = steps(8).assign(
        interface_resistance_k_per_w=[0.0285, 0.0235, 0.0295, 0.0255, 0.0282, 0.0260, 0.0134, 0.0131],
        standard_error_k_per_w=[0.0005, 0.0005, 0.0006, 0.0007, 0.0016, 0.0015, 0.0009, 0.0009],
    )
    found = interface_part(some, 0.02)
    assert found.n == 6
    assert found.ci95[0] < 0.0264 < found.ci95[1]
    assert found.k_per_w == pytest.approx(0.0264, rel=0.05)


def test_a_few_steps_that_disagree_have_a_wide_interval() -> None:
    some = steps(4).assign(interface_resistance_k_per_w=[0.05, 0.10, 0.15, 0.20])
    found = interface_part(some, 0.02)
    assert found.n == 4 and found.standard_error_k_per_w > 0.02


def test_memory_is_brought_to_the_load_that_is_asked_for() -> None:
    rng = np.random.default_rng(3)
    busy = rng.uniform(0.0, 90.0, 80)
    some = steps(80).assign(
        memory_utilization_before_pct=0.0,
        memory_utilization_after_pct=busy,
        interface_resistance_k_per_w=INTERFACE * (1.0 - 0.3 * busy / 80.0) + 0.002 * rng.standard_normal(80),
    )
    # Of a change of 80 W to 100 W at a share m, the change of busy power is 100 m / 80.
    for pct in (20.0, 70.0):
        expected = INTERFACE * (1.0 - 0.3 * pct / 100.0)
        assert interface_part(some, 0.02, pct).k_per_w == pytest.approx(expected, rel=0.02)


def test_three_steps_are_too_few() -> None:
    with pytest.raises(TooFewWindowsError, match="3 usable load steps"):
        interface_part(steps(3), 0.02)
