"""Squares of known size on paper, to cut out and lay beside a cut or on an odd shape for a photo.

Four corners of a square show from where the camera looked, so that lengths in its plane come out right
(`tapscan.cutface.scale`, `tapscan.plan.photos.scale`).
"""

from io import BytesIO
from typing import TYPE_CHECKING, Any

from tapscan.report.maps.figures import drawing
from tapscan.report.maps.palette import INK, MUTED, PAPER
from tapscan.report.marking.sheaf import NO_TRACES, draw_bars, paper_axes
from tapscan.report.marking.tiling import MARGIN_MM, PAPERS, Paper

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["SQUARES_MM", "squares_name", "squares_names", "squares_pdf"]

# Policy: from a wall's thickness to a lug; a square about as large as what is measured gives the least doubt.
SQUARES_MM = (10.0, 10.0, 10.0, 20.0, 20.0, 30.0, 50.0)
_FRAME = 0.1  # of the side: broad enough to be seen, white enough inside to write the size
_EDGE_MM = 3.0  # white paper left round it, so that its corners are seen on dark laminate, too
_NOTES = (
    "Print at 100 % (actual size, never 'fit to page') and measure both bars: 100 mm each, or do not use it.",
    "Cut a square out along the dotted line. Lay it beside the cut, in its plane and not in front or behind.",
    "On an odd shape fix it flat on the face. Then click the four outer corners of the black frame.",
)


def squares_name(paper: Paper) -> str:
    """Name the sheet of squares on this paper.

    Examples
    --------
    >>> squares_names()
    ['scale_squares_A4.pdf', 'scale_squares_Letter.pdf']
    """
    return f"scale_squares_{paper.name}.pdf"


def squares_names() -> list[str]:
    """Name the sheets on all papers."""
    return [squares_name(paper) for paper in PAPERS]


def squares_pdf(paper: Paper) -> bytes:
    """Draw all squares on one page, true to size."""
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.figure import Figure

    stream = BytesIO()
    with drawing():
        figure = Figure(figsize=(paper.width_mm / 25.4, paper.height_mm / 25.4))
        FigureCanvasPdf(figure)
        page = paper_axes(figure, paper, (0.0, 0.0, paper.width_mm, paper.height_mm))
        page.set_xlim(0, paper.width_mm)
        page.set_ylim(paper.height_mm, 0)
        page.text(MARGIN_MM, MARGIN_MM, "Squares for the scale of a photo", fontsize=9, va="top")
        for line, note in enumerate(_NOTES):
            page.text(MARGIN_MM, MARGIN_MM + 5 + 3.4 * line, note, fontsize=6.6, va="top")
        draw_bars(page, paper)
        _draw_squares(page, paper)
        figure.savefig(stream, format="pdf", metadata=NO_TRACES)
    return stream.getvalue()


def _draw_squares(page: "Axes", paper: Paper) -> None:
    """Put the squares in rows below the check bar, each within its cutting line."""
    left, top, width, _ = paper.window_mm
    x = y = 0.0
    row_mm = 0.0
    for side in SQUARES_MM:
        whole = side + 2 * _EDGE_MM
        if x + whole > width:
            x, y, row_mm = 0.0, y + row_mm + 2 * _EDGE_MM, 0.0
        _draw_square(page, left + x + _EDGE_MM, top + 8 + y + _EDGE_MM, side)
        x, row_mm = x + whole + 2 * _EDGE_MM, max(row_mm, whole)


def _draw_square(page: "Axes", x: float, y: float, side: float) -> None:
    from matplotlib.patches import Rectangle

    inner, whole = side * (1 - 2 * _FRAME), side + 2 * _EDGE_MM
    page.add_patch(Rectangle((x, y), side, side, facecolor=INK, linewidth=0, gid=f"square {side:g} mm"))
    at = x + side * _FRAME, y + side * _FRAME
    page.add_patch(Rectangle(at, inner, inner, facecolor=PAPER, linewidth=0))
    edge = x - _EDGE_MM, y - _EDGE_MM
    look: dict[str, Any] = {"fill": False, "edgecolor": MUTED, "linewidth": 0.4, "linestyle": (0, (1, 3))}
    page.add_patch(Rectangle(edge, whole, whole, **look))
    words = f"{side:g} mm" if side < 20 else f"{side:g} mm, outer corners"
    size_pt = 5.0 if side < 30 else 7.0
    words = words.replace(", ", ",\n")
    page.text(x + side / 2, y + side / 2, words, fontsize=size_pt, ha="center", va="center", color=INK)
