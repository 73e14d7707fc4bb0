"""What journal entries say about power, against the arithmetic of resistors and simulated meters."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from heatdrift.reports.power_scale import (
    NORMAL_95,
    PowerScale,
    parallel_mohm,
    power_scale,
    resistance_after_mohm,
    shunt_factor,
)
from heatdrift.store.errors import SettingsError
from heatdrift.store.journal_entry import EntryKind, JournalEntry

EXACT = pytest.approx  # relative 1e-6: nothing here loses more than rounding


def shunt(**numbers: float) -> JournalEntry:
    return JournalEntry(1_772_323_200_000, EntryKind.SHUNT, "gpu0", numbers=numbers)


def calibration(**numbers: float) -> JournalEntry:
    return replace(shunt(**numbers), kind=EntryKind.CALIBRATION)


def scale_of(entry: JournalEntry) -> PowerScale:
    found = power_scale(entry)
    assert found is not None
    return found


WALL = {
    "wall_idle_w": 80.0,
    "wall_load_w": 280.0,
    "reported_idle_w": 20.0,
    "reported_load_w": 164.0,
    "supply_efficiency_pct": 90.0,
}


def test_five_milliohm_for_four_is_a_quarter_more() -> None:
    """112 W reported are 140 W (common practice, no source)."""
    assert shunt_factor(5, 4) == EXACT(1.25)
    found = scale_of(shunt(shunt_from_mohm=5, shunt_to_mohm=4))
    assert found.factor == EXACT(1.25)
    assert found.true_w(112.0) == EXACT(140.0)
    assert found.basis == "nominal"


@pytest.mark.parametrize(("added_mohm", "factor"), [(5, 2.0), (10, 1.5)])
def test_stacking_is_parallel(added_mohm: float, factor: float) -> None:
    """5 on 5 is 2.5 mOhm and doubles the power, 10 on 5 is 3.333 and adds a half (arithmetic)."""
    entry = shunt(shunt_from_mohm=5, shunt_added_mohm=added_mohm)
    assert scale_of(entry).factor == EXACT(factor)
    assert resistance_after_mohm(entry) == EXACT(5 / factor)
    assert parallel_mohm(5, added_mohm) == EXACT(5 / factor)


def test_only_some_rails_changed() -> None:
    """Of 100 W, 60 W behind halved resistors are shown as 30 W and 40 W as they are: 70 W."""
    found = scale_of(shunt(shunt_from_mohm=5, shunt_added_mohm=5, shunt_share_pct=60))
    assert found.true_w(70.0) == EXACT(100.0)


def test_a_line_is_undone() -> None:
    found = scale_of(shunt(reported_slope=0.8, reported_offset_w=6.0))
    assert found.true_w(0.8 * 150.0 + 6.0) == EXACT(150.0)
    both = found.true_w(np.array([6.0, np.nan, 126.0]))
    assert both == pytest.approx([0.0, np.nan, 150.0], nan_ok=True, abs=1e-9)  # rounding


def test_a_wall_meter_counts_only_the_swing() -> None:
    """200 W more at the wall are 180 W behind a supply of 90 %; the card says 144 W."""
    found = scale_of(calibration(**WALL))
    assert found.factor == EXACT(180 / 144)
    assert found.is_calibrated


def test_a_wall_meter_s_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Meter, efficiency and what else draws more, each anywhere within its bound; the last can only add."""
    rng = np.random.default_rng(5)
    n = 2000
    true_w = 180.0
    efficiency_pct = rng.uniform(87, 93, n)
    wall_w = (
        (true_w * (1 + rng.uniform(0, 0.05, n))) / (efficiency_pct / 100) * (1 + rng.uniform(-0.02, 0.02, n))
    )
    held = [
        abs(true_w / 144 - found.factor) <= NORMAL_95 * found.factor_standard_error
        for found in (scale_of(calibration(**WALL | {"wall_load_w": 80.0 + swing_w})) for swing_w in wall_w)
    ]
    assert np.mean(held) >= 0.93  # 95 % asked, four standard errors of 2000 draws are 2 %


def test_a_stated_uncertainty_is_taken_at_its_word() -> None:
    found = scale_of(shunt(power_factor=1.25, power_factor_ci95_pct=4))
    assert NORMAL_95 * found.factor_standard_error == EXACT(0.05)
    assert found.basis == "declared"
    assert found.standard_error_w(100.0) * NORMAL_95 == EXACT(5.0)
    assert found.standard_error_w(np.array([100.0])) * NORMAL_95 == EXACT([5.0])


