"""Which cause explains all signs together, against signs that are drawn from each cause."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from heatdrift.reports.cause import Cause, Shift, Signs, blame

SHARE, IDLE_K, LOAD_K = 0.3, 8.0, 45.0
ERRORS = {"interface": 0.012, "airflow": 0.02, "idle_k": 0.8, "fan": 0.015}
# What each cause of size 1 does to each sign, written down apart from the module under test.
TRUTH = {
    "interface": (Cause.INTERFACE, {"interface": 1.0, "airflow": 0.0, "idle_k": SHARE * IDLE_K, "fan": 0.0}),
    "airflow": (
        Cause.AIRFLOW,
        {"interface": 0.0, "airflow": 1.0, "idle_k": (1 - SHARE) * IDLE_K, "fan": 0.0},
    ),
    "scale": (Cause.TELEMETRY, {"interface": 1.0, "airflow": 1.0, "idle_k": 0.0, "fan": 0.0}),
    "fan": (Cause.FAN, {"interface": 0.0, "airflow": 0.0, "idle_k": 0.0, "fan": -1.0}),
}


def drawn(kind: str, size: float, rng: np.random.Generator) -> Signs:
    _, effect = TRUTH[kind]
    shifts = {
        name: Shift(size * effect[name] + error * rng.standard_normal(), error)
        for name, error in ERRORS.items()
    }
    return Signs(**shifts, idle_rise_k=IDLE_K, load_rise_k=LOAD_K, interface_share=SHARE)


@pytest.mark.parametrize("kind", TRUTH)
def test_the_cause_is_found(kind: str) -> None:
    rng = np.random.default_rng(1)
    found = [blame(drawn(kind, 0.2, rng)).cause for _ in range(200)]
    # A change of a fifth stands eight and more errors out; but lint and a thermometer that is off differ at
    # idle alone, by four errors.
    assert np.mean([cause is TRUTH[kind][0] for cause in found]) >= 0.9
    assert np.mean([cause not in (TRUTH[kind][0], Cause.UNKNOWN) for cause in found]) <= 0.01


def test_a_thermometer_that_is_off_is_no_lint() -> None:
    rng = np.random.default_rng(2)
    found = []
    for _ in range(200):
        offset_k = 5.0
        shifts = {
            "interface": Shift(0.012 * rng.standard_normal(), 0.012),
            "airflow": Shift(offset_k / ((1 - SHARE) * LOAD_K) + 0.02 * rng.standard_normal(), 0.02),
            "idle_k": Shift(offset_k + 0.8 * rng.standard_normal(), 0.8),
        }
        signs = Signs(**shifts, fan=None, idle_rise_k=IDLE_K, load_rise_k=LOAD_K, interface_share=SHARE)
        found.append(blame(signs).cause)
    assert np.mean([cause is Cause.TELEMETRY for cause in found]) >= 0.85
    assert found.count(Cause.AIRFLOW) <= 2


def test_two_causes_that_remain_are_unknown() -> None:
    rng = np.random.default_rng(3)
    signs = replace(drawn("scale", 0.06, rng), airflow=Shift(0.03, 0.04), fan=None, idle_k=None)
    told = blame(signs)
    assert told.cause is Cause.UNKNOWN and told.probability < 0.95


def test_what_was_ruled_out_is_said() -> None:
    told = blame(drawn("interface", 0.3, np.random.default_rng(4)))
    assert any("power scale" in text for text in told.excluded)
    assert told.probability > 0.99


def test_missing_signs_take_no_part() -> None:
    only = Signs(Shift(0.2, 0.01), Shift(0.0, 0.02), None, None, 0.0, 0.0, SHARE)
    told = blame(only)
    assert told.cause is Cause.INTERFACE
    assert "fan" not in told.misfits and "temperature offset" not in told.misfits
