"""Figures that come out the same on every machine: our own settings, no screen, no clock.

Only matplotlib's object-oriented surface is used; nothing is registered with a window system.
"""

from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any, Literal, cast

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

__all__ = [
    "DPI",
    "WIDTH_IN",
    "Setting",
    "add_words",
    "bare",
    "drawing",
    "halo",
    "new_figure",
    "one_path",
    "png_bytes",
]

WIDTH_IN = 7.2  # between the margins of an A4 page
DPI = 180
_PACKED = 3  # of 9: the usual 6 takes half as long again for a tenth less
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
    """Render a figure as PNG, without transparency and without the program's name or any date in it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    stream = BytesIO()
    picture = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    picture.save(stream, format="png", dpi=(DPI, DPI), compress_level=_PACKED)
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


@dataclass(frozen=True, slots=True)
class Setting:
    """How words are set at their places: how far away in points, and which part of them is there."""

    away_pt: tuple[float, float] = (0.0, 0.0)
    across: str = "left"  # or "center" or "right"
    down: str = "top"  # or "center" or "bottom"
    colour: str = INK
    is_slanted: bool = False
    is_clipped: bool = True
    gid: str = "words"


def add_words(
    axes: "Axes", places: "Grid", words: "Sequence[str]", size_pt: "Grid", look: Setting = Setting()
) -> None:
    """Write many short words at `places` (n, 2), below and right of them unless `look` has another setting.

    A text object for each would take most of the time of a page with hundreds of names. The artist's label
    has all of them.
    """
    from matplotlib.artist import Artist
    from matplotlib.font_manager import FontProperties

    before = {"left": 0.0, "center": 0.5, "right": 1.0}[look.across]
    below = {"top": 1.0, "center": 0.5, "bottom": 0.0}[look.down]
    style: Literal["italic", "normal"] = "italic" if look.is_slanted else "normal"

    class Words(Artist):
        def __init__(self, **properties: str) -> None:
            super().__init__()
            self.set(**properties)

        def draw(self, renderer: "RendererBase") -> None:
            context = renderer.new_gc()
            context.set_foreground(look.colour)
            if look.is_clipped:
                context.set_clip_rectangle(axes.bbox)
            fonts = {size: FontProperties(size=size, style=style) for size in set(size_pt.tolist())}
            per_pt = cast("float", renderer.points_to_pixels(1.0))
            at = axes.transData.transform(places) + per_pt * np.array(look.away_pt)
            for (x, y), word, size in zip(at.tolist(), words, size_pt.tolist(), strict=True):
                ascent = per_pt * _CAPITAL_EM * size
                if before:
                    x -= before * renderer.get_text_width_height_descent(word, fonts[size], ismath=False)[0]
                y -= below * ascent
                if renderer.flipy():
                    y = renderer.get_canvas_width_height()[1] - y
                renderer.draw_text(context, x, y, word, fonts[size], 0)
            context.restore()

    axes.add_artist(Words(gid=look.gid, label=" ".join(words)))


def bare(axes: "Axes") -> None:
    """Take away the frame lines that carry nothing."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
