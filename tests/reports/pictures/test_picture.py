"""A drawing becomes one element of a page: it follows the theme, scales, and reads itself out."""

from __future__ import annotations

import io
import re
from xml.etree import ElementTree

from matplotlib import rc_context

from heatdrift.reports.pictures.picture import INTERFACE, RC, VARIABLES, Picture, new_figure

SVG = "{http://www.w3.org/2000/svg}"


def drawn(key: str = "gpu0-resistance") -> Picture:
    figure, (axes,) = new_figure()
    axes.plot([1, 2, 3], [1, 4, 2], color=INTERFACE, label="interface part")
    axes.set_xlabel("day")
    axes.legend(frameon=False)
    return Picture(key, "Has it <risen>?", "March", 'A line & a "bend"', figure)


def test_it_is_one_element_that_reads_itself_out() -> None:
    root = ElementTree.fromstring(drawn().svg())
    assert root.tag == f"{SVG}svg" and root.attrib["role"] == "img"
    assert "width" not in root.attrib and root.attrib["viewBox"].startswith("0 0 ")
    words = {root.find(f"{SVG}title"): "Has it <risen>?", root.find(f"{SVG}desc"): 'A line & a "bend"'}
    for element, text in words.items():
        assert element is not None and element.text == text
        assert element.attrib["id"] in root.attrib["aria-labelledby"].split()


def test_every_color_follows_the_page() -> None:
    svg = drawn().svg()
    assert f"var(--interface, {INTERFACE})" in svg
    rest = svg
    for color, name in VARIABLES.items():
        rest = rest.replace(f"var(--{name}, {color})", "")
    assert "#" not in rest.replace("url(#", "").replace('href="#', "")


def test_nothing_of_one_drawing_speaks_to_another() -> None:
    first, second = (ElementTree.fromstring(drawn(key).svg()) for key in ("a", "b"))
    ids = [{one.attrib["id"] for one in root.iter() if "id" in one.attrib} for root in (first, second)]
    assert ids[0] and not ids[0] & ids[1]
    assert not [one for one in first.iter() if one.tag == f"{SVG}style"]


def test_the_same_drawing_is_the_same_text() -> None:
    picture = drawn()
    assert picture.svg() == picture.svg() == drawn().svg()


def test_it_is_drawn_as_the_library_would_save_it() -> None:
    saved, ours = io.StringIO(), drawn().svg()
    figure = drawn().figure
    assert figure is not None
    with rc_context(RC):
        figure.savefig(saved, format="svg", metadata={"Date": None, "Creator": None})
    for numbers in (re.compile(r'(?<= d=")[^"]+'), re.compile(r'(?<=<use )[^>]* x="[^"]+" y="[^"]+')):
        theirs = [re.sub(r"#\w+", "", one) for one in numbers.findall(saved.getvalue())]
        assert theirs and theirs == [re.sub(r"#[\w-]+", "", one) for one in numbers.findall(ours)]


def test_without_a_drawing_there_is_no_element() -> None:
    assert Picture("a", "Why?", "", "", None, "no day yet").svg() == ""
