"""Advice for every kind of entry, and the arithmetic of a nickel layer."""

from __future__ import annotations

import pytest

from heatdrift.reports.entry_advice import (
    ADVICE,
    FIRST_OF_ALL,
    layer_mm2_k_per_w,
    layer_um,
    plating_thickness_um,
)
from heatdrift.store.journal_entry import EntryKind, JournalEntry


def plating(**numbers: float) -> JournalEntry:
    return JournalEntry(1_772_323_200_000, EntryKind.PLATING, "gpu0", numbers=numbers)


def test_forty_minutes_in_the_bath_are_fifteen_micrometres() -> None:
    """Common practice, no source; 22 um/h x 2/3 h = 14.67 um, which the trade calls 15."""
    assert plating_thickness_um(40) == pytest.approx(15, abs=0.5)
    assert layer_um(plating(plating_min=40)) == pytest.approx(15, abs=0.5)
    assert layer_um(plating(plating_min=60, plating_um_per_h=10)) == pytest.approx(10)  # rounding


def test_a_measured_layer_goes_before_its_time_in_the_bath() -> None:
    assert layer_um(plating(plating_min=40, plating_um=12.0)) == 12.0
    assert layer_um(plating()) is None


def test_a_layer_resists_by_thickness_over_conductivity() -> None:
    """10 um of nickel with phosphorus: 1.5-2.4 mm2 K/W by a plating maker's table of conductivities."""
    assert layer_mm2_k_per_w(10) == pytest.approx((1.5, 2.4), abs=0.05)  # as printed


@pytest.mark.parametrize("kind", EntryKind)
def test_every_kind_of_work_has_its_risks(kind: EntryKind) -> None:
    assert ADVICE[kind].risks
    assert ADVICE[kind].afterwards


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (EntryKind.LIQUID_METAL, ("conducts", "aluminium", "copper")),
        (EntryKind.SHUNT, ("no sensor sees", "fire", "supply")),
        (EntryKind.PADS, ("no sensor",)),
    ],
)
def test_the_great_dangers_are_named(kind: EntryKind, words: tuple[str, ...]) -> None:
    told = " ".join(ADVICE[kind].risks)
    assert all(word in told for word in words)


def test_power_comes_off_first() -> None:
    assert all(word in FIRST_OF_ALL for word in ("Power off", "unplug", "battery", "technician"))
