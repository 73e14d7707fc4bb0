"""Day values for a spreadsheet: in per cent of the baseline, idle in kelvin, and no formulas."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.cause import Cause
from heatdrift.reports.pages.day_table import COLUMNS, day_table, no_formula
from heatdrift.reports.verdict import Verdict

from ..made_verdicts import verdict


def with_days(source: str) -> Verdict:
    days = pd.date_range("2026-03-01", periods=3, tz="UTC", name="day")
    rows = pd.DataFrame(
        {"log_ratio": [0.0, math.log(1.1), math.log(0.5)], "standard_error": 0.01, "n": [4, 5, 6]}, index=days
    )
    series: Any = SimpleNamespace(rows=rows, n_baseline=1)
    one = verdict(source, Cause.INTERFACE, "interface", onset="2026-03-02", pct=10.0)
    return replace(
        one, interface=replace(one.interface, series=series), idle=replace(one.idle, series=series)
    )


def test_days_are_told_in_their_units() -> None:
    table = day_table([with_days("gpu0")])
    assert tuple(table.columns) == COLUMNS
    of_interface = table[table["part"] == "interface"]
    assert list(of_interface["day"]) == ["2026-03-01", "2026-03-02", "2026-03-03"]
    np.testing.assert_allclose(of_interface["value"], [100.0, 110.0, 50.0])
    np.testing.assert_allclose(of_interface["standard_error"], [1.0, 1.1, 0.5])  # 1 % of each
    assert set(of_interface["unit"]) == {"% of baseline"}
    assert list(of_interface["n"]) == [4, 5, 6]
    of_idle = table[table["part"] == "idle"]
    assert set(of_idle["unit"]) == {"K above baseline"}
    # A hundredth of a logarithm of the idle temperature stands for half a kelvin.
    np.testing.assert_allclose(of_idle["value"], [0.0, 50.0 * math.log(1.1), 50.0 * math.log(0.5)])
    np.testing.assert_allclose(of_idle["standard_error"], 0.5)


def test_nothing_known_is_an_empty_table() -> None:
    table = day_table([verdict("gpu0", Cause.NONE, "interface", onset="2026-03-02", pct=0.0)])
    assert tuple(table.columns) == COLUMNS
    assert len(table) == 0
    assert table.to_csv(index=False) == ",".join(COLUMNS) + "\n"


@pytest.mark.parametrize("name", ["=1+1", "+x", "-x", "@x", "\t=1", "  =1"])
def test_no_text_becomes_a_formula(name: str) -> None:
    assert no_formula(name) == f"'{name}"
    assert set(day_table([with_days(name)])["source"]) == {f"'{name}"}


def test_other_text_stays_as_it_is() -> None:
    assert no_formula("gpu0") == "gpu0"
    assert no_formula("a=b") == "a=b"
