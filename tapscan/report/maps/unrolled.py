"""Unrolled maps: what was found in a zone, drawn on the sheet that the zone makes when it is laid flat.

Lengths are true to each other: a square on the part is a square on the sheet.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.plan.surfaces import x_mm
from tapscan.report.maps.doubts import mark_doubt
from tapscan.report.maps.edges import Edge, draw_edge, edge_in_mm
from tapscan.report.maps.figures import WIDTH_IN, halo, new_figure
from tapscan.report.maps.layers import KEY_LOOK, draw_colour_key, key_entries
from tapscan.report.maps.palette import CRAYON, HAIRLINE, INK, MUTED, PALE, PAPER, UNREAD_HATCH, colour_map
from tapscan.report.marking.sheets import (
    BETWEEN_IN,
    KEY_HEIGHT_IN,
    LEFT_IN,
    RIGHT_IN,
    Layout,
    Sheet,
    layout_of,
    sheet_of,
    thinned,
    turned,
)
from tapscan.report.marking.tagging import placed
from tapscan.report.words import blocks_of, short_id
from tapscan.screening.results import SKIPPED, SUSPECT, UNREAD

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from tapscan.report.maps.layers import Layer
    from tapscan.screening.results import Indication, Screened

    Grid = NDArray[np.float64]

__all__ = [
    "BOTTOM_IN",
    "CROWDED",
    "CROWDED_PT",
    "LEAST_BESIDE_IN",
    "NUMBER_PT",
    "TOP_IN",
    "Strip",
    "draw_blocks",
    "draw_datum",
    "draw_indications",
    "draw_map",
    "label_edges",
    "place_strip",
    "write_numbers",
]

# Inches above and below the strips, and the least height with the key beside them.
TOP_IN, BOTTOM_IN, LEAST_BESIDE_IN = 0.62, 0.42, 2.45
_SMALLEST_RULED_CELL_IN = 0.05  # below this, lines between cells would hide the cells
_ROOM_FOR_WORDS_IN, CROWDED = 1.2, 30
NUMBER_PT, CROWDED_PT = 8.0, 5.0  # type of the numbers; when more than `CROWDED` would hide each other
_LABEL_ROOM_IN = 0.13
_SIGN_PT = 6.5  # the largest sign of a point


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Some stations of a sheet on one pair of axes; `first` counts from 0, `last` is one past the end."""

    axes: "Axes"
    sheet: Sheet
    first: int
    last: int
    in_per_mm: float

    @property
    def cell_in(self) -> float:
        """The lesser side of a cell on paper."""
        step = float(self.sheet.edge_step_mm[self.first : self.last + 1].min())
        return self.in_per_mm * min(self.sheet.zone.station_pitch_mm, step)


def draw_map(
    screened: "Screened", layer: "Layer", width_in: float = WIDTH_IN, *, with_key: bool = True
) -> "Figure":
    """Draw one zone's map, in several strips one below the other when the zone is long and thin.

    Parts of the picture carry a `gid` (``indication …``, ``unread``, ``suspect``, ``reference``,
    ``datum line``, ``repeated``), so that what a picture holds can be asked of it.
    """
    sheet = sheet_of(screened)
    layout = layout_of(sheet, width_in, with_key=with_key)
    strips_in = len(layout.strips) * (sheet.height_mm * layout.in_per_mm + BETWEEN_IN) - BETWEEN_IN
    height_in = TOP_IN + strips_in + BOTTOM_IN
    if with_key:
        height_in = max(height_in, LEAST_BESIDE_IN) if layout.key_beside else height_in + KEY_HEIGHT_IN
    figure = new_figure(height_in, width_in)
    for number in range(len(layout.strips)):
        strip = place_strip(figure, sheet, layout, number)
        _draw_strip(strip, screened, layer)
        label_edges(strip, is_first=number == 0, is_last=number == len(layout.strips) - 1)
    line_y = 1 - 0.06 / height_in
    title = f"{screened.zone.code}  ·  {layer.title}"
    figure.text(0.02, line_y, title, va="top", fontsize=9, fontweight="bold")
    if with_key:
        view = "unrolled, seen from outside" if sheet.zone.is_tube else "seen from outside"
        figure.text(0.98, line_y, view, ha="right", va="top", color=MUTED)
        _draw_key(figure, screened, layer, layout)
    mark_doubt(figure, screened.doubt)
    return figure


