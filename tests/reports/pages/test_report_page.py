"""The page of a report: whole, self-contained, readable, unharmed by what people wrote."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from heatdrift.reports.pages.first_lines import NOT_JUDGED, FirstLines
from heatdrift.reports.pages.report_page import report_page
from heatdrift.reports.pictures.picture import Picture

MOST_BYTES = 1_500_000
HOSTILE = (
    '<script>alert("x")</script><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }}{% raw %}&lt;&#x41;",
    "=HYPERLINK(1)|cmd",
    "$\\frac{1}{0}$",
    "\u202emoc\u2066 \u200f\u05d0\u05d1 \u0007\0 \U0001f525\ud83d",
    "x" * 10_000,
    "]]> --> </style></title></svg>",
)
Document = dict[str, Any]
MakeLines = Callable[..., FirstLines]
MakePicture = Callable[[str], Picture]
Faults = Callable[..., list[str]]
ReadPage = Callable[[str], Any]


@pytest.fixture
def made(make_lines: MakeLines, make_picture: MakePicture) -> Callable[..., str]:
    """Makes a page; with pictures for each source and for the machine only where they are asked for."""

    def make(
        document: Document,
        state_words: dict[str, str] | None = None,
        *,
        has_pictures: bool = False,
        **others: Any,
    ) -> str:
        sources = [path["source"] for path in document["paths"]]
        pictures: dict[str, list[Picture]] = {}
        if has_pictures:
            pictures = {source: [make_picture(f"picture-{n}")] for n, source in enumerate(sources)}
            nothing = Picture("empty", "Nothing to see?", "", "", None, "no data")
            pictures[""] = [make_picture("coverage"), nothing]
        lines = {source: make_lines(source, (state_words or {}).get(source, "watch")) for source in sources}
        return report_page(document, pictures, first_lines=lines, **others)

    return make


def test_page_is_whole_and_keeps_to_itself(
    document: Document, made: Callable[..., str], faults: Faults, read_page: ReadPage
) -> None:
    html = made(document, has_pictures=True, own_cost={"memory": "38 MB"}, notes={3: "thick layer"})
    assert faults(html) == []
    page = read_page(html)
    assert len(html.encode()) < MOST_BYTES
    assert page.headings[0] == 1
    assert page.headings.count(1) == 1
    assert [name for name in ("header", "main", "nav", "footer") if name not in page.tags] == []
    for said in (
        "1\N{NO-BREAK SPACE}March to 31\N{NO-BREAK SPACE}March 2026",
        "Typical of compound pumping out",
        "About 74 days (50 to 120)",
        "All 2 steps for gpu0",
        "0.0900 (0.0864 to 0.0936)",
        "+12.0\N{NO-BREAK SPACE}% (+9.0 to +15.0)",
        "Liquid metal on 3\N{NO-BREAK SPACE}March 2026",
        "thick layer",
        "6.00 EUR for each kelvin (5.05 to 7.38)",
        "each did cannot be told apart",
        "mail: given up",
        "28 of 32",
        "38\N{NO-BREAK SPACE}MB",
        "disconnect the battery",
        "no fan was seen",
        "No drawing: no data",
    ):
        assert said in page.text, said


def test_theme_follows_the_reader_and_print_is_light(document: Document, made: Callable[..., str]) -> None:
    html = made(document)
    dark = html.split("@media screen and (prefers-color-scheme:dark)")
    assert len(dark) == 2  # no other rule is dark, so that paper never is
    for name in (
        "interface",
        "airflow",
        "fan",
        "now",
        "then",
        "band",
        "grid",
        "ink",
        "faint",
        "alarm",
        "paper",
    ):
        light = dark[0].split(f"--{name}:", 1)[1][:7]
        assert dark[1].split(f"--{name}:", 1)[1][:7] != light, name
    assert "@page{size:A4" in html
    assert "break-inside:avoid" in html


def luminance(color: str) -> float:
    """Relative luminance of WCAG 2.1."""
    parts = [int(color[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize(
    "name", ["ink", "faint", "link", "interface", "airflow", "fan", "now", "then", "alarm"]
)
def test_contrast_reaches_that_of_body_text(
    document: Document, made: Callable[..., str], theme: int, name: str
) -> None:
    rules = made(document).split("@media screen and (prefers-color-scheme:dark)")[theme]
    paper, color = (luminance(rules.split(f"--{one}:", 1)[1][:7]) for one in ("paper", name))
    lighter, darker = max(paper, color), min(paper, color)
    assert (lighter + 0.05) / (darker + 0.05) >= 4.5  # WCAG 2.1, 1.4.3


def test_what_presses_comes_first(document: Document, made: Callable[..., str], read_page: ReadPage) -> None:
    html = made(document, {"cpu0": "holding", "gpu0": "act"})
    first = read_page(html).text.split("What became of each heat path", 1)[1]
    assert first.index("gpu0: interface part") < first.index("cpu0: interface part")


@pytest.mark.parametrize("state", ["holding", "watch", "act", NOT_JUDGED])
def test_every_state_is_a_word_not_only_a_color(
    document: Document, made: Callable[..., str], faults: Faults, state: str
) -> None:
    html = made(document, {"gpu0": state})
    assert faults(html) == []
    assert f">{state}</span>" in html


def test_with_little_data_it_says_so(
    sparse: Document, made: Callable[..., str], faults: Faults, read_page: ReadPage
) -> None:
    html = made(sparse, {"gpu0": NOT_JUDGED})
    assert faults(html) == []
    text = read_page(html).text
    for said in (
        "Nothing was recorded in this period",
        "0 days of this period have readings of it",
        "no day with usable steps",
        "a joint that gives way would not be seen",
        "Not known: interface part, airflow part and whole path (no day with usable steps).",
        "No entry of the journal",
        "No message was made",
    ):
        assert said in text, said
    assert "None" not in text
    assert "nan" not in text


@pytest.mark.parametrize(("cause", "is_told"), [("interface", True), ("airflow", False)])
def test_a_cause_is_never_among_what_was_ruled_out(
    document: Document, made: Callable[..., str], read_page: ReadPage, cause: str, is_told: bool
) -> None:
    why = "the readings would be 1000 times less likely"
    document["paths"][1] |= {"cause": cause, "excluded": [f"airflow part: {why}", f"power scale: {why}"]}
    document["paths"][0]["excluded"] = []
    text = read_page(made(document)).text
    assert ("Look-alikes that were ruled out" in text) is is_told
    assert ("the way from the heatsink to the air" in text) is is_told


def test_one_reason_for_several_pictures_is_said_once(
    document: Document, make_lines: MakeLines, faults: Faults, read_page: ReadPage
) -> None:
    missing = [Picture(f"m-{n}", f"Question {n}?", "", "", None, "no steps") for n in range(3)]
    alone = Picture("alone", "Question 4?", "", "", None, "no fan")
    lines = {source: make_lines(source) for source in ("cpu0", "gpu0")}
    html = report_page(document, {"gpu0": [*missing, alone]}, first_lines=lines)
    assert faults(html) == []
    text = read_page(html).text
    assert text.count("No steps. That leaves open:") == 1
    assert "Question 0? Question 1? Question 2?" in text
    assert "Question 4? No drawing: no fan" in text


def test_without_any_path_it_is_a_page_still(
    sparse: Document, made: Callable[..., str], faults: Faults
) -> None:
    sparse["paths"] = []
    sparse["coverage"]["days_with_readings"] = {}
    html = made(sparse)
    assert faults(html) == []
    assert "There is no heat path to report on" in html


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_foreign_text_is_text(
    document: Document, made: Callable[..., str], faults: Faults, read_page: ReadPage, text: str
) -> None:
    """It neither becomes markup, nor reaches another page, nor turns what follows it."""
    plain = read_page(made(document))
    document["machine"]["name"] = text
    document["messages"][0]["subject"] = text
    document["entries"][0]["cost"][0]["currency"] = text
    document["paths"][1]["evidence"] = [text]
    document["paths"][1]["source"] = text
    html = made(document, notes={3: text}, own_cost={text: text})
    assert faults(html) == []
    page = read_page(html)
    assert set(page.tags) <= set(plain.tags) | {"q"}
    assert len(html.encode()) < MOST_BYTES
    assert not set("\0\u202e\u2066\u0007") & set(html)
    assert "49" not in page.text.replace("0.49", "")


def test_the_question_of_the_title_is_answered_below_it(
    document: Document, made: Callable[..., str], read_page: ReadPage
) -> None:
    for states, answer in (
        ({"cpu0": "holding", "gpu0": "act"}, "Not all of it: gpu0 has changed; cpu0 holds."),
        ({"cpu0": "holding", "gpu0": "holding"}, "Yes: "),
        ({"cpu0": NOT_JUDGED, "gpu0": NOT_JUDGED}, "That cannot be told yet: too few days under load."),
    ):
        assert answer in read_page(made(document, states)).text
    misread = dict(document, paths=[{**path, "cause": "telemetry"} for path in document["paths"]])
    said = read_page(made(misread, {"cpu0": "holding", "gpu0": "watch"})).text
    assert "The readings of gpu0 have changed, not the cooling as far as can be told; cpu0 holds." in said
