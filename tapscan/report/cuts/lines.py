"""The planned cuts, numbered in the order of their worth, drawn on the map that they were planned from."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.photos.scale import to_px
from tapscan.records.writing import write_bytes
from tapscan.report.maps.figures import drawing, halo, png_bytes
from tapscan.report.maps.layers import score_layer
from tapscan.report.maps.palette import ACCENT, PAPER
from tapscan.report.maps.photo_maps import zone_map
from tapscan.report.marking.sheets import sheet_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from tapscan.report.marking.sheets import Sheet
    from tapscan.screening.results import Screened
    from tapscan.sectioning.cuts import PlannedCut

__all__ = ["draw_cuts", "write_cuts"]


def write_cuts(
    screened: "Sequence[Screened]", cuts: "Sequence[PlannedCut]", folder: Path, home: Path
) -> list[Path]:
    """Write one picture for each zone that has cuts, on the map of its first method; return their paths.

    Photos of zones are read from the inspection folder `home`.

    Raises
    ------
    OSError
        When the folder may not be written.
    """
    written = []
    with drawing():
        for code in dict.fromkeys(cut.zone for cut in cuts):
            first = next(one for one in screened if one.zone.code == code)
            path = folder / f"cuts_{code}.png"
            write_bytes(path, png_bytes(draw_cuts(first, [cut for cut in cuts if cut.zone == code], home)))
            written.append(path)
    return written


def draw_cuts(screened: "Screened", cuts: "Sequence[PlannedCut]", home: Path) -> "Figure":
    """Draw a zone's map with its cuts; each line carries a `gid` (``cut 1``, …)."""
    layer = replace(score_layer(screened), title="planned cuts, dashed, best first")
    figure = zone_map(screened, layer, home)
    if screened.zone.layout is not None:
        picture = next(axes for axes in figure.axes if axes.get_gid() == "picture")
        for number, cut in enumerate(cuts, 1):
            ends = to_px(screened.zone.layout, np.array(cut.ends_mm).reshape(2, 2))
            _draw_line(picture, ends[:, 0], ends[:, 1], number, _off_end(*ends))
        return figure
    sheet = sheet_of(screened)
    for axes in figure.axes:
        if str(axes.get_gid()).startswith("strip"):
            for number, cut in enumerate(cuts, 1):
                _draw_cut(axes, sheet, cut, number)
    return figure


def _draw_cut(axes: "Axes", sheet: "Sheet", cut: "PlannedCut", number: int) -> None:
    """Draw one cut right across the sheet proper, where the strip holds it, with its number at its end."""
    zone = sheet.zone
    x_low, x_high = axes.get_xlim()
    if cut.station is not None:
        x = np.full(2, (cut.station - 0.5) * zone.station_pitch_mm)
        if not x_low < x[0] < x_high:
            return
        column = np.array([-0.5, zone.positions - 0.5])
        s = sheet.step_mm(x) * column
    else:
        assert cut.position is not None
        x = np.array([x_low, x_high])
        s = sheet.step_mm(x) * (cut.position - 1)
    # The number is kept off the labels along the edge.
    _draw_line(axes, x, s, number, (0, 9) if cut.station is not None else (-9, 0))


def _off_end(start: "NDArray[np.float64]", end: "NDArray[np.float64]") -> tuple[float, float]:
    """How far the number is from the end of a line over a photo, in points: beyond it."""
    way = (end - start) / np.linalg.norm(end - start)
    return 9 * float(way[0]), -9 * float(way[1])


def _draw_line(
    axes: "Axes",
    x: "NDArray[np.float64]",
    s: "NDArray[np.float64]",
    number: int,
    off_pt: tuple[float, float],
) -> None:
    (line,) = axes.plot(x, s, color=ACCENT, linewidth=1.8, dashes=(2.5, 1.2), zorder=7, gid=f"cut {number}")
    line.set_path_effects(halo(3.4))
    axes.annotate(
        str(number),
        (float(x[-1]), float(s[-1])),
        xytext=off_pt,
        textcoords="offset points",
        ha="center",
        va="center",
        fontsize=8,
        fontweight="bold",
        color=PAPER,
        bbox={"boxstyle": "circle,pad=0.25", "facecolor": ACCENT, "edgecolor": PAPER, "linewidth": 0.8},
        zorder=8,
        annotation_clip=False,
    )
