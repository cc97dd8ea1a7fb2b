"""The photo on paper: first with its points, after the inspection with outlines, at a stated scale."""

import csv
from io import BytesIO, StringIO
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.photos.cells import cells_of
from tapscan.plan.photos.scale import area_share, mm_per_px, tilt_deg, to_px
from tapscan.plan.points import point_name
from tapscan.report.maps.figures import drawing, halo
from tapscan.report.maps.palette import CRAYON, INK, MUTED, PAPER
from tapscan.report.maps.photo_maps import draw_photo, name_points, window_px
from tapscan.report.marking.tiling import SHEET, on_papers
from tapscan.report.words import mm_text, short_id

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tapscan.plan.photos.layout import PhotoLayout
    from tapscan.plan.zones import Zone
    from tapscan.screening.results import Screened

__all__ = ["outline_table", "photo_pdfs", "scale_sentences", "tilt_sentence"]

# Paper over part, as drawings have them.
RATIOS = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
_MARGIN_MM, _HEAD_MM = 10.0, 26.0


def scale_sentences(layout: "PhotoLayout") -> list[str]:
    """Say how the face is seen: spacing of points, tilt, and what the scale leaves uncertain."""
    cells = cells_of(layout)
    low, high = float(cells.spacing_mm.min()), float(cells.spacing_mm.max())
    apart = f"{mm_text(low)} mm" if high - low < 0.05 else f"{mm_text(low)} to {mm_text(high)} mm"
    lines = [f"Points are {apart} apart; areas are sure to {100 * area_share(layout):.0f} % by the scale."]
    lines.append(tilt_sentence(layout))
    if not cells.is_lattice:
        lines.append(
            "The names form no grid: the baseline of taps is a smooth surface, and A-scans are unread."
        )
    lines.append("Areas are those of a flat face; a curved one has more.")
    return lines


def tilt_sentence(layout: "PhotoLayout") -> str:
    """Say at what angle the face is seen, as far as the scale shows it."""
    tilt = tilt_deg(layout)
    if tilt is None:
        return "The scale does not show a tilt of the face: take the photo square on."
    return f"The face is seen at {tilt:.0f}° from square on."


def photo_pdfs(zone: "Zone", home: "Path", screened: "Sequence[Screened]" = ()) -> dict[str, bytes]:
    """Draw a zone's photo as PDF at the largest usual scale that fits: a file for each paper, by its name."""
    from matplotlib.figure import Figure as NewFigure

    layout = zone.layout
    assert layout is not None
    window = window_px(layout)
    middle = np.array([[(window[0] + window[1]) / 2, (window[2] + window[3]) / 2]])
    part_mm = np.array([window[1] - window[0], window[3] - window[2]]) * float(mm_per_px(layout, middle)[0])
    room = np.array([SHEET.width_mm - 2 * _MARGIN_MM, SHEET.height_mm - 2 * _MARGIN_MM - _HEAD_MM])
    ratio = next((one for one in RATIOS if (part_mm * one <= room).all()), float((room / part_mm).min()))
    with drawing():
        figure = NewFigure(figsize=(SHEET.width_mm / 25.4, SHEET.height_mm / 25.4))
        wide, high = part_mm * ratio
        left, bottom = _MARGIN_MM, SHEET.height_mm - _MARGIN_MM - _HEAD_MM - high
        across, down = SHEET.width_mm, SHEET.height_mm
        box = (left / across, bottom / down, float(wide) / across, float(high) / down)
        axes = figure.add_axes(box, gid="picture")
        draw_photo(axes, layout, home, window)
        _draw_marks(axes, zone, screened, wide / 25.4 / (window[1] - window[0]))
        _write_head(figure, zone, ratio, is_marked=bool(screened))
        kept = BytesIO()
        figure.savefig(kept, format="pdf", metadata={"CreationDate": None, "ModDate": None, "Producer": None})
        return on_papers(kept.getvalue())


def _draw_marks(axes: "Axes", zone: "Zone", screened: "Sequence[Screened]", in_per_px: float) -> None:
    from matplotlib.patches import Polygon

    assert zone.layout is not None
    at = np.array([point.at_px for point in zone.layout.points])
    axes.scatter(at[:, 0], at[:, 1], s=14, marker="+", color=INK, linewidths=0.7, gid="point", zorder=3)
    name_points(axes, zone, in_per_px)
    for one in (indication for part in screened for indication in part.indications):
        for number, ring in enumerate(one.outline):
            corners = to_px(zone.layout, np.array(ring))
            edge = Polygon(corners, fill=False, edgecolor=CRAYON, linewidth=1.6, zorder=4)
            edge.set(gid=f"indication {one.id}", path_effects=halo(3.0))
            axes.add_patch(edge)
            if number == 0:
                x, y = corners[int(np.argmin(corners[:, 1]))]
                look = {"boxstyle": "round,pad=0.2", "facecolor": CRAYON, "edgecolor": PAPER}
                axes.text(
                    x, y, short_id(one), color=PAPER, fontsize=8, fontweight="bold", bbox=look, zorder=6,
                    ha="center", va="center", clip_on=True,
                )  # fmt: skip


def _write_head(figure: "Figure", zone: "Zone", ratio: float, *, is_marked: bool) -> None:
    """Write title, scale and a bar of known length, in mm on the part."""
    high = SHEET.height_mm
    shown = f"{ratio:g} : 1" if ratio >= 1 else f"1 : {1 / ratio:.3g}"
    what = "outlines after the inspection" if is_marked else "the points to mark"
    figure.text(
        _MARGIN_MM / SHEET.width_mm,
        1 - 13 / high,
        f"Zone {zone.code}  ·  {what}",
        fontsize=11,
        fontweight="bold",
    )
    words = f"Scale {shown} in the middle of the picture, when printed at 100 %: the bar is 50 mm on paper."
    figure.text(_MARGIN_MM / SHEET.width_mm, 1 - 18.5 / high, words, color=MUTED)
    bar = figure.add_axes(
        (_MARGIN_MM / SHEET.width_mm, 1 - 24 / high, 50 / SHEET.width_mm, 2.5 / high), gid="check bar"
    )
    bar.set_facecolor(INK)
    bar.set_xticks([])
    bar.set_yticks([])


def outline_table(zone: "Zone", screened: "Sequence[Screened]") -> str:
    """List the corners of every outline as distances from two landmarks, to strike arcs from: a CSV text.

    The landmarks are the two points that are farthest apart.
    """
    layout = zone.layout
    assert layout is not None
    at_mm = cells_of(layout).at_mm
    apart = np.linalg.norm(at_mm[:, None] - at_mm[None], axis=2)
    marks = np.unravel_index(int(np.argmax(apart)), apart.shape)
    names = [_name(zone, layout, int(n)) for n in marks]
    kept = StringIO()
    rows = csv.writer(kept, lineterminator="\n")
    rows.writerow(["indication", "corner", "x_mm", "s_mm", *(f"from_{name}_mm" for name in names)])
    for one in (indication for part in screened for indication in part.indications):
        ring = np.array(one.outline[0])[:-1]
        step = max(len(ring) // _CORNERS, 1)
        for number, corner in enumerate(ring[::step], 1):
            far = [float(np.linalg.norm(corner - at_mm[int(n)])) for n in marks]
            rows.writerow([one.id, number, *(f"{value:.1f}" for value in (*corner, *far))])
    return kept.getvalue()


_CORNERS = 16  # policy: arcs that somebody strikes with a pair of compasses


def _name(zone: "Zone", layout: "PhotoLayout", number: int) -> str:
    point = layout.points[number]
    return point_name(zone.code, point.station, point.position)
