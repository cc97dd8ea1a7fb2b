"""The zone on its round tube, seen from four sides: the map's cells where they are on the part.

Station 1 is at the left and its open end turned a little toward the eye; positions count downward, as on the
map. Parallel projection: nothing far away looks small. A tube bends outward all round, so what faces the eye
is one run of positions, and all else is hidden.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.developed import columns
from tapscan.plan.surfaces import s_mm, x_mm
from tapscan.report.maps.doubts import mark_doubt
from tapscan.report.maps.figures import WIDTH_IN, Setting, add_words, halo, new_figure
from tapscan.report.maps.palette import CRAYON, HAIRLINE, INK, MUTED, PAPER, TINT, UNREAD_HATCH, colour_map
from tapscan.report.maps.unrolled import CROWDED, CROWDED_PT, NUMBER_PT, write_numbers
from tapscan.report.marking.outlining import block_ring, ring_columns, ring_pieces
from tapscan.report.marking.sheets import thinned
from tapscan.report.words import blocks_of
from tapscan.screening.results import SKIPPED, SUSPECT, UNREAD

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone
    from tapscan.report.maps.layers import Layer
    from tapscan.screening.results import Method, Screened

    Grid = NDArray[np.float64]

__all__ = ["View", "draw_round", "swell_of", "view_of"]

_YAW_RAD = np.radians(16.0)
_FINEST_RAD = np.radians(4.0)  # steps in which curved edges are followed
_TOP_IN, _BOTTOM_IN, _BETWEEN_IN, _SIDE_IN = 0.28, 0.55, 0.42, 0.25
_LABEL_ROOM_IN = 0.13
_TALLEST_IN, _THINNEST_IN = 6.2, 0.55  # of all views together; of a tube on paper
_SMALLEST_RULED_CELL_IN = 0.05


@dataclass(frozen=True, slots=True)
class View:
    """One side of a tube: the columns from `low` to `high` face the eye, `facing` most of all.

    `swell` is how many times too thick the tube is drawn; 1 unless it would be a thread.
    """

    zone: "Zone"
    facing: float
    low: float
    high: float
    yaw_rad: float
    swell: float

    def seen_mm(self, x: "Grid", column: "Grid") -> "tuple[Grid, Grid]":
        """Return where places (x_mm, column) are seen: right and up, in mm."""
        turned = 2 * np.pi * (column - self.facing) / self.zone.positions
        radius = _radius_mm(self.zone, np.asarray(x, dtype=float)) * self.swell
        right = np.cos(self.yaw_rad) * x + np.sin(self.yaw_rad) * radius * np.cos(turned)
        return np.asarray(right), np.asarray(-radius * np.sin(turned))


def view_of(zone: "Zone", facing: float, swell: float = 1.0) -> View:
    """Look at a tube from the side where the column `facing` is.

    The normal of a cone of half angle a leans toward its apex by a; the eye sees what leans toward it: where
    cos(yaw)·cos(a)·cos(turn) + sin(yaw)·sin(a) > 0. (Elementary geometry.)

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 12, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 120.0}]').zones[0]
    >>> view = view_of(zone, 3.0)
    >>> view.low, view.high
    (0.0, 6.0)
    """
    length_mm = zone.stations * zone.station_pitch_mm
    ends = _radius_mm(zone, np.array([0.0, length_mm])) * swell
    leaning = float(ends[1] - ends[0]) / length_mm
    # A tube that opens nearly as wide as it is long is looked at square on, or only its inside would show.
    yaw = _YAW_RAD if abs(leaning) < 1 else 0.0
    half_turn = float(np.arccos(-np.tan(yaw) * leaning)) * zone.positions / (2 * np.pi)
    return View(zone, facing, facing - half_turn, facing + half_turn, yaw, swell)


def swell_of(zone: "Zone") -> float:
    """Return how many times too thick a tube is drawn, so that its cells can be distinguished."""
    length_mm = zone.stations * zone.station_pitch_mm
    thick_mm = 2 * float(_radius_mm(zone, np.array([0.0, length_mm])).max())
    thick_in = thick_mm / length_mm * (WIDTH_IN - 2 * _SIDE_IN)
    return max(1.0, _THINNEST_IN / thick_in)


def draw_round(screened: "Screened", layer: "Layer") -> "Figure":
    """Draw a tube from four sides, each a quarter turn on, the datum line in the middle of the first.

    Parts of the picture carry a `gid`, as those of the map do.
    """
    zone = screened.zone
    swell = swell_of(zone)
    views = [view_of(zone, zone.positions * quarter / 4, swell) for quarter in range(4)]
    low, high = _box_mm(views[0])
    across = _views_across(high - low)
    scale = _scale(high - low, across)
    wide_in, high_in = (high - low) * scale
    rows = 4 // across
    height_in = _TOP_IN + rows * (high_in + _BETWEEN_IN) + _BOTTOM_IN
    figure = new_figure(float(height_in))
    for number, view in enumerate(views):
        row, place = divmod(number, across)
        left_in = (place + 0.5) * WIDTH_IN / across - wide_in / 2
        bottom_in = height_in - _TOP_IN - row * (high_in + _BETWEEN_IN) - _BETWEEN_IN - high_in
        box = (left_in / WIDTH_IN, bottom_in / height_in, wide_in / WIDTH_IN, high_in / height_in)
        axes = figure.add_axes(box, gid=f"side {number + 1}")
        axes.axis("off")
        axes.set_xlim(low[0], high[0])
        axes.set_ylim(low[1], high[1])
        _draw_side(axes, view, screened, layer, float(scale))
        _name_side(axes, view, number)
    line_y = 1 - 0.06 / height_in
    title = f"{zone.code}  ·  {layer.title}, on the round part"
    figure.text(0.02, line_y, title, va="top", fontsize=9, fontweight="bold")
    figure.text(0.98, line_y, "station 1 at the left", ha="right", va="top", color=MUTED)
    if swell > 1:
        words = f"drawn {swell:.1f} times too thick for its length, so that the cells can be distinguished"
        figure.text(0.98, line_y - 0.16 / height_in, words, ha="right", va="top", color=MUTED, fontsize=8)
    words = "◇ suspect   ▨ hatched: unread   white: left out on purpose   outlined and numbered: indication"
    figure.text(0.02, 0.12 / height_in, words, va="bottom", fontsize=8)
    mark_doubt(figure, screened.doubt)
    return figure


def _radius_mm(zone: "Zone", x: "Grid") -> "Grid":
    assert zone.girth_start_mm is not None
    assert zone.girth_end_mm is not None
    share = x / (zone.stations * zone.station_pitch_mm)
    girth = zone.girth_start_mm + (zone.girth_end_mm - zone.girth_start_mm) * share
    return np.asarray(girth / (2 * np.pi))


def _box_mm(view: View) -> "tuple[Grid, Grid]":
    """Return the box that holds the tube on paper; all four sides have the same."""
    zone = view.zone
    length_mm = zone.stations * zone.station_pitch_mm
    column = np.linspace(0, zone.positions, 181)
    ends = [np.stack(view.seen_mm(np.full(181, x), column)) for x in (0.0, length_mm)]
    outline = np.hstack(ends)
    return outline.min(axis=1) - 0.01 * length_mm, outline.max(axis=1) + 0.01 * length_mm


def _scale(size_mm: "Grid", across: int) -> float:
    rows = 4 // across
    wide_in = WIDTH_IN / across - 2 * _SIDE_IN
    return min(wide_in / float(size_mm[0]), (_TALLEST_IN / rows - _BETWEEN_IN) / float(size_mm[1]))


def _views_across(size_mm: "Grid") -> int:
    """Choose how many views go side by side: as many as the largest scale allows."""
    return max((1, 2, 4), key=lambda across: (round(_scale(size_mm, across), 9), across))


def _draw_side(axes: "Axes", view: View, screened: "Screened", layer: "Layer", in_per_mm: float) -> None:
    zone = view.zone
    _draw_opening(axes, view)
    edges = _column_edges(view)
    edge_x = np.arange(zone.stations + 1.0) * zone.station_pitch_mm
    right, up = view.seen_mm(edge_x[:, None], edges)
    cell = np.round((edges[:-1] + edges[1:]) / 2).astype(int) % zone.positions
    values = np.ma.masked_invalid(layer.values[:, cell])
    axes.pcolormesh(
        np.broadcast_to(right, up.shape),
        up,
        values,
        cmap=colour_map(layer.ramp, dark_first=layer.dark_first),
        vmin=layer.low,
        vmax=layer.high,
        gid="cells",
    )
    cell_mm = min(zone.station_pitch_mm, float(s_mm(zone)[:, 1].min()) if zone.positions > 1 else np.inf)
    if cell_mm * in_per_mm > _SMALLEST_RULED_CELL_IN:
        _draw_rules(axes, view)
    for word, gid in ((SKIPPED, "skipped"), (UNREAD, "unread")):
        _draw_blocks(axes, view, screened.status == word, gid, screened.method)
    _draw_suspect(axes, view, screened, cell_mm * in_per_mm)
    _draw_rim(axes, view)
    _label_side(axes, view, in_per_mm)
    numbered = []
    for indication in screened.indications:
        for ring in indication.outline:
            for piece in ring_pieces(zone, ring_columns(zone, ring), view.low, view.high):
                line = axes.plot(*_followed(view, piece), color=CRAYON, linewidth=1.3, zorder=3.5)[0]
                line.set_path_effects(halo(2.8))
                line.set_gid(f"indication {indication.id}")
        first = ring_columns(zone, indication.outline[0])
        pieces = ring_pieces(zone, first, view.low, view.high)
        if pieces:
            numbered.append((indication, tuple(np.column_stack(_followed(view, piece)) for piece in pieces)))
    signs = (screened.status == SUSPECT) | (screened.status == UNREAD)
    font_pt = CROWDED_PT if len(screened.indications) > CROWDED else NUMBER_PT
    write_numbers(axes, numbered, np.column_stack(_facing(view, signs)), font_pt, in_per_mm)


def _column_edges(view: View) -> "Grid":
    """Return edges of cells and steps between them, as far as they face the eye."""
    zone = view.zone
    step = _FINEST_RAD * zone.positions / (2 * np.pi)
    between = np.linspace(view.low, view.high, int(np.ceil((view.high - view.low) / step)) + 1)
    cells = np.arange(np.floor(view.low), np.ceil(view.high) + 1) - 0.5
    return np.unique(np.concatenate([between, cells[(cells > view.low) & (cells < view.high)]]))


def _draw_opening(axes: "Axes", view: View) -> None:
    """Draw the open end: quiet, since nothing was inspected inside."""
    column = np.linspace(0, view.zone.positions, 181)
    right, up = view.seen_mm(np.zeros(181), column)
    axes.fill(right, up, facecolor=TINT, edgecolor=MUTED, linewidth=0.6, gid="open end")


def _draw_rules(axes: "Axes", view: View) -> None:
    """Draw the lines between cells."""
    from matplotlib.collections import LineCollection

    zone = view.zone
    length_mm = zone.stations * zone.station_pitch_mm
    edges = _column_edges(view)
    lines = [
        np.column_stack(view.seen_mm(np.full(edges.size, i * zone.station_pitch_mm), edges))
        for i in range(1, zone.stations)
    ]
    cells = np.arange(np.ceil(view.low + 0.5), view.high + 0.5) - 0.5
    ends = np.array([0.0, length_mm])
    lines += [np.column_stack(view.seen_mm(ends, np.full(2, column))) for column in cells]
    axes.add_collection(LineCollection(lines, colors=PAPER, linewidths=0.4, gid="cell edges"), autolim=False)


def _followed(view: View, path: "Grid") -> "tuple[Grid, Grid]":
    """Project a path (x_mm, column) of straight sides, following the surface in steps."""
    step = _FINEST_RAD * view.zone.positions / (2 * np.pi)
    count = np.maximum(1, np.ceil(np.abs(np.diff(path[:, 1])) / step)).astype(int)
    at = np.concatenate([i + np.arange(n) / n for i, n in enumerate(count)] + [np.array([float(len(count))])])
    corner = np.arange(len(path))
    return view.seen_mm(np.interp(at, corner, path[:, 0]), np.interp(at, corner, path[:, 1]))


def _draw_blocks(axes: "Axes", view: View, mask: "NDArray[np.bool_]", gid: str, method: "Method") -> None:
    """Cover marked cells that face the eye: hatched when unread, left white when skipped."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    zone = view.zone
    seen = []
    for block in blocks_of(mask):
        x, column = block_ring(zone, block).T
        for turn in (-1, 0, 1):
            across = np.clip(column + turn * zone.positions, view.low, view.high)
            if np.ptp(across) > 1e-9:
                corners = np.column_stack(_followed(view, np.column_stack([x, across])))
                seen.append(Path(corners, closed=True))
    if not seen:
        return
    hatch = UNREAD_HATCH[method] if gid == "unread" else None
    axes.add_patch(
        PathPatch(
            Path.make_compound_path(*seen),
            facecolor=PAPER,
            edgecolor=MUTED if hatch else HAIRLINE,
            linewidth=0.4,
            hatch=hatch,
            gid=gid,
        )
    )


