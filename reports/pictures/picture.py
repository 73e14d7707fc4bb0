"""What every picture has in common: size, colours that follow the page's theme, and words for who cannot see.

Colours are written into the drawing as CSS variables with a fallback, so that one drawing serves the light
page, the dark one and print.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from html import escape
from typing import Any

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG, RendererSVG
from matplotlib.figure import Figure

WIDTH_IN, HEIGHT_IN = 7.2, 3.0
POINTS_PER_IN = 72
# Stand-ins of the page's colours; print and PDF show these. Blue and orange stay apart under every common
# colour blindness, and nothing is told by colour alone.
INTERFACE, AIRFLOW, FAN, NOW = "#0b5c8a", "#c25a00", "#5b4a8a", "#101418"
THEN, BAND, GRID, INK, FAINT, ALARM = "#7b8a94", "#dfe7ec", "#e3e8ec", "#1b2228", "#5a666f", "#a8123a"
PAPER = "#fefefe"
VARIABLES = {
    INTERFACE: "interface",
    AIRFLOW: "airflow",
    FAN: "fan",
    NOW: "now",
    THEN: "then",
    BAND: "band",
    GRID: "grid",
    INK: "ink",
    FAINT: "faint",
    ALARM: "alarm",
    PAPER: "paper",
}
RC: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "heatdrift",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.titlesize": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "text.color": INK,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "lines.linewidth": 1.6,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
}


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of a report.

    Attributes
    ----------
    key
        Unique on its page, letters, digits and hyphens: ``gpu0-resistance``.
    title
        The finding or the question, in a few words.
    window
        Which data it shows: ``1 March to 31 March 2026, 28 days with load``.
    description
        What there is to be seen, in words, for who cannot see it.
    figure
        The drawing; None where there is nothing to draw, and ``missing`` says why.
    missing
        Why there is no drawing and what would bring it.
    """

    key: str
    title: str
    window: str
    description: str
    figure: Figure | None
    missing: str = ""

    def svg(self) -> str:
        """The drawing as an element of a page; empty where there is none."""
        return "" if self.figure is None else svg_of(self.figure, self.key, self.title, self.description)


def new_figure(
    n_rows: int = 1, *, height_in: float = HEIGHT_IN, n_columns: int = 1
) -> tuple[Figure, list[Axes]]:
    """An empty drawing in our style, and its axes, row by row."""
    with rc_context(RC):
        figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
        axes = figure.subplots(n_rows, n_columns, squeeze=False)
    return figure, [one for row in axes for one in row]


def svg_of(figure: Figure, key: str, title: str, description: str) -> str:
    """A drawing as one ``svg`` element that scales with its page and reads itself out.

    Parameters
    ----------
    figure
        From `new_figure`.
    key
        Goes before every id, so that several drawings may stand on one page.
    title, description
        For who cannot see it; plain text.
    """
    svg = _drawn(figure)
    svg = svg[svg.index("<svg") :]
    head, body = svg.split(">", 1)
    view = re.search(r'viewBox="[^"]+"', head)
    assert view is not None  # matplotlib writes one
    # Both would speak to the whole page.
    body = re.sub(r"<metadata>.*?</metadata>|<style.*?</style>", "", body, flags=re.DOTALL)
    body = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{key}-", body)
    for color, name in VARIABLES.items():
        body = body.replace(color, f"var(--{name}, {color})")
    opening = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" {view.group()} '
        f'class="picture" role="img" aria-labelledby="{key}-title {key}-desc">'
        f'<title id="{key}-title">{escape(title)}</title><desc id="{key}-desc">{escape(description)}</desc>'
    )
    return opening + body.strip()


class _Canvas(FigureCanvasSVG):
    """Lays out with the renderer that draws: saving would make two more, and measure each text thrice."""

    def __init__(self, figure: Figure, renderer: RendererSVG) -> None:
        super().__init__(figure)
        self._renderer = renderer

    def get_renderer(self) -> RendererSVG:
        return self._renderer


def _drawn(figure: Figure) -> str:
    """A drawing as SVG, as `Figure.savefig` would write it."""
    written = io.StringIO()
    canvas, dpi = figure.canvas, figure.dpi
    with rc_context(RC):
        figure.dpi = POINTS_PER_IN
        width, height = figure.get_size_inches() * POINTS_PER_IN
        made: Any = RendererSVG  # has no types
        renderer = made(width, height, written, metadata={"Date": None, "Creator": None})
        _Canvas(figure, renderer)
        figure.draw(renderer)
        renderer.finalize()
    figure.set_canvas(canvas)
    figure.dpi = dpi
    return written.getvalue()
