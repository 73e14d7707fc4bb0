"""A report of a machine that does not exist, whole and with next to nothing known; how pages are read."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

import pytest

from heatdrift.reports.pages.first_lines import FirstLines
from heatdrift.reports.pictures.picture import INTERFACE, Picture, new_figure

Document = dict[str, Any]
VOID = {"meta", "link", "br", "hr", "img", "input", "wbr", "col"}
ALLOWED_NAMESPACES = {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
REMOTE = re.compile(r"https?:|//|\burl\((?!\"?#)|@import|\bdata:", re.IGNORECASE)
FORBIDDEN = {"script", "iframe", "object", "embed", "link", "base", "form", "img", "video", "audio"}


@dataclass
class Page(HTMLParser):
    """What is on a page.

    Attributes
    ----------
    wrong
        What is wrong by itself: tags that do not match, forbidden ones, references to elsewhere.
    """

    wrong: list[str] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    references: list[str] = field(default_factory=list)
    headings: list[int] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    svgs: list[set[str]] = field(default_factory=list)
    tables: list[set[str]] = field(default_factory=list)
    open: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    @staticmethod
    def of(html: str) -> Page:
        page = Page()
        page.feed(html)
        page.close()
        return page

    @property
    def text(self) -> str:
        return re.sub(r"[ \n]+", " ", "".join(self.words))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._noted(tag, dict(attrs))
        if tag in VOID:
            return
        self.open.append(tag)
        if tag == "svg":
            self.svgs.append(set())
        elif tag == "table":
            self.tables.append(set())
        elif self.open.count("svg") and self.svgs:
            self.svgs[-1].add(tag)
        if "table" in self.open:
            self.tables[-1].add(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._noted(tag, dict(attrs))
        if tag not in VOID and "svg" not in self.open:
            self.wrong.append(f"<{tag}/> closes itself outside a drawing")

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.wrong.append(f"</{tag}> closes {self.open[-1:]}")
            return
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "style":
            if REMOTE.search(data):
                self.wrong.append("the style sheet points elsewhere")
            return
        self.words.append(data)

    def _noted(self, tag: str, attrs: dict[str, str | None]) -> None:
        if tag in FORBIDDEN:
            self.wrong.append(f"<{tag}>")
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        for name, value in attrs.items():
            said = value or ""
            if name.startswith("on"):
                self.wrong.append(f"{tag} {name}")
            elif name.startswith("xmlns"):
                if said not in ALLOWED_NAMESPACES:
                    self.wrong.append(f"{tag} {name}={said}")
            elif name == "id":
                self.ids.append(said)
            elif name in ("href", "xlink:href"):
                self.references.append(said)
            elif name in ("aria-labelledby", "aria-describedby"):
                self.references += [f"#{one}" for one in said.split()]
            elif name == "src" or (name != "content" and name != "data-label" and REMOTE.search(said)):
                self.wrong.append(f"{tag} {name}={said[:60]}")
        if tag == "th" and "scope" not in attrs:
            self.wrong.append("th without scope")


def faults_of(html: str, *, links_to: frozenset[str] = frozenset()) -> list[str]:
    """All that is wrong with a page; empty where nothing is.

    Parameters
    ----------
    links_to
        Files beside it that it may point to.
    """
    page = Page.of(html)
    wrong = list(page.wrong)
    if not html.startswith("<!DOCTYPE html>\n<html lang="):
        wrong.append("no doctype, or no language")
    if page.open:
        wrong.append(f"never closed: {page.open}")
    wrong += [f"id {one} twice" for one in {one for one in page.ids if page.ids.count(one) > 1}]
    inside = {one[1:] for one in page.references if one.startswith("#")}
    wrong += [f"#{one} leads nowhere" for one in inside - set(page.ids)]
    wrong += [
        f"{one} is elsewhere" for one in page.references if not one.startswith("#") and one not in links_to
    ]
    wrong += [
        f"h{after} after h{before}"
        for before, after in zip([0, *page.headings], page.headings, strict=False)
        if after > before + 1
    ]
    wrong += [f"a drawing lacks {lack}" for svg in page.svgs if (lack := {"title", "desc"} - svg)]
    wrong += [
        f"a table lacks {lack}" for table in page.tables if (lack := {"caption", "th", "tbody"} - table)
    ]
    if "\0" in html:
        wrong.append("NUL")
    return wrong


def measured(value: float | None, reason: str | None = None) -> Document:
    ci95 = None if value is None else [value * 0.99, value * 1.01]
    error = None if value is None else value * 0.005
    return {"value": value, "standard_error": error, "ci95": ci95, "n_stretches": 40, "reason": reason}


def resistance(k_per_w: float | None, pct: float | None, reason: str | None = None) -> Document:
    known = k_per_w is not None and pct is not None
    return {
        "baseline_k_per_w": k_per_w,
        "baseline_ci95": [k_per_w * 0.96, k_per_w * 1.04] if k_per_w is not None else None,
        "now_k_per_w": k_per_w * (1 + pct / 100) if known else None,  # type: ignore[operator]
        "change_pct": pct,
        "change_ci95_pct": [pct - 3.0, pct + 3.0] if pct is not None else None,
        "reason": reason,
    }


def path(source: str, state: str = "watch", cause: str = "interface") -> Document:
    held = {"pct": 3.0, "least_pct": 1.0, "known_pct": 100.0}
    return {
        "source": source,
        "era": "from the start",
        "days_in_era": 61,
        "state": state,
        "cause": cause,
        "part": "interface",
        "shape": "creep",
        "confidence": 0.97,
        "evidence": ["interface part: +12.0 % (+9.0 to +15.0), since 2026-03-03, changed", "a bare remark"],
        "excluded": ["power scale: the readings would be 1000 times less likely"],
        "interface_resistance": resistance(0.09, 12.0),
        "airflow_resistance": resistance(0.56, -0.4),
        "total_resistance": resistance(0.65, 1.5),
        "outlook": {
            "limit_c": 87.0,
            "reference_ambient_c": 25.0,
            "reference_power_w": 115.0,
            "now_c": 81.2,
            "days_to_limit": 74.0,
            "ci80_days": [50.0, 120.0],
            "reason": "",
            "law": "root",
            "clock": "days",
            "worse": {},
        },
        "endurance": {
            "by_minute": [],
            "n_stretches": 40,
            "load_h": 88.0,
            "load_w": 30.0,
            "clocks_mhz": {name: measured(1840.0) for name in ("minute_1", "after_5_min", "after_20_min")},
            "loss_pct": measured(2.0),
            "mhz_per_die_kelvin": measured(-4.0),
            "is_while_held_down": False,
            "mhz_per_air_kelvin": measured(None, "not identifiable"),
            "held_down": {"heat": held, "power": {"pct": None, "least_pct": None, "known_pct": 0.0}},
            "reasons_unknown_pct": 0.0,
        },
        "thermal_cycles": {
            "by_range_k": {"5": 163.5, "10": 0.0, "60": 2.0},
            "hot_h": {"70": 66.5, "80": 3.0},
            "recorded_h": 539.5,
        },
    }


def nothing_known(source: str) -> Document:
    known = path(source, "holding", "none")
    no = "no day with usable steps"
    nothing = {"pct": None, "least_pct": None, "known_pct": None}
    return known | {
        "days_in_era": 0,
        "part": None,
        "shape": None,
        "confidence": None,
        "evidence": [f"interface part: {no}", "fan speed at the same heat: no fan was seen"],
        "excluded": [],
        **{f"{name}_resistance": resistance(None, None, no) for name in ("interface", "airflow", "total")},
        "outlook": known["outlook"]
        | {
            "now_c": None,
            "reference_power_w": None,
            "days_to_limit": None,
            "ci80_days": None,
            "reason": "the whole path is not known",
        },
        "endurance": known["endurance"]
        | {
            "n_stretches": 0,
            "load_h": 0.0,
            "load_w": None,
            "clocks_mhz": {name: measured(None, "no load") for name in known["endurance"]["clocks_mhz"]},
            "loss_pct": measured(None, "no load"),
            "mhz_per_die_kelvin": measured(None, "no load"),
            "held_down": {"heat": nothing},
            "reasons_unknown_pct": None,
        },
        "thermal_cycles": {"by_range_k": {"5": 0.0}, "hot_h": {"70": 0.0}, "recorded_h": 0.0},
    }


def entry(kind: str = "liquid_metal") -> Document:
    part = {"before_k_per_w": 0.12, "after_k_per_w": 0.08, "change_pct": -33.0, "ci95_pct": [-36.0, -30.0]}
    unknown = {"before_k_per_w": None, "after_k_per_w": None, "change_pct": None, "ci95_pct": None}
    clock = {"unit": "MHz", "before": 1700.0, "after": 1800.0, "change": 5.9, "ci95": [4.0, 7.8]}
    return {
        "source": "gpu0",
        "entries": [{"id": 3, "kind": kind, "time": "2026-03-03T18:00:00.000Z"}],
        "joint": True,
        "before": {"from": "2026-02-01T00:00:00.000Z", "to": "2026-03-03T00:00:00.000Z", "days": 28},
        "after": {"from": "2026-03-05T00:00:00.000Z", "to": "2026-03-31T00:00:00.000Z", "days": 25},
        "interface_resistance": part | {"reason": None},
        "airflow_resistance": unknown | {"reason": "not identifiable: the air is not known"},
        "total_resistance": part | {"reason": None},
        "temperature": {
            "ambient_c": 25.0,
            "power_w": 115.0,
            "before_c": 84.0,
            "after_c": 76.0,
            "change_k": -8.0,
            "ci95_k": [-9.5, -6.5],
        },
        "temperature_reason": None,
        "sustained": {
            "clock_after_5_min": clock | {"reason": None},
            "clock_after_20_min": clock | {"before": 1600.0, "change": 12.5, "reason": None},
            "time_held_down_by_heat": dict.fromkeys(("before", "after", "change", "ci95"))
            | {"unit": "%", "reason": "no limit reasons were had"},
        },
        "cost": [
            {
                "total": 48.0,
                "currency": "EUR",
                "per": "kelvin",
                "value": 6.0,
                "ci95": [5.05, 7.38],
                "reason": None,
            },
            {
                "total": 48.0,
                "currency": "EUR",
                "per": "percent of clock after 5 min",
                "value": None,
                "ci95": None,
                "reason": "cannot be known: the gain may be none",
            },
        ],
    }


def picture(key: str) -> Picture:
    figure, (axes,) = new_figure()
    axes.plot([1.0, 2.0, 3.0], [1.0, 1.1, 1.2], color=INTERFACE)
    axes.set_xlabel("day")
    axes.set_ylabel("interface part, K/W")
    return Picture(key, f"Does {key} hold?", "3 days of March 2026", "It rises by 20 %.", figure)


def made_lines(source: str, state_word: str = "watch") -> FirstLines:
    return FirstLines(
        source=source,
        found=f"{source}: interface part up 12 % (9 to 15) since 3 March, creeping; airflow part unchanged.",
        typical="Typical of compound pumping out or drying.",
        ahead="About 74 days (50 to 120) to its limit of 87 °C at 115 W in a 25 °C room.",
        state_word=state_word,
        what_to_do=("Wait.", "Then renew the compound."),
        how_sure="That it changed: very likely, 97 %.",
        cautions=("Power off first.",),
        in_short="Nothing is urgent.",
        would_settle=("One more month.",),
        missing=(("fan speed at the same heat", "no fan was seen"),),
    )


@pytest.fixture
def document() -> Document:
    """Two paths, an entry and a message."""
    told = {
        "made": "2026-03-12T04:00:00Z",
        "lane": "creep",
        "severity": "note",
        "source": "gpu0",
        "subject": "gpu0: interface part up 12 %",
        "is_settled": True,
        "deliveries": [{"channel": "mail", "state": "given_up", "at": "2026-03-12T04:01:00Z"}],
    }
    return {
        "schema": "heatdrift-report/1",
        "machine": {"uuid": "0", "name": "workshop"},
        "from": "2026-03-01T00:00:00Z",
        "to": "2026-03-31T23:59:46Z",
        "coverage": {"days": 31, "days_with_readings": {"cpu0": 28, "gpu0": 32}, "gaps": 4},
        "paths": [path("cpu0", "holding", "none"), path("gpu0")],
        "entries": [entry()],
        "messages": [told],
    }


@pytest.fixture
def sparse() -> Document:
    """One path of which nothing is known, and one period without any."""
    return {
        "schema": "heatdrift-report/1",
        "machine": {"uuid": "0", "name": ""},
        "from": "2026-03-01T00:00:00Z",
        "to": "2026-03-03T00:00:00Z",
        "coverage": {"days": 2, "days_with_readings": {"gpu0": 0}, "gaps": 1},
        "paths": [nothing_known("gpu0")],
        "entries": [],
        "messages": [],
    }


@pytest.fixture
def make_entry() -> Callable[[str], Document]:
    """Makes a comparison of one kind of work."""
    return entry


@pytest.fixture
def make_lines() -> Callable[..., FirstLines]:
    """Makes first lines of a source and a state."""
    return made_lines


@pytest.fixture
def make_picture() -> Callable[[str], Picture]:
    """Makes a small picture under a key."""
    return picture


@pytest.fixture
def faults() -> Callable[..., list[str]]:
    """Lists what is wrong with a page."""
    return faults_of


@pytest.fixture
def read_page() -> Callable[[str], Page]:
    """Reads a page as a browser would."""
    return Page.of
