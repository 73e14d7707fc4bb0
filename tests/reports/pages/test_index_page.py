"""The index over all reports: newest first, no way out of its folder."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from heatdrift.reports.pages.first_lines import NOT_JUDGED, FirstLines
from heatdrift.reports.pages.index_page import MonthEntry, index_page, one_line_finding, worst_state
from heatdrift.store.errors import SettingsError

MakeLines = Callable[..., FirstLines]


def month(number: int, state: str = "holding", name: str = "workshop") -> MonthEntry:
    return MonthEntry(
        f"2026-{number:02d} a.html",
        name,
        f"2026-{number:02d}-01T00:00:00Z",
        f"2026-{number + 1:02d}-01T00:00:00Z",
        state,
        f"finding {number} <b>",
    )


def test_newest_stands_first_and_leads_to_its_page(faults: Callable[..., list[str]]) -> None:
    html = index_page([month(2), month(4, "act"), month(3, NOT_JUDGED, "<i>\0")])
    files = frozenset(f"2026-{number:02d}%20a.html" for number in (2, 3, 4))
    assert faults(html, links_to=files) == []
    assert html.index("finding 4") < html.index("finding 3") < html.index("finding 2")
    assert "1\N{NO-BREAK SPACE}April to 30\N{NO-BREAK SPACE}April 2026" in html
    assert "finding 4 &lt;b&gt;" in html


def test_an_empty_folder_says_so(faults: Callable[..., list[str]]) -> None:
    html = index_page([])
    assert faults(html) == []
    assert "No report has been made yet" in html


@pytest.mark.parametrize("name", ["", "..", "../x.html", "a\\b.html", "https://x.example/"])
def test_no_link_leads_out_of_the_folder(name: str) -> None:
    with pytest.raises(SettingsError, match="folder of reports"):
        index_page([MonthEntry(name, "m", "2026-01-01T00:00:00Z", "2026-02-01T00:00:00Z", "act", "")])


def test_a_colon_makes_no_address(faults: Callable[..., list[str]]) -> None:
    html = index_page(
        [MonthEntry("javascript:x", "m", "2026-01-01T00:00:00Z", "2026-02-01T00:00:00Z", "act", "")]
    )
    assert 'href="javascript%3Ax"' in html


def test_finding_of_a_month_is_of_the_worst_source(make_lines: MakeLines) -> None:
    lines = [make_lines("cpu0", "holding"), make_lines("gpu0", "act"), make_lines("gpu1", "watch")]
    assert worst_state(lines) == "act"
    said = one_line_finding(lines)
    assert "gpu0: interface part" in said
    assert "gpu1: interface part" in said
    assert "cpu0" not in said
    assert one_line_finding(lines[:1]) == "Nothing has changed: cpu0."
    assert worst_state([]) == NOT_JUDGED
    assert one_line_finding([make_lines("gpu0", NOT_JUDGED)]) == "Nothing could be judged yet."
