"""A smaller drawing is the same drawing: as many marks, at the same places, in the same colors."""

from __future__ import annotations

import re
from collections import Counter

from heatdrift.reports.pages.slim import slim
from heatdrift.reports.pictures.picture import FAINT, INTERFACE, Picture, new_figure

FOREIGN = 'id="x" x="1.234567" url(#a) <b>'


def drawing() -> str:
    figure, (axes,) = new_figure()
    days = range(200)
    axes.errorbar(days, [0.01 * day for day in days], yerr=0.3, fmt="o", color=INTERFACE, ms=2)
    axes.text(10.0, 1.0, FOREIGN, color=FAINT, parse_math=False)
    return Picture("gpu0-x", "Holds?", "", "It holds.", figure).svg()


def values(svg: str, name: str) -> list[float]:
    found = re.findall(rf'<use[^>]* {name}="([^"]+)"', svg)
    return [float(one) for one in found]


def styles(svg: str) -> Counter[str]:
    """How often each style is used, by name or in place."""
    named = dict(re.findall(r"\.([\w-]+)\{([^}]*)\}", svg))
    used = re.findall(r'<(?:use|path)\b[^>]*? style="([^"]*)"', svg)
    return Counter(used + [named[one] for one in re.findall(r'class="([\w-]+--s\d+)"', svg)])


def test_it_is_smaller_and_the_same() -> None:
    svg = drawing()
    small = slim(svg, "gpu0-x")
    assert len(small) < 0.7 * len(svg)
    for tag in ("<use", "<path", "<text", "<clipPath", "<title", "<desc"):
        assert small.count(tag) == svg.count(tag), tag
    for name in ("x", "y"):
        before, after = values(svg, name), values(small, name)
        assert len(before) == len(after) > 200
        # Half of the last digit that is kept.
        assert max(abs(one - other) for one, other in zip(before, after, strict=True)) <= 0.00501
    assert styles(small) == styles(svg)


def test_every_reference_leads_somewhere() -> None:
    small = slim(drawing(), "gpu0-x")
    tags = "".join(re.findall(r"<[A-Za-z][^<>]*>", small))
    names = re.findall(r' id="([^"]+)"', tags)
    assert len(names) == len(set(names))
    assert set(re.findall(r'(?:href="|url\()#([^")]+)', tags)) <= set(names)
    assert all(name.startswith("gpu0-x-") for name in names)


def test_what_is_written_is_left_alone() -> None:
    svg = drawing()
    written = re.compile(r"<text[^>]*>([^<]*)</text>")
    assert written.findall(slim(svg, "gpu0-x")) == written.findall(svg)
    assert any('x="1.234567"' in one for one in written.findall(svg))
