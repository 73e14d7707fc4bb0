"""Sheets of A4 that are filled from top to bottom with text and drawings, without the state of pyplot."""

from __future__ import annotations

import textwrap
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from matplotlib import rc_context
from matplotlib.artist import Artist
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont
from matplotlib.ft2font import FT2Font

from ..pictures.picture import FAINT, INK, PAPER, RC

A4_IN = (8.27, 11.69)
MARGIN_IN, FOOT_IN = 0.53, 0.6
WIDTH_IN = A4_IN[0] - 2 * MARGIN_IN
POINTS_PER_IN = 72.0
# Whole fonts, so that the text can be searched and copied; the file asks for it at its beginning and end.
PDF_RC: Any = {**RC, "pdf.fonttype": 42}
LACKING = "\N{WHITE SQUARE}"
LINE = 1.35  # of the size of the letters
# Mean width of a letter of DejaVu Sans over its size, a little on the wide side so that no line runs out.
LETTER, FIXED_LETTER = 0.56, 0.603


class Sheets:
    """Writes a PDF sheet by sheet; to be used with ``with``.

    Parameters
    ----------
    path
        Of the file, which is replaced.
    foot
        Stands at the foot of each sheet, beside its number.
    title
        Of the document.
    """

    def __init__(self, path: Path, *, foot: str, title: str) -> None:
        with rc_context(PDF_RC):
            self._pages: Any = PdfPages(
                path, metadata={"Title": title, "Creator": "heatdrift", "CreationDate": None}
            )
        self._foot = foot
        self._number = 0
        self._sheet: Figure | None = None
        self._left_in = 0.0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._finish()
        with rc_context(PDF_RC):
            self._pages.close()

    def text(
        self,
        said: str,
        *,
        size_pt: float = 10.0,
        color: str = INK,
        is_bold: bool = False,
        indent_in: float = 0.0,
    ) -> None:
        """A paragraph, wrapped; it may go on on the next sheet."""
        room_pt = (WIDTH_IN - indent_in) * POINTS_PER_IN
        letters = int(room_pt / size_pt / (LETTER * (1.08 if is_bold else 1.0)))
        self.lines(
            textwrap.wrap(said, letters) or [""],
            size_pt=size_pt,
            color=color,
            is_bold=is_bold,
            indent_in=indent_in,
        )

    def lines(
        self,
        said: list[str],
        *,
        size_pt: float,
        color: str = INK,
        is_bold: bool = False,
        indent_in: float = 0.0,
        is_fixed: bool = False,
    ) -> None:
        """Lines as they are."""
        height_in = size_pt * LINE / POINTS_PER_IN
        for line in said:
            self._need(height_in)
            assert self._sheet is not None  # a sheet was begun
            self._sheet.text(
                (MARGIN_IN + indent_in) / A4_IN[0],
                self._left_in / A4_IN[1],
                drawable(line),
                fontsize=size_pt,
                color=color,
                fontweight="bold" if is_bold else "normal",
                family="monospace" if is_fixed else "sans-serif",
                va="top",
                parse_math=False,
            )
            self._left_in -= height_in

    def gap(self, height_in: float) -> None:
        """Leave some room, unless a sheet has just begun."""
        if self._sheet is not None:
            self._left_in -= height_in

    def keep(self, height_in: float) -> None:
        """Begin a sheet if less than this is left."""
        if self._sheet is None or self._left_in - height_in < FOOT_IN:
            self.turn()

    def drawing(self, figure: Figure) -> None:
        """A drawing in its own size, as lines, not as dots; the figure is left as it was."""
        height_in = float(figure.get_size_inches()[1])
        self._need(height_in)
        assert self._sheet is not None  # a sheet was begun
        self._left_in -= height_in
        self._sheet.add_artist(_Placed(figure, MARGIN_IN - 0.02, self._left_in))

    def turn(self) -> None:
        """Begin a sheet."""
        self._finish()
        with rc_context(RC):
            self._sheet = Figure(figsize=A4_IN, facecolor=PAPER)
        self._left_in = A4_IN[1] - MARGIN_IN
        self._number += 1

    def _need(self, height_in: float) -> None:
        if self._sheet is None or self._left_in - height_in < FOOT_IN:
            self.turn()

    def _finish(self) -> None:
        if self._sheet is None:
            return
        place: dict[str, Any] = {"fontsize": 8.0, "color": FAINT, "va": "bottom", "parse_math": False}
        foot_y = 0.3 / A4_IN[1]
        self._sheet.text(MARGIN_IN / A4_IN[0], foot_y, drawable(self._foot), **place)
        self._sheet.text(1.0 - MARGIN_IN / A4_IN[0], foot_y, f"{self._number}", ha="right", **place)
        with rc_context(PDF_RC):
            self._pages.savefig(self._sheet)
        self._sheet = None


def drawable(text: str) -> str:
    """Text with a box for each character that the fonts lack."""
    known = _characters()
    return "".join(char if ord(char) in known else LACKING for char in text)


@cache
def _characters() -> frozenset[int]:
    """What both fonts can draw."""
    with rc_context(RC):
        fonts = [FT2Font(findfont(name)) for name in ("DejaVu Sans", "DejaVu Sans Mono")]
    return frozenset.intersection(*(frozenset(font.get_charmap()) for font in fonts))


class _Placed(Artist):
    """A whole figure, drawn somewhere on another one."""

    def __init__(self, figure: Figure, left_in: float, bottom_in: float) -> None:
        super().__init__()
        self._placed = figure
        self._at_in = (left_in, bottom_in)

    def draw(self, renderer: Any) -> None:
        """Draw the figure as if it began there."""
        placed, dpi = self._placed, self._placed.dpi
        width_in, height_in = placed.get_size_inches()
        engine = placed.get_layout_engine()
        with rc_context(RC):
            placed.dpi = POINTS_PER_IN  # what PDF counts in
            placed.draw_without_rendering()  # lays it out in its own place
            placed.set_layout_engine("none")
            placed.bbox_inches.bounds = (*self._at_in, width_in, height_in)
            try:
                placed.draw(renderer)
            finally:
                placed.bbox_inches.bounds = (0.0, 0.0, width_in, height_in)
                placed.set_layout_engine(engine)
                placed.dpi = dpi
        self.stale = False