def test_a_measured_factor_goes_before_resistors() -> None:
    found = scale_of(shunt(power_factor=1.32, shunt_from_mohm=5, shunt_to_mohm=4))
    assert found.factor == EXACT(1.32)


def test_nominal_resistors_hold_the_truth_within_their_bound() -> None:
    """Errors anywhere within 10 %: a 95 % interval must hold them nearly always, and not be idle."""
    rng = np.random.default_rng(3)
    found = scale_of(shunt(shunt_from_mohm=5, shunt_to_mohm=4))
    truth = 1.25 * (1 + rng.uniform(-0.10, 0.10, 4000))
    held = np.mean(np.abs(truth - found.factor) <= NORMAL_95 * found.factor_standard_error)
    assert held >= 0.95
    assert NORMAL_95 * found.factor_standard_error / found.factor < 0.12  # 0.113: no wider than it must be


def test_two_scales_follow_each_other() -> None:
    """5 to 4 to 2 mOhm is 5 to 2; a line through a line, by hand; errors as in simulation."""
    first, second = (scale_of(shunt(shunt_from_mohm=a, shunt_to_mohm=b)) for a, b in ((5.0, 4.0), (4.0, 2.0)))
    assert second.after(first).factor == EXACT(2.5)
    line = PowerScale(0.8, 0.02, 6.0, 0.5, "declared").after(PowerScale(0.9, 0.03, 2.0, 0.2, "declared"))
    true_w = 150.0
    assert line.slope * true_w + line.offset_w == EXACT(0.8 * (0.9 * true_w + 2.0) + 6.0)
    rng = np.random.default_rng(4)
    a1, b1 = rng.normal(0.9, 0.03, 200_000), rng.normal(2.0, 0.2, 200_000)
    a2, b2 = rng.normal(0.8, 0.02, 200_000), rng.normal(6.0, 0.5, 200_000)
    # Six times 1/sqrt(2n) = 0.16 %, the error of a simulated spread; the second order adds less.
    assert line.slope_standard_error == pytest.approx(float(np.std(a2 * a1)), rel=0.01)
    assert line.offset_standard_error_w == pytest.approx(float(np.std(a2 * b1 + b2)), rel=0.01)


@pytest.mark.parametrize("kind", [EntryKind.COMPOUND, EntryKind.DRIVER, EntryKind.POWER_LIMIT])
def test_most_entries_say_nothing_about_power(kind: EntryKind) -> None:
    assert power_scale(JournalEntry(1_772_323_200_000, kind)) is None


def test_a_driver_may_rescale_what_it_reports() -> None:
    entry = replace(shunt(power_factor=1.1), kind=EntryKind.DRIVER)
    assert scale_of(entry).factor == EXACT(1.1)


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (shunt(), "does not say by how much"),
        (shunt(shunt_from_mohm=5), "needs two resistances"),
        (shunt(shunt_to_mohm=4), "needs two resistances"),
        (shunt(shunt_from_mohm=5, shunt_to_mohm=4, shunt_added_mohm=5), "needs two resistances"),
        (shunt(power_factor=2.0, shunt_from_mohm=5, shunt_to_mohm=4), "says 2 times, its resistors 1.25"),
        (shunt(reported_offset_w=5.0), "an offset and no slope"),
        (shunt(reported_slope=0.8, power_factor=1.25), "says twice"),
        (shunt(reported_slope=0.8, shunt_from_mohm=5), "says twice"),
        (calibration(), "lacks wall_idle_w"),
        (calibration(**WALL | {"reported_load_w": 25.0}), "only 5 W between idle and load"),
        (calibration(**WALL | {"wall_load_w": 70.0}), "only -10 W"),
    ],
)
def test_too_little_and_too_much_are_refused(entry: JournalEntry, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        power_scale(entry)


@pytest.mark.parametrize("wrong", [0.0, -4.0, math.nan, math.inf])
def test_a_resistor_without_resistance_is_refused(wrong: float) -> None:
    for pair in ((5.0, wrong), (wrong, 4.0)):
        with pytest.raises(SettingsError, match="above 0"):
            shunt_factor(*pair)
