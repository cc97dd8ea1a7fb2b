"""What a failed check of the setup puts on pictures: a band across the head, in which nothing else is."""

import textwrap
from typing import TYPE_CHECKING, Any

from tapscan.report.maps.palette import CRAYON, PAPER

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.figure import Figure

__all__ = ["doubt_sentences", "mark_doubt"]

_LETTER_IN = 0.085  # mean width of bold DejaVu Sans at 8 points
_LINE_IN, _AROUND_IN = 0.15, 0.14


def doubt_sentences(summary: "Mapping[str, Any]") -> list[str]:
    """Say which checks of the setup failed after the work; none where none did."""
    proofs = summary.get("setup", {"proofs": []})["proofs"]
    return [f"{one['doubt']} Do not rely on these maps." for one in proofs if one["doubt"]]


def mark_doubt(figure: "Figure", doubt: str) -> None:
    """Make a finished picture higher by a band at its head, and write there why it is in doubt.

    Without a doubt nothing changes.
    """
    if not doubt:
        return
    width_in, height_in = figure.get_size_inches()
    lines = textwrap.wrap(doubt, max(int((width_in - 0.3) / _LETTER_IN), 12))
    band_in = len(lines) * _LINE_IN + _AROUND_IN
    share = height_in / (height_in + band_in)
    legends = [
        (legend, legend.get_bbox_to_anchor().transformed(figure.transFigure.inverted()))
        for legend in figure.legends
    ]
    figure.set_size_inches(width_in, height_in + band_in)
    for axes in figure.axes:
        box = axes.get_position(original=True)
        axes.set_position((box.x0, box.y0 * share, box.width, box.height * share))
    for text in figure.texts:
        text.set_y(text.get_position()[1] * share)
    for legend, box in legends:
        legend.set_bbox_to_anchor(
            (box.x0, box.y0 * share, box.width, box.height * share), transform=figure.transFigure
        )
    look = {"facecolor": PAPER, "edgecolor": CRAYON, "linewidth": 1.2, "pad": 2.5}
    figure.text(
        0.5,
        1 - band_in / 2 / (height_in + band_in),
        "\n".join(lines),
        ha="center",
        va="center",
        fontsize=8,
        color=CRAYON,
        fontweight="bold",
        bbox=look,
        gid="in doubt",
    )