def _draw_suspect(axes: "Axes", view: View, screened: "Screened", cell_in: float) -> None:
    right, up = _facing(view, screened.status == SUSPECT)
    size_pt = float(np.clip(0.3 * cell_in * 72, 1.0, 5.0))
    axes.scatter(
        right,
        up,
        s=size_pt**2,
        marker="D",
        facecolors=PAPER,
        edgecolors=INK,
        linewidths=min(0.7, size_pt / 6),
        gid="suspect",
        zorder=4,
    )


def _facing(view: View, mask: "NDArray[np.bool_]") -> "tuple[Grid, Grid]":
    """Return where the marked points are seen, of those that face the eye."""
    zone = view.zone
    x, column = x_mm(zone)[mask], columns(zone, x_mm(zone), s_mm(zone))[mask]
    away = (column - view.facing + zone.positions / 2) % zone.positions - zone.positions / 2
    # A sign at the very rim would hang over it.
    shown = np.abs(away) < 0.93 * (view.high - view.facing)
    return view.seen_mm(x[shown], view.facing + away[shown])


def _label_side(axes: "Axes", view: View, in_per_mm: float) -> None:
    """Write positions along the far end and stations below, as on the map."""
    zone = view.zone
    length_mm = zone.stations * zone.station_pitch_mm
    names: list[str] = []
    places: list[Grid] = []
    for column in np.arange(np.ceil(view.low + 0.4), view.high - 0.4 + 1e-9):
        at = np.array(view.seen_mm(np.array(length_mm), np.array(column)))
        if not places or abs(at[1] - places[-1][1]) * in_per_mm >= _LABEL_ROOM_IN:
            names.append(f"{round(column) % zone.positions + 1:02d}")
            places.append(at)
    size_pt = np.full(len(names), 8.0)
    look = Setting(away_pt=(3, 0), down="center", is_clipped=False, gid="position")
    add_words(axes, np.array(places).reshape(-1, 2), names, size_pt, look)
    stations = thinned(zone.stations, zone.station_pitch_mm * in_per_mm, 0.25)
    x = (np.array(stations) - 0.5) * zone.station_pitch_mm
    below = np.column_stack(view.seen_mm(x, np.full(len(x), view.high)))
    look = Setting(away_pt=(0, -4.5), across="center", is_clipped=False, gid="station")
    add_words(axes, below, [f"{n:02d}" for n in stations], np.full(len(x), 8.0), look)


