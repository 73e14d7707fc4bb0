"""Eras from journal entries."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatdrift.reports.eras import RESETS, Part, era_opened_by, eras, resets_of
from heatdrift.store.journal_entry import EntryKind, JournalEntry

MARCH_UTC_MS = 1_772_323_200_000  # 2026-03-01T00:00Z
DAY_MS = 86_400_000
END_UTC_MS = MARCH_UTC_MS + 100 * DAY_MS


def entry(day: float, kind: EntryKind, source: str = "gpu0", **numbers: float) -> JournalEntry:
    return JournalEntry(MARCH_UTC_MS + round(day * DAY_MS), kind, source, numbers=numbers)


def test_a_life_without_entries_is_one_era() -> None:
    (only,) = eras([], "gpu0", MARCH_UTC_MS, END_UTC_MS)
    assert (only.from_utc_ms, only.to_utc_ms, only.number) == (MARCH_UTC_MS, END_UTC_MS, 0)
    assert (only.name, only.is_joint, only.opened_by, only.resets) == (
        "from the start",
        False,
        (),
        frozenset(),
    )


def test_each_entry_that_resets_opens_an_era() -> None:
    compound, cleaning = entry(30, EntryKind.COMPOUND), entry(60, EntryKind.CLEANING, source="")
    found = eras([cleaning, compound], "gpu0", MARCH_UTC_MS, END_UTC_MS)
    assert [era.name for era in found] == ["from the start", "compound 2026-03-31", "cleaning 2026-04-30"]
    assert [era.resets for era in found[1:]] == [{Part.INTERFACE}, {Part.AIRFLOW}]
    assert [era.to_utc_ms for era in found] == [compound.at_utc_ms, cleaning.at_utc_ms, END_UTC_MS]
    assert era_opened_by(found, compound) == found[1]
    assert era_opened_by(found, entry(1, EntryKind.OTHER)) is None


def test_another_source_has_its_own_eras() -> None:
    entries = [entry(30, EntryKind.COMPOUND, "cpu0"), entry(60, EntryKind.CLEANING, "")]
    assert len(eras(entries, "cpu0", MARCH_UTC_MS, END_UTC_MS)) == 3
    assert len(eras(entries, "gpu0", MARCH_UTC_MS, END_UTC_MS)) == 2


def test_one_evening_is_one_joint_era_and_its_hours_belong_to_none() -> None:
    shunt = entry(30, EntryKind.SHUNT, shunt_from_mohm=5, shunt_to_mohm=4)
    compound = entry(30.1, EntryKind.COMPOUND)
    before, after = eras([shunt, compound], "gpu0", MARCH_UTC_MS, END_UTC_MS)
    assert (before.to_utc_ms, after.from_utc_ms) == (shunt.at_utc_ms, compound.at_utc_ms)
    assert after.is_joint
    assert after.resets == {Part.INTERFACE, Part.AIRFLOW, Part.POWER}
    assert after.name == "shunt + compound 2026-03-31"
    assert [before.scale.factor, after.scale.factor] == pytest.approx([1.0, 1.25])  # rounding


def test_a_driver_of_the_same_day_makes_an_effect_joint_but_opens_no_era() -> None:
    driver = entry(29.9, EntryKind.DRIVER)
    found = eras([driver, entry(30, EntryKind.COMPOUND)], "gpu0", MARCH_UTC_MS, END_UTC_MS)
    assert len(found) == 2
    assert found[1].beside == (driver,)
    assert found[1].is_joint
    alone = eras(
        [entry(20, EntryKind.DRIVER), entry(30, EntryKind.COMPOUND)], "gpu0", MARCH_UTC_MS, END_UTC_MS
    )
    assert not alone[1].is_joint


def test_a_calibration_of_the_same_day_is_no_second_change() -> None:
    entries = [entry(30, EntryKind.COMPOUND), entry(30.2, EntryKind.CALIBRATION, power_factor=1.1)]
    found = eras(entries, "gpu0", MARCH_UTC_MS, END_UTC_MS)
    assert not found[1].is_joint
    assert [era.scale.is_calibrated for era in found] == [True, True]


def test_a_driver_that_rescales_power_resets_what_power_means() -> None:
    assert resets_of(entry(0, EntryKind.DRIVER)) == frozenset()
    assert resets_of(entry(0, EntryKind.DRIVER, power_factor=1.1)) == {Part.POWER}
    assert resets_of(entry(0, EntryKind.CALIBRATION, power_factor=1.1)) == frozenset()


def test_the_cost_of_an_evening_is_the_sum_of_its_entries() -> None:
    def paid(day: float, kind: EntryKind, cost_milli: int | None, currency: str) -> JournalEntry:
        return replace(entry(day, kind), cost_milli=cost_milli, currency=currency)

    compound = paid(30, EntryKind.COMPOUND, 12_500, "EUR")
    limit = paid(30.2, EntryKind.POWER_LIMIT, None, "")
    for other, cost in (
        (paid(30.1, EntryKind.PADS, 7_500, "EUR"), (20.0, "EUR")),
        (paid(30.1, EntryKind.PADS, None, ""), (12.5, "EUR")),
        (paid(30.1, EntryKind.PADS, 7_500, "SEK"), None),
    ):
        found = eras([compound, other, limit], "gpu0", MARCH_UTC_MS, END_UTC_MS)
        assert found[1].cost == cost
        assert found[0].cost is None


def test_what_was_not_yet_done_is_not_known() -> None:
    later = [entry(100, EntryKind.COMPOUND), entry(120, EntryKind.SHUNT, power_factor=2.0)]
    (only,) = eras(later, "gpu0", MARCH_UTC_MS, END_UTC_MS)
    assert only.scale.factor == 1.0


def test_entries_before_the_record_shape_its_first_era() -> None:
    old = entry(-500, EntryKind.SHUNT, power_factor=2.0)
    (only,) = eras([old], "gpu0", MARCH_UTC_MS, END_UTC_MS)
    assert (only.from_utc_ms, only.number, only.scale.factor) == (MARCH_UTC_MS, 1, 2.0)


def test_every_kind_says_what_it_resets() -> None:
    assert set(RESETS) == set(EntryKind)


KINDS = [kind for kind in EntryKind if kind not in (EntryKind.SHUNT, EntryKind.CALIBRATION)]
ENTRIES = st.lists(
    st.builds(entry, st.floats(-50, 150), st.sampled_from(KINDS), st.sampled_from(["gpu0", "cpu0", ""])),
    max_size=12,
)


@given(ENTRIES)
def test_eras_never_overlap_and_never_lie_outside_the_record(entries: list[JournalEntry]) -> None:
    found = eras(entries, "gpu0", MARCH_UTC_MS, END_UTC_MS)
    edges = [edge for era in found for edge in (era.from_utc_ms, era.to_utc_ms)]
    assert edges == sorted(edges)
    assert all(era.from_utc_ms < era.to_utc_ms for era in found)
    assert edges[0] >= MARCH_UTC_MS
    assert edges[-1] == END_UTC_MS
