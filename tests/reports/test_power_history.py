"""Which power scale held when."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.power_history import correct_power, power_scales, scale_at
from heatdrift.reports.power_scale import NORMAL_95
from heatdrift.store.errors import SettingsError
from heatdrift.store.journal_entry import EntryKind, JournalEntry

MARCH_UTC_MS = 1_772_323_200_000  # 2026-03-01T00:00Z
DAY_MS = 86_400_000


def entry(day: float, kind: EntryKind, source: str = "gpu0", **numbers: float) -> JournalEntry:
    return JournalEntry(MARCH_UTC_MS + round(day * DAY_MS), kind, source, numbers=numbers)


def shunt(day: float, from_mohm: float, to_mohm: float, source: str = "gpu0") -> JournalEntry:
    return entry(day, EntryKind.SHUNT, source, shunt_from_mohm=from_mohm, shunt_to_mohm=to_mohm)


def calibration(day: float, factor: float, ci95_pct: float = 3.0) -> JournalEntry:
    return entry(day, EntryKind.CALIBRATION, power_factor=factor, power_factor_ci95_pct=ci95_pct)


def partial(day: float) -> JournalEntry:
    """Halved resistors on rails that carry 60 % of the power."""
    return entry(day, EntryKind.SHUNT, shunt_from_mohm=5, shunt_added_mohm=5, shunt_share_pct=60)


def factors(*entries: JournalEntry) -> list[float]:
    return [dated.scale.factor for dated in power_scales(entries, "gpu0")]


def test_an_empty_journal_leaves_power_as_reported() -> None:
    (only,) = power_scales([], "gpu0")
    assert (only.from_utc_ms, only.scale.factor, only.scale.basis) == (0, 1.0, "as reported")


def test_changes_stand_on_each_other_whatever_their_order_in_the_journal() -> None:
    assert factors(shunt(20, 4, 2), shunt(0, 5, 4)) == pytest.approx([1.0, 1.25, 2.5])  # rounding


def test_a_share_of_the_rails_multiplies_with_a_change_of_all() -> None:
    """Of 100 W, all behind 4 for 5 mOhm, 60 % behind halved resistors on top: 80 W, of which 48 W halve."""
    whole = entry(1, EntryKind.SHUNT, power_factor=1.25)
    assert factors(partial(0), whole)[-1] == pytest.approx(100 / (80 - 24))  # rounding


def test_a_change_undone_gives_the_old_power_again() -> None:
    assert factors(shunt(0, 5, 4), shunt(9, 4, 5)) == pytest.approx([1.0, 1.25, 1.0])  # rounding


def test_another_source_is_left_alone() -> None:
    entries = [shunt(0, 5, 4, "gpu1")]
    assert factors(*entries) == [1.0]
    assert len(power_scales(entries, "gpu1")) == 2


def test_a_calibration_holds_for_its_whole_stretch_and_carries_what_follows() -> None:
    found = power_scales([shunt(0, 5, 4), calibration(8, 1.3), shunt(20, 4, 2)], "gpu0")
    assert [dated.scale.factor for dated in found] == pytest.approx([1.0, 1.3, 2.6])  # rounding
    assert [dated.scale.basis for dated in found] == ["as reported", "calibrated", "nominal"]
    assert found[1].from_utc_ms == MARCH_UTC_MS


def test_calibrations_that_agree_are_averaged_by_their_weight() -> None:
    found = power_scales([calibration(0, 1.00, 2.0), calibration(1, 1.02, 4.0)], "gpu0")
    # Weights of slopes 1 and 1/1.02 with errors 2 % and 4 % of them: the first counts about four times.
    assert found[0].scale.factor == pytest.approx(1.004, abs=0.0005)
    assert NORMAL_95 * found[0].scale.factor_standard_error == pytest.approx(0.02, rel=0.01)


def test_the_scale_of_a_moment() -> None:
    scales = power_scales([shunt(0, 5, 4)], "gpu0")
    assert scale_at(scales, MARCH_UTC_MS - 1).factor == 1.0
    assert scale_at(scales, MARCH_UTC_MS).factor == pytest.approx(1.25)  # rounding
    assert scale_at(scales, -5).factor == 1.0


def test_a_record_is_corrected_row_by_row() -> None:
    moments = pd.to_datetime([MARCH_UTC_MS - 1, MARCH_UTC_MS, MARCH_UTC_MS + DAY_MS], unit="ms", utc=True)
    reported_w = pd.Series([112.0, 112.0, np.nan], index=moments, name="power_w")
    true_w = correct_power(reported_w, power_scales([shunt(0, 5, 4)], "gpu0"))
    assert true_w.to_list() == pytest.approx([112.0, 140.0, np.nan], nan_ok=True)  # rounding
    assert reported_w.to_list()[1] == 112.0
    line = entry(0, EntryKind.CALIBRATION, reported_slope=0.8, reported_offset_w=6.0)
    assert correct_power(reported_w, power_scales([line], "gpu0")).iloc[0] == pytest.approx(132.5)  # by hand


def test_an_empty_record_stays_empty() -> None:
    nothing: pd.Series[float] = pd.Series(np.array([], np.float64), index=pd.DatetimeIndex([], tz="UTC"))
    assert correct_power(nothing, power_scales([], "gpu0")).empty


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        ([shunt(0, 5, 4), shunt(0, 5, 3)], "at the same moment"),
        ([shunt(0, 5, 4), shunt(3, 5, 3)], "starts from 5 mOhm, but 4 mOhm were there"),
        ([calibration(0, 1.0), calibration(1, 1.3)], "disagree: 1 and 1.3"),
        ([partial(0), partial(1)], "both change a share of the rails"),
    ],
)
def test_entries_that_contradict_each_other_are_refused(entries: list[JournalEntry], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        power_scales(entries, "gpu0")


def test_a_change_between_two_calibrations_lets_them_differ() -> None:
    assert factors(calibration(0, 1.0), shunt(1, 5, 4), calibration(2, 1.3)) == pytest.approx([1.0, 1.3])
