"""Figures that come out the same on every machine: our own settings, no screen, no clock.

Only matplotlib's object-oriented surface is used; nothing is registered with a window system.
"""

from contextlib import contextmanager
from io import BytesIO
from typing import TYPE_CHECKING, Any, cast

from tapscan.report.palette import HAIRLINE, INK, MUTED, PAPER

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.patheffects import AbstractPathEffect

__all__ = ["DPI", "WIDTH_IN", "bare", "drawing", "halo", "new_figure", "png_bytes"]

WIDTH_IN = 7.2  # between the margins of an A4 page
DPI = 180

_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 7.5,
    "axes.titlesize": 8.5,
    "axes.labelsize": 7.5,
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
    "xtick.labelsize": 7,
    "ytick.labelsize": 7,
    "grid.color": HAIRLINE,
    "grid.linewidth": 0.4,
    "legend.fontsize": 7,
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
    """Path effects that set a line or a sign off from whatever lies below it."""
    from matplotlib.patheffects import Normal, Stroke

    return [Stroke(linewidth=width_pt, foreground=PAPER), Normal()]


def bare(axes: "Axes") -> None:
    """Take away the frame lines that carry nothing."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
