"""The page of one piece of work: both sides, intervals, short and long runs, cost; no judgement of worth."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from heatdrift.reports.pages.compare_page import compare_page, headline
from heatdrift.reports.pictures.picture import Picture

Document = dict[str, Any]
MakeEntry = Callable[..., Document]


def test_page_says_what_it_brought(
    make_entry: MakeEntry,
    make_picture: Callable[[str], Picture],
    faults: Callable[..., list[str]],
    read_page: Callable[[str], Any],
) -> None:
    html = compare_page(
        {"comparisons": [make_entry()]},
        {"gpu0": [make_picture("gpu0-before-after")], "": [make_picture("both")]},
        machine_name="workshop <b>",
        notes={3: "thin, \u202e<b>"},
    )
    assert faults(html) == []
    text = read_page(html).text.replace("\N{NO-BREAK SPACE}", " ")
    for said in (
        "Liquid metal on 3 March 2026: before and after",
        "workshop <b>",
        "gpu0: 8.0 K cooler (6.5 to 9.5) at 115 W in a 25 °C room: 84.0 °C before, 76.0 °C after",
        "interface part down 33 % (30 to 36) and airflow part not known",
        "Paid: 48.00 EUR in all. 6.00 EUR for each kelvin (5.05 to 7.38).",
        "the gain may be none",
        "after 20 minutes of load",
        "1 February to 2 March 2026, 28 days with load",
        "Whether it was worth it is for you to say",
        "thin, <b>",
        "disconnect the battery",
    ):
        assert said in text, said


def test_a_difference_that_chance_would_bring_is_none(make_entry: MakeEntry) -> None:
    one = make_entry()
    one["temperature"] |= {"change_k": 0.4, "after_c": 84.4, "ci95_k": [-0.6, 1.4]}
    one["interface_resistance"] |= {"change_pct": 1.0, "ci95_pct": [-1.0, 3.0]}
    said = headline(one)
    assert "no difference that could be told from chance" in said
    assert "cooler" not in said
    assert "interface part unchanged (\N{MINUS SIGN}1 to +3 %)" in said


def test_worse_is_called_worse(make_entry: MakeEntry) -> None:
    one = make_entry()
    one["temperature"] |= {"change_k": 3.0, "after_c": 87.0, "ci95_k": [2.0, 4.0]}
    assert "3.0 K warmer (2.0 to 4.0)" in headline(one)


@pytest.mark.parametrize("kind", ["compound", "heatsink_work", "cleaning"])
def test_what_cannot_be_compared_says_why(
    make_entry: MakeEntry,
    faults: Callable[..., list[str]],
    read_page: Callable[[str], Any],
    kind: str,
) -> None:
    one = make_entry(kind)
    why = "not comparable: no day with usable load before"
    nothing = {
        "before_k_per_w": None,
        "after_k_per_w": None,
        "change_pct": None,
        "ci95_pct": None,
        "reason": why,
    }
    parts = ("interface_resistance", "airflow_resistance", "total_resistance")
    one |= dict.fromkeys(parts, nothing) | {
        "before": None,
        "temperature": None,
        "temperature_reason": why,
    }
    one |= {"sustained": {}, "cost": []}
    html = compare_page(one, {})
    assert faults(html) == []
    text = read_page(html).text
    assert kind.replace("_", " ") in text.lower()
    assert "before: no day with usable load" in text
    assert "Not known: interface part, airflow part, whole path and temperature" in text
