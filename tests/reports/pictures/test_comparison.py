"""Before and after as pictures: what is known is drawn with its interval, what is not says why."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from heatdrift.reports.baseline import Change
from heatdrift.reports.compare import Comparison, Temperatures
from heatdrift.reports.endurance import HELD_DOWN, Quantity
from heatdrift.reports.eras import Era
from heatdrift.reports.heat_path import Estimate, PathFit
from heatdrift.reports.pictures.comparison import comparison_pictures
from heatdrift.reports.power_scale import PowerScale
from heatdrift.reports.sides import Stretch
from heatdrift.store.journal_entry import EntryKind, JournalEntry

from .test_clocks import made_frame

DAY_MS = 86_400_000
BEFORE_MS = 1_767_225_600_000  # 1 January 2026
AFTER_MS = BEFORE_MS + 40 * DAY_MS
ENTRY = JournalEntry(AFTER_MS - DAY_MS, EntryKind.LIQUID_METAL, "gpu0")
UNKNOWN = Change(None, None, "not identifiable: nobody knows the air")
FIT = PathFit(
    interface=Estimate(0.1, 0.002, 500),
    airflow=Estimate(0.3, 0.01, 900),
    total=Estimate(0.4, 0.01, 900),
    no_interface="",
    no_airflow="",
    memory_utilization_pct=40.0,
    fan="",
    speed=float("nan"),
    time_constants_s=(0.4, 5.0),
    reference="probe in the room",
)
MADE = Comparison(
    source="gpu0",
    era=Era("gpu0", 1, ENTRY.at_utc_ms, AFTER_MS + 90 * DAY_MS, (ENTRY,), (), frozenset(), PowerScale()),
    entries=(ENTRY,),
    before=Stretch(BEFORE_MS, BEFORE_MS + 30 * DAY_MS, 8),
    after=Stretch(AFTER_MS, AFTER_MS + 30 * DAY_MS, 8),
    fit=FIT,
    interface=Change(-30.0, (-33.0, -27.0)),
    airflow=Change(0.5, (-1.0, 2.0)),
    total=Change(-7.0, (-9.0, -5.0)),
    temperatures=Temperatures(25.0, 150.0, 85.0, 80.8, -4.2, (-5.4, -3.0)),
    sustained={
        "clock after 5 min": Quantity("MHz", 2180.0, 2190.0, 0.46, (0.2, 0.7)),
        "clock after 20 min": Quantity("MHz", 2070.0, 2190.0, 5.8, (5.2, 6.4)),
        HELD_DOWN: Quantity("%", 40.0, 2.0, -38.0, (-45.0, -31.0)),
    },
)


def frames_of(before: pd.DataFrame, after: pd.DataFrame) -> Any:
    """A reader that knows two stretches."""
    return SimpleNamespace(source_frame=lambda _, from_ms, __: before if from_ms == BEFORE_MS else after)


READER = frames_of(made_frame(BEFORE_MS, loses_mhz=130.0), made_frame(AFTER_MS))


def test_both_parts_stand_side_by_side_with_their_change() -> None:
    parts = comparison_pictures(READER, MADE)[0]
    assert parts.key == "gpu0-compared-parts"
    done = "gpu0, liquid metal of 9 February 2026"
    assert parts.title == f"{done}: interface part down 30 %, airflow part not surely changed"
    assert parts.description.startswith(
        "Interface part: 0.100 before, 0.0700 K/W after, \u221230 % (\u221233 to"
    )
    svg = parts.svg()
    for words in ("interface part", "airflow part", "whole path", "change, %", "0.0700", "\u221230 %"):
        assert words in svg
    assert parts.window == (
        "before: 1 January to 30 January 2026, 8 days with load; "
        "after: 10 February to 11 March 2026, 8 days with load"
    )


def test_temperature_is_told_at_its_power_and_room() -> None:
    picture = comparison_pictures(READER, MADE)[1]
    assert picture.title.endswith(": 4.2 K cooler at 150 W in a room of 25 °C")
    assert (
        picture.description
        == "150 W, 25 °C room: 85.0 before, 80.8 °C after, \u22124 K (\u22125 to \u22123)."
    )
    unsure = Temperatures(25.0, 150.0, 85.0, 84.6, -0.4, (-1.4, 0.6))
    picture = comparison_pictures(READER, replace(MADE, temperatures=unsure))[1]
    assert "not surely another temperature" in picture.title


def test_a_long_run_tells_what_a_short_one_hides() -> None:
    picture = comparison_pictures(READER, MADE)[2]
    assert picture.title.endswith(": clock after 20 min up 6 %")
    # The clock falls from minute 2 on only: in minute 1 both sides are alike, by the very same scatter.
    assert "Clock in minute 1: 2,201 before, 2,201 MHz after, 0.0 % (" in picture.description
    assert "Time held down by heat: 40 before, 2 % after, \u221238 points" in picture.description
    svg = picture.svg()
    assert "(a short run)" in svg and "minute 20 on" in svg and "not known" not in svg


@pytest.mark.parametrize(
    ("quantity", "finding"),
    [
        (Quantity("MHz", 2000.0, 2001.0, 0.05, (-0.1, 0.2)), "the same within 0.5 %"),
        (Quantity("MHz", 2000.0, 2010.0, 0.5, (-1.0, 2.0)), "not surely changed"),
        (Quantity("MHz", 2000.0, 1900.0, -5.0, (-6.0, -4.0)), "down 5 %"),
    ],
)
def test_a_clock_is_called_changed_only_where_it_is(quantity: Quantity, finding: str) -> None:
    one = replace(MADE, sustained=MADE.sustained | {"clock after 20 min": quantity})
    assert comparison_pictures(READER, one)[2].title.endswith(f"clock after 20 min {finding}")


def test_what_is_not_known_says_why() -> None:
    short = Quantity("MHz", None, None, None, None, "3 stretches of 25 min before, 4 are needed")
    one = replace(
        MADE,
        fit=replace(FIT, airflow=None, total=None, no_airflow=UNKNOWN.reason),
        airflow=UNKNOWN,
        total=UNKNOWN,
        temperatures=None,
        no_temperatures=UNKNOWN.reason,
        sustained=MADE.sustained | {"clock after 20 min": short},
    )
    parts, temperature, clocks = comparison_pictures(READER, one)
    assert parts.title.endswith("interface part down 30 %, airflow part not known")
    assert parts.svg().count(">not known<") == 2 and UNKNOWN.reason in parts.description
    assert temperature.figure is None and temperature.missing == UNKNOWN.reason
    assert clocks.title.endswith("clock after 5 min not surely changed")
    assert ">not known<" in clocks.svg() and "Clock after 20 min: 3 stretches of 25 min" in clocks.description


def test_nothing_before_leaves_three_reasons() -> None:
    none = Change(None, None, "not comparable: no day with usable load before")
    one = replace(
        MADE,
        before=None,
        fit=None,
        interface=none,
        airflow=none,
        total=none,
        temperatures=None,
        no_temperatures=none.reason,
        sustained={},
    )
    for picture in comparison_pictures(READER, one):
        assert picture.figure is None and picture.missing == none.reason
