"""Numbers in words and columns that fit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatdrift.cli.tables import WIDTH, columns, labelled
from heatdrift.cli.wording import counted, moment_text, rfc3339, size_text, span_text, value_text


@pytest.mark.parametrize(
    ("size_bytes", "text"),
    [
        (0, "0 B"),
        (999, "999 B"),
        (1000, "1 kB"),
        (1234, "1.23 kB"),
        (999_600, "1 MB"),
        (123_456_789, "123 MB"),
    ],
)
def test_size(size_bytes: int, text: str) -> None:
    assert size_text(size_bytes) == text


@pytest.mark.parametrize(
    ("span_s", "text"),
    [
        (0.2, "0 s"),
        (59.6, "1 min 0 s"),
        (125, "2 min 5 s"),
        (3599, "59 min"),
        (7260, "2 h 1 min"),
        (90_000, "1 d 1 h"),
    ],
)
def test_span(span_s: float, text: str) -> None:
    assert span_text(span_s) == text


def test_moments_are_utc() -> None:
    assert moment_text(1_767_225_600_500) == "2026-01-01 00:00:00Z"
    assert rfc3339(1_767_225_600_500) == "2026-01-01T00:00:00.500Z"


@pytest.mark.parametrize(
    ("value_milli", "unit", "text"),
    [(61_049, "c", "61.0 °C"), (1_367_400, "mhz", "1367 MHz"), (7_000, "pct", "7 %")],
)
def test_value(value_milli: int, unit: str, text: str) -> None:
    assert value_text(value_milli, unit) == text


def test_counted() -> None:
    assert [counted(n, "row") for n in (0, 1, 1234)] == ["0 rows", "1 row", "1,234 rows"]


words = st.text(alphabet="abcdefg ", max_size=200)


@given(st.lists(st.tuples(st.text("xy", max_size=12), words), min_size=1, max_size=5))
def test_columns_never_exceed_the_line_nor_lose_a_word(rows: list[tuple[str, str]]) -> None:
    rows = [(name, " ".join(word[:9] for word in text.split())) for name, text in rows]
    lines = columns(rows)
    assert all(len(line) <= WIDTH for line in lines)
    assert " ".join(lines).split() == " ".join(" ".join(row) for row in rows).split()


def test_a_path_stays_whole_so_that_it_can_be_copied() -> None:
    path = "/very" * 30
    assert labelled("database", path) == [f"database    {path}"]
