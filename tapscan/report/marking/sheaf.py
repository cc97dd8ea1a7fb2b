"""A drawing at true size on a sheaf of sheets: check bars, joining marks and an overview on each of them."""

from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.report.maps.figures import drawing, one_path
from tapscan.report.maps.palette import HAIRLINE, INK, MUTED, PAPER, TINT
from tapscan.report.marking.tiling import MARGIN_MM, OVERLAP_MM, Paper, Tile, Tiling

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    Grid = NDArray[np.float64]

__all__ = ["NO_TRACES", "Sheaf", "draw_bars", "paper_axes", "sheaf_pdf"]

CHECK_MM = 100.0
PHOTO_MM = 20.0  # the thick end of the check bar: the scale in the photo of a cut
_PRINT = (
    "Print at 100 % (actual size, never 'fit to page') and measure both bars: 100 mm each, or do not use it."
)
_OVERVIEW_MM = (36.0, 22.0)
# A PDF keeps neither the time nor the program, so that the same input gives the same bytes.
NO_TRACES: dict[str, Any] = {"CreationDate": None, "Creator": None, "Producer": None}


@dataclass(frozen=True, slots=True, eq=False)
class Sheaf:
    """What is printed: words for the head of every sheet, the shape's edge, and who draws what is in it.

    `draw` is given axes whose data are millimetres of the shape, once for every sheet.
    """

    title: str
    notes: list[str]
    shape: "Grid"
    layout: Tiling
    draw: "Callable[[Axes], None]"


def sheaf_pdf(sheaf: Sheaf) -> bytes:
    """Draw all sheets as one PDF of vectors, true to size."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import PdfPages

    stream = BytesIO()
    # Simplified paths would be allowed to stray by a tenth of a millimetre.
    with (
        drawing(),
        rc_context({"path.simplify": False, "pdf.fonttype": 3}),
        PdfPages(stream, metadata=NO_TRACES) as pages,
    ):
        for tile in sheaf.layout.tiles:
            pages.savefig(_sheet(sheaf, tile))
    return stream.getvalue()


def _sheet(sheaf: Sheaf, tile: Tile) -> "Figure":
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.figure import Figure

    paper = sheaf.layout.paper
    figure = Figure(figsize=(paper.width_mm / 25.4, paper.height_mm / 25.4))
    FigureCanvasPdf(figure)
    left, top, width, height = paper.window_mm
    window = paper_axes(figure, paper, (left, top, width, height))
    window.set_xlim(tile.u_mm, tile.u_mm + width)
    window.set_ylim(tile.v_mm + height, tile.v_mm)
    sheaf.draw(window)
    _draw_joints(window, sheaf.layout, tile)
    page = paper_axes(figure, paper, (0.0, 0.0, paper.width_mm, paper.height_mm))
    page.set_xlim(0, paper.width_mm)
    page.set_ylim(paper.height_mm, 0)
    _draw_head(page, sheaf, tile)
    draw_bars(page, paper)
    _draw_overview(page, sheaf, tile)
    return figure


def paper_axes(figure: "Figure", paper: Paper, box_mm: tuple[float, float, float, float]) -> "Axes":
    """Put bare axes onto a box given from the paper's upper left corner."""
    left, top, width, height = box_mm
    wide, high = paper.width_mm, paper.height_mm
    axes = figure.add_axes((left / wide, 1 - (top + height) / high, width / wide, height / high))
    axes.axis("off")
    return axes


def _draw_head(page: "Axes", sheaf: Sheaf, tile: Tile) -> None:
    layout = sheaf.layout
    place = f"sheet {tile.number} of {len(layout.tiles)}"
    if len(layout.tiles) > 1:
        place += f"  ·  row {tile.row + 1} of {layout.rows}, column {tile.column + 1} of {layout.columns}"
    page.text(MARGIN_MM, MARGIN_MM, f"{sheaf.title}  ·  {place}", fontsize=9, va="top")
    page.text(MARGIN_MM, MARGIN_MM + 4.6, _PRINT, fontsize=6.6, va="top")
    notes = list(sheaf.notes)
    if len(layout.tiles) > 1:
        notes.append("Trim along a dotted line, lay cross on cross (same letters), and tape.")
    for line, note in enumerate(notes):
        page.text(MARGIN_MM, MARGIN_MM + 8.2 + 2.7 * line, note, fontsize=5.6, va="top", color=INK)


