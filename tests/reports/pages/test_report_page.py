"""The page of a report: whole, self-contained, readable, unharmed by what people wrote."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from heatdrift.reports.pages.first_lines import FirstLines
from heatdrift.reports.pages.report_page import report_page
from heatdrift.reports.pictures.picture import Picture

MOST_BYTES = 1_500_000
Document = dict[str, Any]
MakeLines = Callable[..., FirstLines]
Faults = Callable[..., list[str]]
ReadPage = Callable[[str], Any]
MakePicture = Callable[[str], Picture]


def made(document: Document, make_lines: MakeLines, make_picture: MakePicture, **others: Any) -> str:
    sources = [path["source"] for path in document["paths"]]
    pictures = {source: [make_picture(f"{source}-resistance")] for source in sources}
    pictures[""] = [make_picture("coverage"), Picture("empty", "Nothing to see?", "", "", None, "no data")]
    return report_page(
        document, pictures, first_lines={source: make_lines(source) for source in sources}, **others
    )


def test_page_is_whole_and_keeps_to_itself(
    document: Document,
    make_lines: MakeLines,
    make_picture: MakePicture,
    faults: Faults,
    read_page: ReadPage,
) -> None:
    html = made(document, make_lines, make_picture, own_cost={"memory": "38 MB"}, notes={3: "thick"})
    assert faults(html) == []
    page = read_page(html)
    assert len(html.encode()) < MOST_BYTES
    assert page.headings[0] == 1
    assert page.headings.count(1) == 1
    assert [name for name in ("header", "main", "nav", "footer") if name not in page.tags] == []
    for said in (
        "Typical of compound pumping out",
        "About 74 days (50 to 120)",
        "All 2 steps",
        "0.0900 (0.0864 to 0.0936)",
        "+12.0\N{NO-BREAK SPACE}% (+9.0 to +15.0)",
        "liquid metal on 3 March 2026",
        "6.00 EUR for each kelvin (5.05 to 7.38)",
        "each did cannot be told apart",
        "mail: given up",
        "28 of 31",
        "38\N{NO-BREAK SPACE}MB",
        "disconnect the battery",
        "no fan was seen",
    ):
        assert said in page.text, said
