"""Maps over a photo: what was found in a zone of an odd shape, drawn on the picture that it is planned on."""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.pictures import picture_facts, upright
from tapscan.plan.photos.cells import cell_rings, cells_of
from tapscan.plan.photos.scale import to_mm, to_px
from tapscan.plan.surfaces import point_index
from tapscan.report.maps.doubts import mark_doubt
from tapscan.report.maps.figures import WIDTH_IN, halo, new_figure
from tapscan.report.maps.layers import KEY_LOOK, draw_colour_key, key_entries
from tapscan.report.maps.palette import CRAYON, HAIRLINE, INK, MUTED, PAPER, UNREAD_HATCH, colour_map
from tapscan.report.maps.unrolled import CROWDED, CROWDED_PT, NUMBER_PT, draw_map, write_numbers
from tapscan.screening.results import SKIPPED, SUSPECT, UNREAD

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from tapscan.plan.photos.layout import PhotoLayout
    from tapscan.plan.zones import Zone
    from tapscan.report.maps.layers import Layer
    from tapscan.screening.results import Screened

    Grid = NDArray[np.float64]
    Window = tuple[float, float, float, float]

__all__ = ["draw_photo", "draw_photo_map", "name_points", "window_px", "zone_map"]

_TOP_IN, _KEY_IN, _HIGHEST_IN, _SIDE_IN = 0.4, 1.0, 7.0, 0.1
_MARGIN = 0.06  # of the outline's size, shown round it
_MOST_PX = 1800  # of the photo's longer side: beyond the printer's dots
_SIGN_PT = 5.0
_CELLS_ALPHA = 0.55  # the photo shows through


def zone_map(
    screened: "Screened", layer: "Layer", home: "Path", width_in: float = WIDTH_IN, *, with_key: bool = True
) -> "Figure":
    """Draw one zone's map: over its photo where it is planned on one, else on its unrolled sheet."""
    if screened.zone.layout is None:
        return draw_map(screened, layer, width_in, with_key=with_key)
    return draw_photo_map(screened, layer, home, width_in, with_key=with_key)


def draw_photo_map(
    screened: "Screened", layer: "Layer", home: "Path", width_in: float = WIDTH_IN, *, with_key: bool = True
) -> "Figure":
    """Draw one zone's map over its photo in the inspection folder `home`.

    Parts of the picture carry a `gid` (``photo``, ``cells``, ``indication …``, ``unread``, ``suspect``), so
    that what a picture holds can be asked of it.
    """
    zone = screened.zone
    assert zone.layout is not None
    window = window_px(zone.layout)
    wide, high = window[1] - window[0], window[3] - window[2]
    in_per_px = min((width_in - 2 * _SIDE_IN) / wide, _HIGHEST_IN / high)
    key_in = _KEY_IN if with_key else 0.1
    height_in = _TOP_IN + high * in_per_px + key_in
    figure = new_figure(height_in, width_in)
    box = (_SIDE_IN / width_in, key_in / height_in, wide * in_per_px / width_in, high * in_per_px / height_in)
    axes = figure.add_axes(box, gid="picture")
    draw_photo(axes, zone.layout, home, window)
    _draw_cells(axes, screened, layer)
    name_points(axes, zone, in_per_px)
    _draw_signs(axes, screened)
    _draw_outlines(axes, screened, layer, in_per_px)
    line_y = 1 - 0.06 / height_in
    figure.text(0.02, line_y, f"{zone.code}  ·  {layer.title}", va="top", fontsize=9, fontweight="bold")
    if with_key:
        figure.text(0.98, line_y, "over the photo", ha="right", va="top", color=MUTED)
        figure.legend(
            handles=key_entries(screened, layer), loc="lower left", bbox_to_anchor=(0.01, 0.02 / height_in),
            ncols=2, **KEY_LOOK,
        )  # fmt: skip
        draw_colour_key(figure, layer, (0.56, 0.34 / height_in, 0.38))
    mark_doubt(figure, screened.doubt)
    return figure


def window_px(layout: "PhotoLayout") -> "Window":
    """Left, right, top and bottom of what is shown: the outline with a margin."""
    ring = np.array(layout.outline_px)
    low, high = ring.min(axis=0), ring.max(axis=0)
    margin = _MARGIN * float((high - low).max())
    return low[0] - margin, high[0] + margin, low[1] - margin, high[1] + margin


def draw_photo(axes: "Axes", layout: "PhotoLayout", home: "Path", window: "Window") -> None:
    """Show the photo in grey, a little pale, so that colours and signs on it can be read; and the outline."""
    from matplotlib.patches import Polygon

    facts = picture_facts(home / layout.photo, layout.photo)
    grey = upright(home / layout.photo, layout.photo, _MOST_PX).mean(axis=2)
    pale = np.clip(90 + 0.62 * grey, 0, 255).astype(np.uint8)
    extent = (0, facts.width_px, facts.height_px, 0)
    axes.imshow(
        np.repeat(pale[:, :, None], 3, axis=2),
        extent=extent,
        interpolation="antialiased",
        gid="photo",
        zorder=0,
    )
    for hole in layout.holes_px:
        axes.add_patch(Polygon(np.array(hole), facecolor=PAPER, edgecolor="none", gid="hole", zorder=1.5))
    for ring in (layout.outline_px, *layout.holes_px):
        edge = Polygon(
            np.array(ring), fill=False, edgecolor=INK, linewidth=0.9, linestyle=(0, (5, 2)), zorder=2
        )
        edge.set_gid("outline")
        axes.add_patch(edge)
    axes.set_xlim(window[0], window[1])
    axes.set_ylim(window[3], window[2])
    axes.set_xticks([])
    axes.set_yticks([])


