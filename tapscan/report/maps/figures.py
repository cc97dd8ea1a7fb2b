"""Figures that come out the same on every machine: our own settings, no screen, no clock.

Only matplotlib's object-oriented surface is used; nothing is registered with a window system.
"""

from contextlib import contextmanager
from io import BytesIO
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from tapscan.report.maps.palette import HAIRLINE, INK, MUTED, PAPER

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.axes import Axes
    from matplotlib.backend_bases import RendererBase
    from matplotlib.figure import Figure
    from matplotlib.path import Path
    from matplotlib.patheffects import AbstractPathEffect
    from numpy.typing import NDArray

    Grid = NDArray[np.float64]

__all__ = ["DPI", "WIDTH_IN", "add_words", "bare", "drawing", "halo", "new_figure", "one_path", "png_bytes"]

WIDTH_IN = 7.2  # between the margins of an A4 page
DPI = 180
_CAPITAL_EM = 0.73  # height of figures and capitals in DejaVu Sans

_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8,
    "axes.titlesize": 8.5,
    "axes.labelsize": 8,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.facecolor": PAPER,
    "figure.facecolor": PAPER,
    "text.color": INK,
    # Nothing in a label is a formula, whatever signs it holds.
    "text.parse_math": False,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "grid.color": HAIRLINE,
    "grid.linewidth": 0.4,
    "legend.fontsize": 8,
    "hatch.color": INK,
    "hatch.linewidth": 0.5,
    "svg.hashsalt": "tapscan",
}


@contextmanager
def drawing() -> "Iterator[None]":
    """Draw inside this, so that nobody's own matplotlib settings change pictures; then they come back."""
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(cast("Any", _STYLE))
        yield


def new_figure(height_in: float, width_in: float = WIDTH_IN) -> "Figure":
    """Return an empty figure as wide as a page's text."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def png_bytes(figure: "Figure") -> bytes:
    """Render a figure as PNG without the program's name or any date in it."""
    stream = BytesIO()
    figure.savefig(stream, format="png", dpi=DPI, metadata={"Software": None})
    return stream.getvalue()


def halo(width_pt: float) -> "list[AbstractPathEffect]":
    """Path effects that set a line or a sign off from what is below it."""
    from matplotlib.patheffects import Normal, Stroke

    return [Stroke(linewidth=width_pt, foreground=PAPER), Normal()]


def one_path(lines: "Sequence[Grid]") -> "Path":
    """Join many lines (n, 2) into one path: drawn one by one they would take most of a page's time."""
    from matplotlib.path import Path

    corners = np.concatenate([np.empty((0, 2)), *lines])
    codes = np.full(len(corners), Path.LINETO)
    codes[np.cumsum([0, *(len(line) for line in lines)])[: len(lines)]] = Path.MOVETO
    return Path(corners, codes)


def add_words(axes: "Axes", places: "Grid", words: "Sequence[str]", size_pt: "Grid") -> None:
    """Write many short words whose upper left corners are at `places` (n, 2), clipped to the axes.

    A text object for each would take most of the time of a page with hundreds of names.
    """
    from matplotlib.artist import Artist
    from matplotlib.font_manager import FontProperties

    class Words(Artist):
        def draw(self, renderer: "RendererBase") -> None:
            context = renderer.new_gc()
            context.set_foreground(INK)
            context.set_clip_rectangle(axes.bbox)
            fonts = {size: FontProperties(size=size) for size in set(size_pt.tolist())}
            at = axes.transData.transform(places)
            for (x, y), word, size in zip(at.tolist(), words, size_pt.tolist(), strict=True):
                ascent = renderer.points_to_pixels(_CAPITAL_EM * size)
                renderer.draw_text(context, x, y - ascent, word, fonts[size], 0)
            context.restore()

    axes.add_artist(Words())


def bare(axes: "Axes") -> None:
    """Take away the frame lines that carry nothing."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
