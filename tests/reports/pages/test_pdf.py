"""The report on paper: whole sheets of A4, drawings as lines, foreign text as text."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from heatdrift.reports.pages.first_lines import NOT_JUDGED, FirstLines
from heatdrift.reports.pages.pdf import report_pdf
from heatdrift.reports.pages.sheets import Sheets
from heatdrift.reports.pictures.picture import Picture

Document = dict[str, Any]
MakeLines = Callable[..., FirstLines]
MakePicture = Callable[[str], Picture]
A4_PT = (595.44, 841.68)


def boxes(written: bytes) -> list[tuple[float, float]]:
    found = re.findall(rb"/MediaBox \[ ?0 0 ([0-9.]+) ([0-9.]+) ?\]", written)
    return [(float(width), float(height)) for width, height in found]


def streams(written: bytes) -> bytes:
    """What is drawn, unpacked."""
    packed = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", written, re.DOTALL)
    unpacked = []
    for one in packed:
        try:
            unpacked.append(zlib.decompress(one))
        except zlib.error:
            continue  # a font or an image, packed otherwise
    return b"\n".join(unpacked)


def test_report_is_sheets_of_a4_with_drawings_as_lines(
    document: Document, make_lines: MakeLines, make_picture: MakePicture, tmp_path: Path
) -> None:
    picture = make_picture("gpu0-resistance")
    pictures = {
        "gpu0": [picture, make_picture("b"), make_picture("c"), make_picture("d")],
        "": [make_picture("e")],
    }
    lines = {name: make_lines(name) for name in ("cpu0", "gpu0")}
    report_pdf(document, pictures, first_lines=lines, path=tmp_path / "report.pdf")
    written = (tmp_path / "report.pdf").read_bytes()
    assert written.startswith(b"%PDF-")
    assert len(boxes(written)) >= 5
    for box in boxes(written):
        assert box == pytest.approx(A4_PT, abs=1.0)
    assert b"/Subtype /Image" not in written
    assert b"0.0431" in streams(written)  # the red of the interface part's blue: its line was drawn
    assert len(written) < 500_000
    # The figure can be used again, where it was.
    assert picture.figure is not None
    assert picture.figure.bbox_inches.bounds[:2] == (0.0, 0.0)
    assert "<path" in picture.svg()


def test_little_data(sparse: Document, make_lines: MakeLines, tmp_path: Path) -> None:
    pictures = {"gpu0": [Picture("x", "Holds it?", "", "", None, "no day with load")]}
    lines = {"gpu0": make_lines("gpu0", NOT_JUDGED)}
    report_pdf(sparse, pictures, first_lines=lines, path=tmp_path / "report.pdf")
    assert len(boxes((tmp_path / "report.pdf").read_bytes())) >= 3


@pytest.mark.parametrize(
    "text", ["$\\frac{1}{0}$ $x", "<b>&amp;\0\u202e\u05d0\U0001f525\U0001f9ca", "y" * 10_000, "=1+1"]
)
def test_foreign_text_is_text(document: Document, make_lines: MakeLines, tmp_path: Path, text: str) -> None:
    document["machine"]["name"] = text
    document["messages"][0]["subject"] = text
    document["entries"][0]["cost"][0]["currency"] = text
    document["paths"][1]["evidence"] = [f"{text}: {text}"]
    lines = {name: make_lines(name) for name in ("cpu0", "gpu0")}
    report_pdf(document, {}, first_lines=lines, path=tmp_path / "report.pdf")
    assert len(boxes((tmp_path / "report.pdf").read_bytes())) < 12


def test_long_text_goes_on_on_the_next_sheet(tmp_path: Path) -> None:
    with Sheets(tmp_path / "long.pdf", foot="foot", title="title") as sheets:
        sheets.text("word " * 2500)
    assert len(boxes((tmp_path / "long.pdf").read_bytes())) >= 3