def name_points(axes: "Axes", zone: "Zone", in_per_px: float) -> None:
    """Write the names of points below them, as many as there is room for."""
    assert zone.layout is not None
    at = np.array([point.at_px for point in zone.layout.points])
    size_pt = 4.5
    wide_px, high_px = (size_pt / 72 * k / in_per_px for k in (3.4, 1.3))
    written: list[tuple[float, float]] = []
    for point, (x, y) in zip(zone.layout.points, at.tolist(), strict=True):
        if any(abs(x - a) < wide_px and abs(y - b) < high_px for a, b in written):
            continue
        written.append((x, y))
        axes.annotate(
            f"{point.station:02d}-{point.position:02d}", (x, y), (0, -3.5), textcoords="offset points",
            ha="center", va="top", fontsize=size_pt, color=INK, zorder=3.5, path_effects=halo(1.2),
            annotation_clip=True,
        )  # fmt: skip


def _draw_cells(axes: "Axes", screened: "Screened", layer: "Layer") -> None:
    """Fill the points' cells: coloured where there is a value, hatched where unread, empty where skipped."""
    from matplotlib.collections import PolyCollection

    zone = screened.zone
    assert zone.layout is not None
    outline = to_mm(zone.layout, np.array(zone.layout.outline_px))
    rings = [
        to_px(zone.layout, ring) if len(ring) else ring
        for ring in cell_rings(cells_of(zone.layout).at_mm, outline)
    ]
    index = point_index(zone)
    status, values = screened.status.ravel()[index], layer.values.ravel()[index]
    has_value = np.isfinite(values) & ~np.isin(status, (UNREAD, SKIPPED))
    looks: list[tuple[str, Any, dict[str, Any]]] = [
        ("skipped", status == SKIPPED, {"facecolors": "none", "edgecolors": HAIRLINE, "linewidths": 0.5}),
        (
            "unread",
            status == UNREAD,
            {
                "facecolors": PAPER,
                "edgecolors": MUTED,
                "linewidths": 0.4,
                "hatch": UNREAD_HATCH[screened.method],
                "alpha": 0.8,
            },
        ),
    ]
    if layer.read_but_empty:
        empty = ~has_value & ~np.isin(status, (UNREAD, SKIPPED))
        looks.append(("read but empty", empty, {"facecolors": layer.empty_colour, "alpha": _CELLS_ALPHA}))
    for gid, mask, look in looks:
        chosen = [ring for ring, is_in in zip(rings, mask, strict=True) if is_in and len(ring)]
        if chosen:
            axes.add_collection(PolyCollection(chosen, gid=gid, zorder=1, **look))
    chosen = [ring for ring, is_in in zip(rings, has_value, strict=True) if is_in and len(ring)]
    sized = np.array([len(ring) > 0 for ring in rings])
    cells = PolyCollection(
        chosen,
        cmap=colour_map(layer.ramp, dark_first=layer.dark_first),
        alpha=_CELLS_ALPHA,
        edgecolors=PAPER,
        linewidths=0.4,
        gid="cells",
        zorder=1,
    )
    cells.set_array(values[has_value & sized])
    cells.set_clim(layer.low, layer.high)
    axes.add_collection(cells)


def _draw_signs(axes: "Axes", screened: "Screened") -> None:
    zone = screened.zone
    assert zone.layout is not None
    at, index = np.array([point.at_px for point in zone.layout.points]), point_index(zone)
    for gid, mask, marker, fill, edge in (
        ("point", screened.status != SKIPPED, ".", INK, INK),
        ("reference", screened.is_reference, "o", "none", MUTED),
        ("less certain", screened.less_certain, "_", MUTED, MUTED),
        ("suspect", screened.status == SUSPECT, "D", PAPER, INK),
    ):
        chosen = at[mask.ravel()[index]]
        if len(chosen):
            size = 2.0 if gid == "point" else _SIGN_PT**2
            axes.scatter(
                chosen[:, 0],
                chosen[:, 1], s=size, marker=marker, linewidths=0.7, gid=gid, zorder=3, facecolors=fill,
                edgecolors=edge,
            )  # fmt: skip


def _draw_outlines(axes: "Axes", screened: "Screened", layer: "Layer", in_per_px: float) -> None:
    from matplotlib.patches import Polygon

    zone = screened.zone
    assert zone.layout is not None
    for _, ring in layer.faint_outlines:
        faint = Polygon(
            to_px(zone.layout, np.array(ring)), fill=False, edgecolor=INK, linewidth=1.0, zorder=2.6
        )
        faint.set(gid="faint outline", linestyle=(0, (3, 2)), path_effects=halo(2.4))
        axes.add_patch(faint)
    numbered = []
    for one in screened.indications:
        for number, ring in enumerate(one.outline):
            at = to_px(zone.layout, np.array(ring))
            edge = Polygon(at, fill=False, edgecolor=CRAYON, linewidth=1.5, joinstyle="round", zorder=2.7)
            edge.set(gid=f"indication {one.id}", path_effects=halo(3.4))
            axes.add_patch(edge)
            if number == 0:
                numbered.append((one, (at,)))
    signs = np.isin(screened.status.ravel()[point_index(zone)], (SUSPECT, UNREAD))
    places = np.array([point.at_px for point in zone.layout.points])[signs]
    font_pt = CROWDED_PT if len(numbered) > CROWDED else NUMBER_PT
    write_numbers(axes, numbered, places, font_pt, in_per_px)
