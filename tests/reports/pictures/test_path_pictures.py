"""One path has four pictures, and what cannot be drawn says why."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np

from heatdrift.reports.pictures.path_pictures import answer_spans, path_pictures
from heatdrift.reports.pictures.picture import Picture
from heatdrift.reports.power_history import DatedScale
from heatdrift.reports.power_scale import PowerScale
from heatdrift.reports.reference_conditions import ReferenceConditions
from heatdrift.reports.verdict import Verdict

from .made_pictures import DAY_MS, FIRST_MS, made_state, made_verdict
from .made_steps import SteppingMachine

N_DAYS = 20
END_MS = FIRST_MS + N_DAYS * DAY_MS
HELD = np.zeros(N_DAYS)
MODEL: Any = SimpleNamespace(source="gpu0", shared_with=(), reference=None, fan="")
MACHINE: Any = SteppingMachine((0.10, 0.10), (0.30, 0.30))
DERIVATION: Any = SimpleNamespace(scales={"gpu0": (DatedScale(0, PowerScale()),)})


def drawn(verdict: Verdict) -> dict[str, Picture]:
    pictures = path_pictures(
        MACHINE,
        MACHINE,
        DERIVATION,
        verdict,
        made_state(verdict, (0.0, 0.01), None),
        [],
        ReferenceConditions(),
        from_utc_ms=FIRST_MS,
        to_utc_ms=END_MS,
    )
    return {picture.key: picture for picture in pictures}


def test_a_path_has_four_pictures_in_the_order_of_the_questions() -> None:
    pictures = drawn(replace(made_verdict(HELD, HELD), model=MODEL))
    assert list(pictures) == ["gpu0-resistance", "gpu0-answers", "gpu0-monthly", "gpu0-outlook"]
    assert [key for key, one in pictures.items() if one.figure is None] == ["gpu0-outlook"]
    assert all(one.title and one.window for one in pictures.values())
    assert pictures["gpu0-answers"].title == "gpu0 answers to a load step as it did in its baseline"


def test_what_cannot_be_drawn_says_why() -> None:
    pictures = drawn(made_verdict(HELD, None))
    assert pictures["gpu0-resistance"].figure is not None
    for key in ("gpu0-answers", "gpu0-monthly", "gpu0-outlook"):
        assert pictures[key].figure is None and pictures[key].missing and pictures[key].title.endswith("?")
    assert pictures["gpu0-answers"].missing == "no day with readings yet: go on recording"


def test_now_never_reaches_into_the_baseline() -> None:
    (begin, end), now = answer_spans(made_verdict(HELD, HELD), END_MS)
    assert (begin, end) == (FIRST_MS, FIRST_MS + 14 * DAY_MS)
    assert now == (end, END_MS)


def test_every_word_follows_the_page() -> None:
    for key, picture in drawn(replace(made_verdict(HELD, HELD), model=MODEL)).items():
        words = re.findall(r"<text[^>]*>", picture.svg())
        assert (picture.figure is None) == (not words), key
        # What has no colour of its own is black, also on a dark page.
        assert not [one for one in words if "fill: var(--" not in one], key