def _draw_key(figure: "Figure", screened: "Screened", layer: "Layer", layout: Layout) -> None:
    """Explain signs and colours, beside the strip where there is room, else below."""
    entries, height_in = key_entries(screened, layer), float(figure.get_size_inches()[1])
    if not layout.key_beside:
        figure.legend(
            handles=entries, loc="lower left", bbox_to_anchor=(0.01, 0.02 / height_in), ncols=2, **KEY_LOOK
        )
        draw_colour_key(figure, layer, (0.62, 0.34 / height_in, 0.33))
        return
    long_in = screened.zone.stations * screened.zone.station_pitch_mm * layout.in_per_mm
    left, top = (LEFT_IN + long_in + RIGHT_IN) / WIDTH_IN, 1 - (TOP_IN - 0.06) / height_in
    figure.legend(handles=entries, loc="upper left", bbox_to_anchor=(left, top), ncols=1, **KEY_LOOK)
    bar_top_in = TOP_IN + 0.16 * len(entries) + 0.25
    draw_colour_key(figure, layer, (left + 0.03, 1 - bar_top_in / height_in, 0.3))


def place_strip(figure: "Figure", sheet: Sheet, layout: Layout, number: int) -> Strip:
    """Make the axes of one strip, in true scale, counted from the top."""
    width_in, height_in = figure.get_size_inches()
    first, last = layout.strips[number]
    long_in = (last - first) * sheet.zone.station_pitch_mm * layout.in_per_mm
    high_in = sheet.height_mm * layout.in_per_mm
    bottom_in = height_in - TOP_IN - number * (high_in + BETWEEN_IN) - high_in
    box = (LEFT_IN / width_in, bottom_in / height_in, long_in / width_in, high_in / height_in)
    return Strip(figure.add_axes(box, gid=f"strip {number + 1}"), sheet, first, last, layout.in_per_mm)


def _draw_strip(strip: Strip, screened: "Screened", layer: "Layer") -> None:
    sheet, axes = strip.sheet, strip.axes
    pitch, widest = sheet.zone.station_pitch_mm, float(sheet.edge_step_mm.max())
    axes.set_xlim(strip.first * pitch, strip.last * pitch)
    axes.set_ylim((sheet.index[-1] + 0.5) * widest, (sheet.index[0] - 0.5) * widest)
    for side in axes.spines.values():
        side.set_visible(False)
    _draw_cells(strip, layer)
    unread = screened.status == UNREAD
    skipped = screened.status == SKIPPED
    empty = ~(unread | skipped) & ~np.isfinite(layer.values)
    draw_blocks(strip, skipped, "skipped", {"facecolor": PAPER, "edgecolor": HAIRLINE, "linewidth": 0.5})
    draw_blocks(
        strip,
        unread,
        "unread",
        {"facecolor": PAPER, "edgecolor": MUTED, "linewidth": 0.4, "hatch": UNREAD_HATCH[screened.method]},
    )
    if layer.read_but_empty:
        draw_blocks(strip, empty, "read but empty", {"facecolor": layer.empty_colour, "edgecolor": "none"})
    _draw_signs(strip, screened)
    draw_datum(strip)
    for text, ring in layer.faint_outlines:
        _draw_faint(strip, np.asarray(ring, dtype=float), text)
    signs = (screened.status == SUSPECT) | unread
    font_pt = CROWDED_PT if len(screened.indications) > CROWDED else NUMBER_PT
    draw_indications(strip, screened.indications, signs, font_pt)


def _parts(sheet: Sheet) -> "list[tuple[NDArray[np.int_], float]]":
    """Rows of the sheet proper, and of what is repeated before and after it, with their opacity."""
    rows, ghost, count = sheet.index, sheet.ghost, sheet.zone.positions
    proper = [(rows[ghost : ghost + count], 1.0)]
    return [*proper, (rows[:ghost], PALE), (rows[ghost + count :], PALE)] if ghost else proper


def _draw_cells(strip: Strip, layer: "Layer") -> None:
    """Fill the cells; the repeated ones paler, so that no one counts them twice."""
    zone, stations = strip.sheet.zone, slice(strip.first, strip.last)
    edge_x = np.arange(strip.first, strip.last + 1) * zone.station_pitch_mm
    step = strip.sheet.edge_step_mm[strip.first : strip.last + 1]
    ruled = strip.cell_in > _SMALLEST_RULED_CELL_IN
    for rows, alpha in _parts(strip.sheet):
        edges = np.append(rows, rows[-1] + 1) - 0.5
        strip.axes.pcolormesh(
            np.broadcast_to(edge_x[:, None], (len(edge_x), len(edges))),
            step[:, None] * edges,
            np.ma.masked_invalid(layer.values[stations][:, rows % zone.positions]),
            cmap=colour_map(layer.ramp, dark_first=layer.dark_first),
            vmin=layer.low,
            vmax=layer.high,
            alpha=alpha,
            edgecolors=PAPER if ruled else "none",
            linewidth=0.4 if ruled else 0,
            gid="cells" if alpha == 1.0 else "repeated",
        )


