"""Along each cut line: what had been called above, what was found below, to scale."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.surfaces import s_mm, x_mm
from tapscan.report import words
from tapscan.report.maps.figures import WIDTH_IN, new_figure, png_bytes
from tapscan.report.maps.palette import ACCENT, CRAYON, HAIRLINE, INK, MUTED
from tapscan.report.pictures import Picture
from tapscan.sectioning.findings.recorded import FROM_CUTTING, NOT_CUT, SEPARATIONS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from tapscan.sectioning.outcomes import Compared

    Grid = NDArray[np.float64]
    Mask = NDArray[np.bool_]

__all__ = ["CutLine", "cut_lines", "draw_cut_lines", "strips_picture"]

_ROW_IN, _EDGE_IN = 0.62, 0.45
_MOST_LINES = 12  # policy: more of them would not be read; the drawing of the zone holds all


@dataclass(frozen=True, slots=True, eq=False)
class CutLine:
    """One cut along a station or a position: middles of its points in mm, their pitch, and what is there.

    `called`, `found`, `cut` have shape (n,): in an indication, a separation on the cut, known from the cut.
    """

    name: str
    along_mm: "Grid"
    pitch_mm: float
    called: "Mask"
    found: "Mask"
    cut: "Mask"

    @property
    def called_mm(self) -> float:
        """Length along the line that had been called, of what was cut."""
        return float(np.count_nonzero(self.called & self.cut) * self.pitch_mm)

    @property
    def found_mm(self) -> float:
        """Length along the line at which a separation was found."""
        return float(np.count_nonzero(self.found) * self.pitch_mm)


def cut_lines(compared: "Compared") -> tuple[CutLine, ...]:
    """List the stations and positions that were cut at every point, and were called or show a separation."""
    zone = compared.screened.zone
    cut = ~np.isin(compared.shown, [NOT_CUT, FROM_CUTTING])
    through = compared.shown != NOT_CUT
    found = np.isin(compared.shown, list(SEPARATIONS))
    called = np.zeros(zone.grid_shape, dtype=bool)
    for one in compared.screened.indications:
        for name in one.points:
            _, station, position = name.split("-")
            called[int(station) - 1, int(position) - 1] = True
    lines = []
    for i in np.flatnonzero(through.all(axis=1)):
        along = s_mm(zone)[i]
        pitch = float(along[1] - along[0]) if zone.positions > 1 else float(zone.station_pitch_mm)
        lines.append(CutLine(f"station {i + 1:02d}", along, pitch, called[i], found[i], cut[i]))
    for p in np.flatnonzero(through.all(axis=0)):
        along = x_mm(zone)[:, 0]
        pitch = float(zone.station_pitch_mm)
        lines.append(CutLine(f"position {p + 1:02d}", along, pitch, called[:, p], found[:, p], cut[:, p]))
    return tuple(one for one in lines if one.called.any() or one.found.any())


def strips_picture(compared: "Compared") -> Picture | None:
    """Draw the cut lines of a zone by one method; None without any. Call inside `drawing`."""
    lines = cut_lines(compared)
    if not lines:
        return None
    screened = compared.screened
    each = [f"{one.name}: {one.called_mm:.0f} mm called, {one.found_mm:.0f} mm found" for one in lines]
    alt = f"Along the cuts of zone {screened.zone.code}. {words.joined(each)}."
    more = f" Of {len(lines)} cuts the first {_MOST_LINES} are drawn." if len(lines) > _MOST_LINES else ""
    caption = (
        "Along each cut, to scale: above what had been called, below the separations that were found. "
        f"Crossed out is what the cut itself damaged: not known.{more}"
    )
    name = f"cut_lines_{screened.zone.code}_{screened.method}.png"
    return Picture(name, png_bytes(draw_cut_lines(lines)), alt, caption)


def draw_cut_lines(lines: "Sequence[CutLine]") -> "Figure":
    """Draw cut lines below each other, all to the same scale in mm: called above, found below.

    Parts carry a `gid`: ``called station 07``, ``found station 07``, ``not known station 07``.
    """
    lines = lines[:_MOST_LINES]
    height_in = _ROW_IN * len(lines) + _EDGE_IN
    figure = new_figure(height_in)
    longest = max(float(one.along_mm[-1] - one.along_mm[0]) + one.pitch_mm for one in lines)
    for number, one in enumerate(lines):
        bottom = (height_in - _ROW_IN * (number + 1)) / height_in
        axes = figure.add_axes((1.5 / WIDTH_IN, bottom, 0.98 - 1.5 / WIDTH_IN, 0.9 * _ROW_IN / height_in))
        _draw(axes, one, longest, is_last=number == len(lines) - 1)
    return figure


def _draw(axes: "Axes", line: CutLine, longest_mm: float, *, is_last: bool) -> None:
    start = float(line.along_mm[0]) - line.pitch_mm / 2
    axes.set_xlim(start, start + longest_mm)
    axes.set_ylim(0, 2)
    for side in axes.spines.values():
        side.set_visible(False)
    axes.set_yticks([1.45, 0.55], [f"{line.name}: called", "found"])
    axes.tick_params(axis="y", length=0)
    end = start + len(line.along_mm) * line.pitch_mm
    for height in (1.45, 0.55):
        axes.plot([start, end], [height, height], color=HAIRLINE, linewidth=0.8, zorder=1)
    _bars(axes, line, line.called, 1.2, ("called", CRAYON, ""))
    _bars(axes, line, line.found, 0.3, ("found", ACCENT, "||||"))
    _bars(axes, line, ~line.cut, 0.3, ("not known", MUTED, "xx"))
    if is_last:
        axes.set_xlabel("mm along the cut")
    else:
        axes.set_xticks([])
    axes.tick_params(axis="x", labelcolor=INK)


def _bars(axes: "Axes", line: CutLine, mask: "Mask", low: float, look: tuple[str, str, str]) -> None:
    name, colour, hatch = look
    runs = [(float(at) - line.pitch_mm / 2, line.pitch_mm) for at in line.along_mm[mask]]
    if not runs:
        return
    face = colour if not hatch else "none"
    bars = axes.broken_barh(runs, (low, 0.5), facecolor=face, edgecolor=colour, hatch=hatch, linewidth=0.5)
    bars.set_gid(f"{name} {line.name}")
