"""Foster and Cauer networks against published elements and 80-digit arithmetic."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from heatdrift.reports.network import (
    CauerNetwork,
    FosterNetwork,
    slab_resistance_k_per_w,
    to_cauer,
    to_foster,
)
from heatdrift.store.errors import AnalysisError

REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "thermal" / "foster_cauer.json"
# Infineon AN2008-03 v1.0 (2008), page 4, an IGBT [K/W, s]. The note prints no Cauer side; that was worked out
# by continued fraction in 80-digit arithmetic.
IGBT = FosterNetwork((1.56e-3, 4.25e-3, 1.26e-3, 1.44e-3), (0.0068, 0.0642, 0.3209, 2.0212))
IGBT_LADDER = CauerNetwork(
    (2.5919532042739703e-3, 3.8209979293844453e-3, 1.187922959199063e-3, 0.9091259071425215e-3),
    (3.330557352151412, 14.14810039904697, 308.9694482250034, 1818.3441837692785),
)
ROUNDING = 1e-12  # exact arithmetic in, one rounding out; the answers are printed with 16 digits
MODES = 1e-11  # of a 4 x 4 symmetric matrix whose rates lie apart by 300


def close(one: tuple[float, ...], other: tuple[float, ...], rel: float) -> bool:
    return one == pytest.approx(other, rel=rel)


def test_foster_to_cauer() -> None:
    ladder = to_cauer(IGBT)
    assert close(ladder.resistances_k_per_w, IGBT_LADDER.resistances_k_per_w, ROUNDING)
    assert close(ladder.capacities_j_per_k, IGBT_LADDER.capacities_j_per_k, ROUNDING)
    assert ladder.total_k_per_w == pytest.approx(8.51e-3, rel=ROUNDING)


def test_cauer_to_foster() -> None:
    """A ladder from the manual of a thermal-network library; its response in 80-digit arithmetic."""
    foster = to_foster(CauerNetwork((0.1, 0.5, 1.2), (0.3, 0.8, 2.0)))
    assert close(foster.resistances_k_per_w, (0.0504060469009, 0.2020887094933, 1.5475052436058), MODES)
    assert close(foster.time_constants_s, (0.0214780183945, 0.3405025966339, 3.9380193849715), MODES)


def test_there_and_back() -> None:
    back = to_foster(to_cauer(IGBT))
    assert close(back.resistances_k_per_w, IGBT.resistances_k_per_w, MODES)
    assert close(back.time_constants_s, IGBT.time_constants_s, MODES)


def test_random_networks_there_and_back() -> None:
    rng = np.random.default_rng(5)
    for n_stages in (1, 2, 3, 5, 7):
        taus = np.cumprod(rng.uniform(2.0, 20.0, n_stages)) * 0.01
        network = FosterNetwork(tuple(map(float, rng.uniform(0.01, 1.0, n_stages))), tuple(map(float, taus)))
        back = to_foster(to_cauer(network))
        # Rates that lie apart by up to 20^6 cost eigenvalues up to 7 of 16 digits.
        assert close(back.resistances_k_per_w, network.resistances_k_per_w, 1e-6)
        assert close(back.time_constants_s, network.time_constants_s, 1e-6)


def test_response_begins_at_nothing_and_ends_at_the_sum() -> None:
    response = IGBT.impedance_k_per_w([-1.0, 0.0, 0.1, 1e6])
    # 0.005321671193851467 K/W after 0.1 s, in 80-digit arithmetic.
    assert response == pytest.approx([0.0, 0.0, 0.005321671193851467, IGBT.total_k_per_w], rel=ROUNDING)


@pytest.mark.reference
@pytest.mark.skipif(not REFERENCE.exists(), reason="published numbers are not beside the project")
def test_every_reference_network() -> None:
    cases: list[dict[str, Any]] = json.loads(REFERENCE.read_text())["cases"]
    for case in cases:
        if "foster_C" in case:
            network = FosterNetwork(tuple(case["foster_R"]), tuple(case["foster_tau_s"]))
            ladder = to_cauer(network)
            assert close(ladder.resistances_k_per_w, tuple(case["cauer_R"]), ROUNDING)
            assert close(ladder.capacities_j_per_k, tuple(case["cauer_C"]), ROUNDING)
            times = [point["t_s"] for point in case["zth_step"]]
            impedances = [point["Z"] for point in case["zth_step"]]
            assert network.impedance_k_per_w(times) == pytest.approx(impedances, rel=ROUNDING)
        else:
            foster = to_foster(CauerNetwork(tuple(case["cauer_R"]), tuple(case["cauer_C"])))
            assert close(foster.resistances_k_per_w, tuple(case["foster_R"]), MODES)


@pytest.mark.parametrize(
    ("network", "reason"),
    [
        (FosterNetwork((0.1, 0.2), (1.0, 1.0)), "are the same"),
        (FosterNetwork((0.1, -0.2), (1.0, 2.0)), "above 0"),
        (FosterNetwork((), ()), "above 0"),
    ],
)
def test_no_ladder_for_what_is_no_network(network: FosterNetwork, reason: str) -> None:
    with pytest.raises(AnalysisError, match=reason):
        to_cauer(network)


def test_slab() -> None:
    # Copper of 5 mm under 30 x 30 mm, 401 W/(m K) (Incropera, table A.1): t / (k A) by hand.
    assert slab_resistance_k_per_w(5e-3, 401.0, 9e-4) == pytest.approx(0.0138542532557, rel=1e-11)
    with pytest.raises(AnalysisError, match="above 0"):
        slab_resistance_k_per_w(5e-3, 0.0, 9e-4)


def test_chip_on_aluminium() -> None:
    """Incropera, Fundamentals of Heat and Mass Transfer, example 3.2 or 3.3 by edition: 75.3 °C.

    A chip of 1e4 W/m2 between air on its face and, through a joint of 0.9e-4 m2K/W and 8 mm of aluminium
    (239 W/(m K)), air on the other side; 25 °C and 100 W/(m2 K) on both. Per square metre.
    """
    air = 1.0 / 100.0
    down = 0.9e-4 + slab_resistance_k_per_w(8e-3, 239.0, 1.0) + air
    chip_c = 25.0 + 1e4 / (1.0 / air + 1.0 / down)
    assert chip_c == pytest.approx(75.3, abs=0.05)