def _draw_rim(axes: "Axes", view: View) -> None:
    """Draw the tube's outline, and the datum line where it faces the eye."""
    zone = view.zone
    length_mm = zone.stations * zone.station_pitch_mm
    ends = np.array([0.0, length_mm])
    for column in (view.low, view.high):
        axes.plot(*view.seen_mm(ends, np.full(2, column)), color=MUTED, linewidth=0.6, gid="rim")
    around = np.linspace(view.low, view.high, 91)
    for x in ends:
        axes.plot(*view.seen_mm(np.full(91, x), around), color=MUTED, linewidth=0.6, gid="rim")
    for datum in (0.0, float(zone.positions)):
        if view.low < datum < view.high:
            right, up = view.seen_mm(ends, np.full(2, datum))
            axes.plot(right, up, color=INK, linewidth=0.9, dashes=(9, 2, 2, 2), gid="datum line", zorder=3)


def _name_side(axes: "Axes", view: View, number: int) -> None:
    """Say which position faces the eye."""
    facing = round(view.facing) % view.zone.positions + 1
    words = ("datum line in front", "a quarter turn on", "half a turn on", "three quarters of a turn on")[
        number
    ]
    axes.text(
        0.5,
        1.0,
        f"{words}, position {facing:02d} facing",
        transform=axes.transAxes,
        ha="center",
        va="bottom",
        fontsize=8,
        color=INK,
    )