def draw_bars(page: "Axes", paper: Paper) -> None:
    """Draw a bar of 100 mm each way, with a tick every 10 mm: a printer may stretch one way only."""
    left, top, _, _ = paper.window_mm
    from matplotlib.patches import PathPatch

    look: dict[str, Any] = {"color": INK, "solid_capstyle": "butt", "gid": "check bar"}
    y, x = top - 4.0, left - 5.0
    page.plot([left, left + CHECK_MM], [y, y], linewidth=0.8, **look)
    page.plot([x, x], [top, top + CHECK_MM], linewidth=0.8, **look)
    ticks = []
    for tick in np.arange(0.0, CHECK_MM + 1, 10.0):
        reach = 2.0 if tick in (0.0, CHECK_MM) else 1.0
        ticks.append(np.array([(left + tick, y - reach), (left + tick, y + reach)]))
        ticks.append(np.array([(x - reach, top + tick), (x + reach, top + tick)]))
    page.add_patch(PathPatch(one_path(ticks), fill=False, edgecolor=INK, linewidth=0.3, gid="check bar tick"))
    look["gid"] = "photo bar"
    page.plot([left, left + PHOTO_MM], [y, y], linewidth=2.2, **look)
    words: dict[str, Any] = {"fontsize": 5.6, "color": INK}
    page.text(left + CHECK_MM + 2, y, "100 mm; thick: 20 mm, for photos of cuts", va="center", **words)
    page.text(x, top + CHECK_MM + 2, "100 mm", rotation=90, ha="center", va="top", **words)


def _draw_joints(window: "Axes", layout: Tiling, tile: Tile) -> None:
    """Draw the marks shared with the neighbours, and the lines on which two sheets meet."""
    _, _, width, height = layout.paper.window_mm
    there = {(other.row, other.column) for other in layout.tiles}
    for row, column in ((0, -1), (0, 1), (-1, 0), (1, 0)):
        if (tile.row + row, tile.column + column) not in there:
            continue
        half = OVERLAP_MM / 2
        look: dict[str, Any] = {"color": MUTED, "linewidth": 0.5, "linestyle": (0, (1, 3)), "gid": "joint"}
        if column:
            window.axvline(tile.u_mm + (half if column < 0 else width - half), **look)
        else:
            window.axhline(tile.v_mm + (half if row < 0 else height - half), **look)
    for mark in layout.marks:
        if tile.number not in (mark.first, mark.second):
            continue
        for du, dv in ((4.0, 0.0), (0.0, 4.0)):
            window.plot(
                [mark.u_mm - du, mark.u_mm + du],
                [mark.v_mm - dv, mark.v_mm + dv],
                color=INK,
                linewidth=0.6,
                gid=f"mark {mark.letter}",
            )
        spots = {"boxstyle": "circle,pad=0.15", "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.4}
        window.text(
            mark.u_mm + 2.6, mark.v_mm - 2.6, mark.letter, fontsize=6, ha="center", va="center", bbox=spots
        )


def _draw_overview(page: "Axes", sheaf: Sheaf, tile: Tile) -> None:
    """Draw the whole shape small, with the windows of all sheets and this one filled."""
    from matplotlib.patches import Polygon, Rectangle

    layout = sheaf.layout
    _, _, width, height = layout.paper.window_mm
    corners = np.array([(other.u_mm, other.v_mm) for other in layout.tiles])
    low = np.minimum(corners.min(axis=0), sheaf.shape.min(axis=0))
    high = np.maximum((corners + np.array([width, height])).max(axis=0), sheaf.shape.max(axis=0))
    scale = float(np.min(np.array(_OVERVIEW_MM) / (high - low)))
    corner = np.array([layout.paper.width_mm - MARGIN_MM - scale * (high - low)[0], MARGIN_MM])
    for other in sorted(layout.tiles, key=lambda one: one.number == tile.number):
        here = other.number == tile.number
        place = corner + scale * (np.array([other.u_mm, other.v_mm]) - low)
        page.add_patch(
            Rectangle(
                (float(place[0]), float(place[1])),
                scale * width,
                scale * height,
                facecolor=TINT if here else "none",
                edgecolor=INK if here else HAIRLINE,
                linewidth=0.8 if here else 0.4,
            )
        )
        u, v = place + scale * np.array([width, height]) / 2
        page.text(u, v, str(other.number), fontsize=5, ha="center", va="center", color=INK if here else MUTED)
    page.add_patch(Polygon(corner + scale * (sheaf.shape - low), fill=False, edgecolor=INK, linewidth=0.5))
