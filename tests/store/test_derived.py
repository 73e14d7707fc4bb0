"""Derived rows: replaced by the day, and known to be out of date."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.store.database import Database
from heatdrift.store.derived import CELL_FIELDS, STEP_FIELDS, DayMark, DerivedDay, DerivedStore, EraFit
from heatdrift.store.records import Batch, SourceSample
from heatdrift.store.schema import STEP_COLUMNS
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

DAY_MS = 86_400_000
START_MS = 20_500 * DAY_MS  # 2026-02-16
DAYS = ["2026-02-16", "2026-02-17", "2026-02-18"]


@pytest.fixture
def writer(database: Database) -> Writer:
    made = Writer(database, "uuid", "machine")
    made.register_source("gpu0", "gpu", START_MS)
    return made


@pytest.fixture
def derived(database: Database, writer: Writer) -> DerivedStore:
    return DerivedStore(database, writer.machine_id)


def row(at_ms: int) -> SourceSample:
    return SourceSample(at_ms, "gpu0", (40_000,) + (None,) * (len(SOURCE_QUANTITIES) - 1), None, 0, 1, 0)


def derived_day(number: int, n_windows: int = 2) -> DerivedDay:
    begin = pd.Timestamp(DAYS[number], tz="UTC")
    index = pd.DatetimeIndex(
        [begin + pd.Timedelta(minutes=1 + 2 * k) for k in range(n_windows)], name="time_utc"
    ).as_unit("ms")
    windows = pd.DataFrame({"power_w": 50.0 + number, f"speed.fan{number}": np.nan}, index=index)
    steps = pd.DataFrame(
        [[START_MS + number * DAY_MS, *[0.5] * len(STEP_COLUMNS), 40, ""]], columns=STEP_FIELDS
    )
    steps["fan_speed"] = np.nan
    cells = pd.DataFrame(
        [[DAYS[number], START_MS, "interface", "rise", 0.1, 0.01, 4, np.nan]], columns=CELL_FIELDS
    )
    return DerivedDay(DAYS[number], DayMark("recipe", 5), windows, steps, cells)


def test_days_come_back_as_they_were(derived: DerivedStore) -> None:
    derived.replace_days("gpu0", [derived_day(number) for number in range(3)])
    windows = derived.windows("gpu0")
    assert list(windows["power_w"]) == [50.0, 50.0, 51.0, 51.0, 52.0, 52.0]
    assert set(windows.columns) == {"power_w", "speed.fan0", "speed.fan1", "speed.fan2"}
    assert windows.index[2] == pd.Timestamp("2026-02-17T00:01:00Z")
    assert len(derived.windows("gpu0", START_MS + DAY_MS, START_MS + DAY_MS + 120_000)) == 1
    steps = derived.load_steps("gpu0", START_MS + DAY_MS)
    assert list(steps["at_utc_ms"]) == [START_MS + DAY_MS, START_MS + 2 * DAY_MS]
    assert steps["interface_resistance_k_per_w"].eq(0.5).all()
    assert steps["fan_speed"].isna().all()  # missing stays missing
    assert list(derived.cells("gpu0", DAYS[1])["day"]) == DAYS[1:]
    assert derived.marks("gpu0") == {day: DayMark("recipe", 5) for day in DAYS}
    assert not len(derived.windows("cpu0"))


def test_a_day_that_is_made_again_takes_the_place_of_the_old_one(derived: DerivedStore) -> None:
    derived.replace_days("gpu0", [derived_day(number) for number in range(3)])
    again = derived_day(1, n_windows=0)
    empty = DerivedDay(
        again.day, DayMark("new", 6), again.windows, again.steps.iloc[:0], again.cells.iloc[:0]
    )
    derived.replace_days("gpu0", [empty])
    assert list(derived.windows("gpu0")["power_w"]) == [50.0, 50.0, 52.0, 52.0]
    assert len(derived.load_steps("gpu0")) == 2
    assert list(derived.cells("gpu0")["day"]) == [DAYS[0], DAYS[2]]
    assert derived.marks("gpu0")[DAYS[1]] == DayMark("new", 6)


def test_era_fits_are_replaced_together(derived: DerivedStore) -> None:
    derived.replace_era_fits("gpu0", {0: EraFit("a", True, "{}"), 5: EraFit("b", False, "[]")})
    derived.replace_era_fits("gpu0", {5: EraFit("c", True, "1")})
    assert derived.era_fits("gpu0") == {5: EraFit("c", True, "1")}


def test_everything_is_forgotten(derived: DerivedStore) -> None:
    derived.replace_days("gpu0", [derived_day(0)])
    derived.replace_era_fits("gpu0", {0: EraFit("a", True, "{}")})
    derived.forget()
    assert not derived.marks("gpu0") and not derived.era_fits("gpu0")
    assert not len(derived.load_steps("gpu0")) and not len(derived.cells("gpu0"))


def test_rows_are_counted_whether_hot_sealed_or_merged(
    derived: DerivedStore, database: Database, writer: Writer
) -> None:
    moments = [START_MS + day * DAY_MS + k * 60_000 for day in (0, 2, 3) for k in range(10 + day)]
    writer.write(Batch(tuple(row(at_ms) for at_ms in moments)))
    expected = {"2026-02-16": 10, "2026-02-18": 12, "2026-02-19": 13}
    assert derived.row_days("gpu0", {}) == expected
    assert seal_finished_days(database, START_MS + 30 * DAY_MS).n_tables == 3
    assert derived.row_days("gpu0", {}) == expected
    merge_sealed_weeks(database, START_MS + 60 * DAY_MS)
    counted = derived.row_days("gpu0", {})
    assert {day: n for day, n in counted.items() if n} == expected
    assert counted["2026-02-17"] == 0  # nothing is left of it between the sealed ones
    known = {day: DayMark("", n) for day, n in counted.items()}
    assert derived.row_days("gpu0", known) == counted
    # Rows that came in later are seen, although the table's days are all known.
    known["2026-02-18"] = DayMark("", 11)
    assert derived.row_days("gpu0", known) == counted
    assert derived.row_days("cpu0", {}) == {}
