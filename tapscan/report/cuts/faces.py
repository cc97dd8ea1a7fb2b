"""The photo of a cut with what was measured drawn over it."""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.report.maps.figures import WIDTH_IN, halo, new_figure, png_bytes
from tapscan.report.maps.palette import CRAYON, INK, PAPER
from tapscan.report.pictures import Picture
from tapscan.sectioning.cut_photos import measured_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tapscan.sectioning.cut_photos import CutPhoto
    from tapscan.sectioning.measured import Mark

__all__ = ["draw_cut_face", "face_lines", "face_picture", "stem_of"]

_MOST_WIDE_PX = 1400
_DASHED = (0, (4, 2))


def face_picture(photo: "CutPhoto") -> Picture:
    """Draw one photo for the page; call inside `drawing`."""
    name = f"cut_{stem_of(photo.marked.photo)}.png"
    lines = " ".join(face_lines(photo))
    alt = f"Photo {photo.marked.photo} of a cut with what was measured drawn over it. {lines}"
    caption = (
        "Numbers are those of the list. Dashed is a proposal by the computer that nobody has accepted. "
        "The short line with its length is the scale."
    )
    return Picture(name, png_bytes(draw_cut_face(photo)), alt, caption)


def stem_of(photo: str) -> str:
    """Give a photo's name as a part of file names.

    Examples
    --------
    >>> stem_of("photos/cut 7.jpg")
    'cut-7'
    """
    stem = photo.rpartition("/")[2].rpartition(".")[0]
    return "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in stem)


def face_lines(photo: "CutPhoto") -> list[str]:
    """Say what each mark measures, in the order of their numbers on the picture."""
    lines = []
    for number, (mark, result) in enumerate(zip(photo.marked.marks, photo.results, strict=True), start=1):
        where = f" at {mark.where}" if mark.where else ""
        state = " (proposed by the computer, not accepted)" if mark.state == "proposed" else ""
        note = f" {mark.note}" if mark.note else ""
        lines.append(f"{number}. {mark.words}{where}{state}: {', '.join(measured_words(result))}.{note}")
    return lines


def draw_cut_face(photo: "CutPhoto") -> "Figure":
    """Draw the photo, its scale, the outer surface, the region and the marks, numbered.

    Marks carry a `gid`: ``mark 1``, ``scale``, ``outer surface``, ``region``.
    """
    rows, columns = photo.grey.shape
    figure = new_figure(min(WIDTH_IN * rows / columns, 1.4 * WIDTH_IN))
    axes = figure.add_axes((0, 0, 1, 1))
    step = max(columns // _MOST_WIDE_PX, 1)
    axes.imshow(
        photo.grey[::step, ::step],
        cmap="gray",
        vmin=0,
        vmax=255,
        extent=(-0.5, columns - 0.5, rows - 0.5, -0.5),
    )
    axes.set_axis_off()
    marked = photo.marked
    scale = marked.scale.points_px
    _line(axes, scale, "scale", INK, is_closed=len(scale) == 4)
    _word(axes, scale[0], f"{marked.scale.length_mm:g} mm", INK)
    if marked.surface_px:
        _line(axes, marked.surface_px, "outer surface", INK)
        _word(axes, marked.surface_px[0], "outer surface", INK)
    if marked.region_px:
        _line(axes, marked.region_px, "region", INK, is_closed=True)
    for number, mark in enumerate(marked.marks, start=1):
        _mark(axes, number, mark)
    axes.set_xlim(-0.5, columns - 0.5)
    axes.set_ylim(rows - 0.5, -0.5)
    return figure


def _mark(axes: "Axes", number: int, mark: "Mark") -> None:
    is_closed = mark.kind in ("void", "planar void", "resin pool")
    for places in mark.px:
        _line(axes, places, f"mark {number}", CRAYON, is_closed=is_closed, is_dashed=mark.state == "proposed")
    if mark.px:
        _word(axes, mark.px[0][0], str(number), CRAYON)


def _line(
    axes: "Axes",
    places: "tuple[tuple[float, float], ...]",
    gid: str,
    colour: str,
    *,
    is_closed: bool = False,
    is_dashed: bool = False,
) -> None:
    spots = np.array(places + (places[:1] if is_closed else ()))
    style = _DASHED if is_dashed else "-"
    (line,) = axes.plot(spots[:, 0], spots[:, 1], color=colour, linewidth=1.1, linestyle=style, gid=gid)
    line.set_path_effects(halo(2.4))


def _word(axes: "Axes", place: tuple[float, float], words: str, colour: str) -> None:
    axes.annotate(
        words,
        place,
        xytext=(3, 4),
        textcoords="offset points",
        fontsize=8,
        fontweight="bold",
        color=colour,
        bbox={"boxstyle": "round,pad=0.15", "facecolor": PAPER, "edgecolor": colour, "linewidth": 0.6},
        annotation_clip=True,
    )
