"""Which sources sit on one sink, told by what their heat does to each other."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from heatdrift.reports import sink_sharing
from heatdrift.reports.sink_sharing import (
    LEAST_COUPLING,
    LEAST_FAST_COUPLING,
    fast_coupling,
    settled_coupling,
    sharing,
)
from heatdrift.store.errors import AnalysisError

from .simulated_sink import machine


@pytest.mark.parametrize("fan_cools", [False, True])
@pytest.mark.parametrize("is_shared", [False, True])
def test_the_first_minutes_tell_a_common_sink(is_shared: bool, fan_cools: bool) -> None:
    made = machine(is_shared=is_shared, fan_cools=fan_cools)
    found, backwards = fast_coupling(made.cpu, made.gpu), fast_coupling(made.gpu, made.cpu)
    assert found is not None and backwards is not None
    assert abs(found - backwards) < 1e-9  # reciprocal, but for rounding
    if is_shared:
        assert found > 2.0 * LEAST_FAST_COUPLING
    else:
        assert found < 0.5 * LEAST_FAST_COUPLING
    assert sharing(made.frames, "cpu0", {}) == (("gpu0",) if is_shared else ())


def test_where_nobody_knows_every_other_source_may_share_it() -> None:
    made = machine(is_shared=False, hours=0.5)
    assert fast_coupling(made.cpu, made.gpu) is None
    assert sharing(made.frames, "gpu0", {}) == ("cpu0",)


def fit(own: float, crossed: float, other: str, fan: str = "fan1") -> Any:
    return SimpleNamespace(resistance_k_per_w=own, cross_k_per_w={other: (crossed, 0.01)}, fan=fan)


def fits(mine: Any, theirs: Any) -> Any:
    return {"cpu0": mine, "gpu0": theirs}


@pytest.fixture
def any_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sink_sharing, "TotalResistance", SimpleNamespace)


@pytest.mark.usefixtures("any_fit")
@pytest.mark.parametrize(
    ("crossed", "shares"),
    [(0.25, True), (0.18, True), (0.05, False), (0.0, False), (-0.1, False)],
)
def test_at_rest_a_watt_of_the_other_tells(crossed: float, shares: bool) -> None:
    known = fits(fit(0.7, crossed, "gpu0"), fit(0.5, crossed, "cpu0"))
    coupling = settled_coupling(known, "cpu0", "gpu0")
    assert coupling is not None
    assert coupling == pytest.approx(max(crossed, 0.0) / (0.7 * 0.5) ** 0.5)
    assert (coupling >= LEAST_COUPLING) is shares
    # What is seen at rest with both fans read goes before what the first minutes say.
    other = machine(is_shared=not shares)
    assert bool(sharing(other.frames, "cpu0", known)) is shares


@pytest.mark.usefixtures("any_fit")
def test_a_fan_that_nobody_reads_hides_it_at_rest() -> None:
    known = fits(fit(0.7, 0.0, "gpu0", fan=""), fit(0.5, 0.0, "cpu0"))
    assert settled_coupling(known, "cpu0", "gpu0") is None
    assert sharing(machine(is_shared=True).frames, "cpu0", known) == ("gpu0",)


@pytest.mark.usefixtures("any_fit")
def test_no_passive_network_couples_by_more_than_one() -> None:
    known = fits(fit(0.004, 0.09, "gpu0"), fit(0.17, 0.09, "cpu0"))
    assert settled_coupling(known, "cpu0", "gpu0") is None


def test_what_was_not_fitted_is_not_known() -> None:
    assert settled_coupling({"cpu0": AnalysisError("too little")}, "cpu0", "gpu0") is None