def draw_blocks(strip: Strip, mask: "NDArray[np.bool_]", gid: str, look: "dict[str, Any]") -> None:
    """Cover the marked points with one look, on the sheet and, paler, where it is repeated.

    All blocks go into one path: hatching them one by one would take a millisecond each.
    """
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    inside = np.zeros_like(mask)
    inside[strip.first : strip.last] = mask[strip.first : strip.last]
    if not inside.any():
        return
    for rows, alpha in _parts(strip.sheet):
        blocks = blocks_of(inside[:, rows % mask.shape[1]])
        if not blocks:
            continue
        corners = strip.sheet.corners_mm(blocks, int(rows[0]))
        codes = np.tile([Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY], len(blocks))
        closed = np.concatenate([corners, corners[:, :1]], axis=1).reshape(-1, 2)
        strip.axes.add_patch(
            PathPatch(
                Path(closed, codes.astype(np.uint8)),
                alpha=1.0 if alpha == 1.0 else 0.5,
                gid=gid if alpha == 1.0 else f"{gid}, repeated",
                **look,
            )
        )


def _draw_signs(strip: Strip, screened: "Screened") -> None:
    """Put the signs of suspect, reference and less certain points on them; on the sheet proper only."""
    size_pt = float(np.clip(0.42 * strip.cell_in * 72, 1.0, _SIGN_PT))
    along = x_mm(screened.zone)
    for gid, mask, marker, fill, edge in (
        ("reference", screened.is_reference, "o", "none", MUTED),
        ("less certain", screened.less_certain, "_", MUTED, MUTED),
        ("suspect", screened.status == SUSPECT, "D", PAPER, INK),
    ):
        station, position = np.nonzero(mask[strip.first : strip.last])
        if not station.size:
            continue
        x = along[station + strip.first, 0]
        colours: dict[str, Any] = (
            {"facecolors": fill, "edgecolors": edge} if marker != "_" else {"color": edge}
        )
        strip.axes.scatter(
            x,
            strip.sheet.step_mm(x) * position,
            s=(0.6 * size_pt) ** 2,
            marker=marker,
            linewidths=min(0.7, size_pt / 6),
            gid=gid,
            zorder=3,
            **colours,
        )


def draw_datum(strip: Strip) -> None:
    """Draw the datum line wherever it shows, and the line where the repeated positions begin."""
    sheet = strip.sheet
    x = np.array([strip.first, strip.last]) * sheet.zone.station_pitch_mm
    step = sheet.edge_step_mm[[strip.first, strip.last]]
    for turn in (0, sheet.zone.positions) if sheet.ghost else (0,):
        strip.axes.plot(
            x, step * turn, color=INK, linewidth=0.9, dashes=(9, 2, 2, 2), gid="datum line", zorder=2.5
        )
    if sheet.ghost:
        for cut in (-0.5, sheet.zone.positions - 0.5):
            strip.axes.plot(x, step * cut, color=MUTED, linewidth=0.7, gid="cut", zorder=2.5, clip_on=False)


@dataclass(frozen=True, slots=True, eq=False)
class _Numbered:
    number: str
    lines: "tuple[Grid, ...]"


def draw_indications(
    strip: Strip, indications: "Sequence[Indication]", signs: "NDArray[np.bool_]", font_pt: float
) -> None:
    """Outline indications wherever they show on the strip, and number each place once.

    Outlines go below the signs of points, and numbers where they cover no point marked in `signs` and no
    other number.
    """
    numbered = [pair for one in indications for pair in _outline(strip, one)]
    zone = strip.sheet.zone
    station, position = np.nonzero(signs[strip.first : strip.last])
    x = x_mm(zone)[station + strip.first, 0]
    rows = [position + turn * zone.positions for turn in ((-1, 0, 1) if zone.is_tube else (0,))]
    places = np.concatenate([np.column_stack([x, strip.sheet.step_mm(x) * row]) for row in rows])
    write_numbers(strip.axes, numbered, places, font_pt, strip.in_per_mm)


