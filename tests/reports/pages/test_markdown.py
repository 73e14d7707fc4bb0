"""The report as Markdown: the same words, and nothing that a reader would take for markup."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from heatdrift.reports.pages.first_lines import NOT_JUDGED, FirstLines
from heatdrift.reports.pages.markdown import plain, report_markdown

Document = dict[str, Any]
MakeLines = Callable[..., FirstLines]


def test_it_says_what_the_page_says(document: Document, make_lines: MakeLines) -> None:
    text = report_markdown(document, {name: make_lines(name) for name in ("cpu0", "gpu0")})
    for said in (
        "# workshop, 1 March to 31 March 2026",
        "**gpu0: watch.** gpu0: interface part up 12 %",
        "- How sure: That it changed: very likely, 97 %.",
        "1. Wait.",
        "| interface part (joint between die and heatsink) | 0.0900 (0.0864 to 0.0936) |",
        "6.00 EUR for each kelvin (5.05 to 7.38).",
        "| gpu0 | 32 of 32 |",
    ):
        assert said in text, said
    widths = [line.count("|") for line in text.splitlines() if line.startswith("|")]
    assert min(widths) >= 3


def test_every_table_has_a_rule_below_its_heading(document: Document, make_lines: MakeLines) -> None:
    text = report_markdown(document, {name: make_lines(name) for name in ("cpu0", "gpu0")})
    tables = re.findall(r"(?:^\|.*\n)+", text, re.MULTILINE)
    assert len(tables) > 5
    for table in tables:
        heading, rule, *rows = table.splitlines()
        assert re.fullmatch(r"(\| -{3}:? )+\|", rule)
        assert rows
        assert {heading.count("|")} == {row.count("|") for row in (rule, *rows)}


def test_little_data(sparse: Document, make_lines: MakeLines) -> None:
    text = report_markdown(sparse, {"gpu0": make_lines("gpu0", NOT_JUDGED)})
    assert "No message was made in this period." in text
    assert "None" not in text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("<b>a</b>", r"\<b\>a\</b\>"),
        ("a | b", r"a \| b"),
        ("# no heading\n\n- no list", r"\# no heading - no list"),
        ("- no list", r"\- no list"),
        ("1. no list", r"1\. no list"),
        ("0.5 K", "0.5 K"),
        ("![x](http://e.x)", r"\!\[x\](http\://e.x)"),
        ("www.e.x", r"www\.e.x"),
        ("a\0b\u202ec", "a bc"),
        ("===", r"\==="),
    ],
)
def test_foreign_text_is_no_markup(text: str, expected: str) -> None:
    assert plain(text) == expected


def test_long_text_is_cut() -> None:
    assert len(plain("x" * 10_000, 80)) == 81