def write_numbers(
    axes: "Axes",
    numbered: "Sequence[tuple[Indication, tuple[Grid, ...]]]",
    places: "Grid",
    font_pt: float,
    in_per_unit: float,
) -> None:
    """Write the numbers of outlined indications beside their lines, on none of the `places` (n, 2)."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    edge = np.array([(left, bottom), (right, bottom), (right, top), (left, top), (left, bottom)])
    outlines = [_Numbered(short_id(one), lines) for one, lines in numbered]
    half = _SIGN_PT / 2 / 72 / in_per_unit
    signs = np.hstack([places - half, places + half])
    middles = placed(outlines, font_pt / (25.4 * in_per_unit), signs, np.empty((0, 2)), edge)
    for (one, _), (x, s) in zip(numbered, middles.tolist(), strict=True):
        axes.text(
            x,
            s,
            short_id(one),
            ha="center",
            va="center",
            fontsize=font_pt,
            fontweight="bold",
            color=PAPER,
            bbox={"boxstyle": "round,pad=0.22", "facecolor": CRAYON, "edgecolor": PAPER, "linewidth": 0.8},
            zorder=6,
            gid=f"number {one.id}",
        )


def _outline(strip: Strip, indication: "Indication") -> "Iterator[tuple[Indication, tuple[Grid, ...]]]":
    """Draw one indication's rings; yield what of the first is to be numbered, once for each place."""
    from matplotlib.patches import Polygon

    sheet, axes = strip.sheet, strip.axes
    count = sheet.zone.positions
    x_low, x_high = axes.get_xlim()
    for ring_number, corners in enumerate(indication.outline):
        ring = np.asarray(corners, dtype=float)
        if ring[:, 0].max() <= x_low or ring[:, 0].min() >= x_high:
            continue
        for moved, column in turned(ring, sheet):
            outline = Polygon(
                moved, fill=False, edgecolor=CRAYON, linewidth=1.5, joinstyle="round", zorder=2.7
            )
            outline.set_gid(f"indication {indication.id}")
            outline.set_path_effects(halo(3.4))
            axes.add_patch(outline)
            shown = (column >= -0.5) & (column <= count - 0.5)
            shown &= (ring[:, 0] >= x_low) & (ring[:, 0] <= x_high)
            if ring_number == 0 and shown.any():
                yield indication, (moved[shown],)


def _draw_faint(strip: Strip, ring: "Grid", text: str) -> None:
    """Draw what was outlined before, dashed and thin, wherever it shows, with a word beside it."""
    from matplotlib.patches import Polygon

    for moved, _ in turned(ring, strip.sheet):
        outline = Polygon(moved, fill=False, edgecolor=INK, linewidth=1.0, linestyle=(0, (3, 2)), zorder=2.6)
        outline.set_gid("faint outline")
        outline.set_path_effects(halo(2.4))
        strip.axes.add_patch(outline)
        shoulder = moved[int(np.argmax(moved[:, 0] - moved[:, 1]))]
        if text:
            look = {"boxstyle": "round,pad=0.22", "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.6}
            strip.axes.annotate(
                text, shoulder, (3, 3), textcoords="offset points", bbox=look, zorder=6, annotation_clip=True
            )


def label_edges(strip: Strip, *, is_first: bool, is_last: bool) -> None:
    """Write stations and positions, as written on the part, along two edges, millimetres on the others."""
    axes, sheet, zone = strip.axes, strip.sheet, strip.sheet.zone
    axes.xaxis.set_visible(False)
    axes.yaxis.set_visible(False)
    numbers = thinned(zone.stations, zone.station_pitch_mm * strip.in_per_mm, 0.2)
    shown = [n for n in numbers if strip.first < n <= strip.last]
    at = (np.array(shown) - 0.5) * zone.station_pitch_mm
    title = "station" if is_last else ""
    draw_edge(axes, Edge("bottom", at, tuple(f"{n:02d}" for n in shown), title))
    left = float(sheet.edge_step_mm[strip.first])
    kept = set(thinned(zone.positions, left * strip.in_per_mm, _LABEL_ROOM_IN))
    proper = [row for row in range(zone.positions) if row + 1 in kept]
    # A repeated position gives way where its number would touch position 1 or the last one.
    apart = _LABEL_ROOM_IN / (left * strip.in_per_mm)
    outside = [
        int(row) for row in sheet.index if not 0 <= row < zone.positions and row % zone.positions + 1 in kept
    ]
    rows = proper + [row for row in outside if min(abs(row - other) for other in proper) >= apart]
    names = tuple(f"{row % zone.positions + 1:02d}" for row in rows)
    repeated = np.array([not 0 <= row < zone.positions for row in rows])
    draw_edge(axes, Edge("left", np.array(rows) * left, names, "position", faint=repeated))
    (low, high), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    long_in, high_in = (high - low) * strip.in_per_mm, sheet.height_mm * strip.in_per_mm
    words = "x, mm" if long_in < _ROOM_FOR_WORDS_IN else "x along the part, mm"
    draw_edge(axes, edge_in_mm("top", (low, high), (long_in, 0.34), words if is_first else ""))
    words = "s, mm" if high_in < _ROOM_FOR_WORDS_IN else "s from the datum line, mm"
    draw_edge(axes, edge_in_mm("right", (bottom, top), (high_in, 0.23), words))
