"""Wraps: the zone on paper at true size, to lay round the part and mark it through the paper.

Before the inspection a wrap carries the grid with the names of its points, after it the outlines as well. The
printed side faces outward. Like on the maps, station 1 is at the left and positions count downward.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.plan.developed import columns, cut_columns, developed_mm, edge_mm, path_mm, sector
from tapscan.plan.surfaces import block_mask, s_mm, slant, x_mm
from tapscan.report.maps.figures import add_words, one_path
from tapscan.report.maps.palette import CRAYON, HAIRLINE, INK, MUTED, PAPER, UNREAD_HATCH
from tapscan.report.marking.naming import MM_PER_PT, Names, every, names_of, shown, step_mm
from tapscan.report.marking.outlining import Outline, outlines_of, unread_rings
from tapscan.report.marking.sheaf import Sheaf, sheaf_pdf
from tapscan.report.marking.tagging import placed, tag_size_mm
from tapscan.report.marking.tiling import SHEET, on_papers, sheet_count, tiled
from tapscan.report.words import METHOD_NAMES, mm_text
from tapscan.screening.results import SUSPECT, UNREAD

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone
    from tapscan.screening.results import Screened

    Grid = NDArray[np.float64]

__all__ = ["MOST_SHEETS", "Drawn", "lap_mm", "sheets_needed", "wrap_pdfs"]

MOST_SHEETS = 60  # beyond, nobody would join them; the zone is better split
_LAP_MM = 12.0
_ROOM_MM = 6.0  # round the shape, for words
_ARM_MM, _CLOSEST_MM = 1.5, 2.0  # of a point's cross; between marked points
_CROWDED, _ROOM_FOR_TAG_MM = 30, 8.0
_DASHES: dict[str, Any] = {"tap": "solid", "ascan": (0, (5, 1.2))}


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """All that one zone's wrap shows, developed once and drawn on sheet after sheet.

    `lines` are the grid's; `crosses` (n, 2, 2) the arms of the marked points; `names` what is written beside
    them; `holes_mm` (n, 2) the skipped points; `tags_mm` (n, 2) the middles of the outlines' numbers.
    """

    zone: "Zone"
    edge: "Grid"
    lap: "Grid | None"
    lines: "tuple[Grid, ...]"
    crosses: "Grid"
    names: Names
    holes_mm: "Grid"
    screened: "tuple[Screened, ...]"
    outlines: tuple[Outline, ...]
    tags_mm: "Grid"
    tag_pt: float


def sheets_needed(zone: "Zone") -> int:
    """Count the sheets that a zone's wrap takes at most."""
    return sheet_count(SHEET, edge_mm(zone), _ROOM_MM)


def wrap_pdfs(zone: "Zone", screened: "tuple[Screened, ...]" = ()) -> dict[str, bytes]:
    """Draw a zone's wrap as PDF, one page for each sheet: the file for each paper, by the paper's name.

    The same input gives the same bytes.

    Parameters
    ----------
    zone
        The zone, of at most `MOST_SHEETS` sheets; see `sheets_needed`.
    screened
        What was found in the zone, one entry for each method; empty before the inspection.
    """
    drawn = _drawn(zone, screened)
    shape = _with_lap(zone, drawn.lap)
    title = f"Zone {zone.code}  ·  " + ("outlines after the inspection" if screened else "the marked grid")
    sheaf = Sheaf(
        title=title,
        notes=_notes(zone, screened),
        shape=shape,
        layout=tiled(SHEET, shape, _ROOM_MM),
        draw=lambda axes: _draw(axes, drawn),
    )
    return on_papers(sheaf_pdf(sheaf))


def lap_mm(zone: "Zone") -> "Grid | None":
    """Return the corners of the glue lap beyond the last position; None where there is no room for one.

    A panel has none. Nor has a cone so flat that its sector, with the lap, would be more than a disc.
    """
    if not zone.is_tube:
        return None
    assert zone.girth_start_mm is not None
    assert zone.girth_end_mm is not None
    narrowest = min(zone.girth_start_mm, zone.girth_end_mm)
    wide = min(_LAP_MM, narrowest / 4)
    flat = sector(zone)
    if flat is not None and abs(flat.angle_rad) * (1 + wide / narrowest) > 0.98 * 2 * np.pi:
        return None
    length_mm = zone.stations * zone.station_pitch_mm
    start, end = developed_mm(zone, [0.0, length_mm], cut_columns(zone)[1])
    along = (end - start) / np.hypot(*(end - start))
    outward = np.array([-along[1], along[0]])
    slope = along * min(wide, np.hypot(*(end - start)) / 3)
    return np.array([end, end + wide * outward - slope, start + wide * outward + slope, start])


def _with_lap(zone: "Zone", lap: "Grid | None") -> "Grid":
    """Return the closed edge of the paper: the developed surface with its lap."""
    if lap is None:
        return edge_mm(zone)
    low, high = cut_columns(zone)
    length_mm = zone.stations * zone.station_pitch_mm
    there = path_mm(zone, np.array([(0.0, low), (length_mm, low), (length_mm, high)]))
    return np.vstack([there, lap, path_mm(zone, np.array([(0.0, high), (0.0, low)]))])


def _drawn(zone: "Zone", screened: "tuple[Screened, ...]") -> Drawn:
    pitch, narrow = zone.station_pitch_mm * slant(zone), step_mm(zone)
    station, position = every(pitch, _CLOSEST_MM), every(narrow, _CLOSEST_MM)
    marked = np.outer(shown(zone.stations, station), shown(zone.positions, position))
    skipped = block_mask(zone, zone.skip)
    flat = developed_mm(zone, x_mm(zone), columns(zone, x_mm(zone), s_mm(zone)))
    outlines = tuple(outlines_of(screened))
    is_tight = min(pitch, narrow) < _ROOM_FOR_TAG_MM or len(outlines) > _CROWDED
    tag_pt = 6.0 if is_tight else 9.0
    # After the inspection fewer names are needed than room for the numbers of outlines.
    names = names_of(zone, marked, tag_size_mm("T1", tag_pt)[1] if outlines else 0.0)
    return Drawn(
        zone=zone,
        edge=edge_mm(zone),
        lap=lap_mm(zone),
        lines=tuple(_lines(zone, station, position)),
        crosses=_crosses(zone, marked & ~skipped, 0.3 * min(pitch * station, narrow * position)),
        names=names,
        holes_mm=flat[marked & skipped],
        screened=screened,
        outlines=outlines,
        tags_mm=placed(outlines, tag_pt, names.box_mm, flat[marked & ~skipped], edge_mm(zone)),
        tag_pt=tag_pt,
    )


def _lines(zone: "Zone", every_station: int, every_position: int) -> "list[Grid]":
    """Develop the lines through the points, round the girth and along the part."""
    low, high = cut_columns(zone)
    length_mm = zone.stations * zone.station_pitch_mm
    around = x_mm(zone)[shown(zone.stations, every_station), 0]
    along = np.flatnonzero(shown(zone.positions, every_position))[1:]  # the first is the datum line
    return [path_mm(zone, np.array([(x, low), (x, high)])) for x in around] + [
        path_mm(zone, np.array([(0.0, column), (length_mm, column)])) for column in along
    ]


def _crosses(zone: "Zone", shown: "NDArray[np.bool_]", most_mm: float) -> "Grid":
    """Develop the arms of every point's cross, shape (2 · points, 2, 2): along the part and round it."""
    arm = min(_ARM_MM, most_mm)
    x, s = x_mm(zone)[shown], s_mm(zone)[shown]
    column = columns(zone, x, s)
    one_mm = columns(zone, x, s + 1.0) - column
    along = [developed_mm(zone, x + sign * arm / slant(zone), column) for sign in (-1, 1)]
    around = [developed_mm(zone, x, column + sign * arm * one_mm) for sign in (-1, 1)]
    return np.concatenate([np.stack(along, axis=1), np.stack(around, axis=1)])


def _notes(zone: "Zone", screened: "tuple[Screened, ...]") -> list[str]:
    """Say on every sheet how it is used, and what its lines mean."""
    if zone.is_tube:
        laid = "Printed side outward. Lay the dash-dotted line on the datum line, the thick edge at the "
        laid += "station 1 end."
    else:
        laid = (
            "Printed side outward. The dash-dotted line is position 1; the thick edge is the station 1 end."
        )
    notes = [laid]
    flat = sector(zone)
    if flat is not None:
        radii = f"{mm_text(flat.start_radius_mm)} mm at station 1's end, {mm_text(flat.end_radius_mm)} mm"
        notes.append(
            f"Tapered: a sector of {abs(np.degrees(flat.angle_rad)):.2f}° with radii {radii} at the last."
        )
    if not screened:
        return [*notes, "Crosses are points; a point without a cross is skipped."]
    for one in screened:
        line = "dashed" if one.method == "ascan" else "solid"
        leaning = "\\\\" if one.method == "ascan" else "//"
        count = int(np.count_nonzero(one.status == UNREAD))
        notes.append(
            f"{METHOD_NAMES[one.method].capitalize()}: {line} outlines, ◆ suspect, hatched {leaning} unread "
            f"({count:,}): not known. Outside an outline is not proof of soundness."
        )
    return notes


def _draw(axes: "Axes", drawn: Drawn) -> None:
    """Draw what is in the window of one sheet."""
    from matplotlib.patches import PathPatch, Polygon

    low, high = _window(axes)
    for one in drawn.screened:
        _draw_unread(axes, one)
    lines = [line for line in drawn.lines if _meets(line, low, high)]
    look: dict[str, Any] = {"fill": False, "edgecolor": HAIRLINE, "linewidth": 0.5, "gid": "grid"}
    axes.add_patch(PathPatch(one_path(lines), **look))
    _draw_holes(axes, drawn, low, high)
    near = _inside(drawn.crosses.mean(axis=1), low - 3, high + 3)
    look |= {"edgecolor": INK, "linewidth": 0.6, "gid": "points"}
    axes.add_patch(PathPatch(one_path(list(drawn.crosses[near])), **look))
    if drawn.lap is not None:
        axes.add_patch(
            Polygon(drawn.lap, closed=False, fill=False, edgecolor=MUTED, linewidth=0.5, gid="lap")
        )
    axes.add_patch(Polygon(drawn.edge, fill=False, edgecolor=INK, linewidth=0.6, gid="edge"))
    _draw_landmarks(axes, drawn)
    _draw_names(axes, drawn.names, low, high)
    for one in drawn.screened:
        _draw_suspect(axes, one, low, high)
    for outline, tag in zip(drawn.outlines, drawn.tags_mm, strict=True):
        # The number is a little beyond the outline; sheets overlap by more than it is long, so that it is
        # whole on one of them.
        if any(_meets(line, low - 15, high + 15) for line in outline.lines):
            _draw_outline(axes, outline)
            half = np.array(tag_size_mm(outline.number, drawn.tag_pt)) / 2
            if ((tag - half >= low) & (tag + half <= high)).all():
                _draw_tag(axes, outline.number, tag, drawn.tag_pt)


def _draw_names(axes: "Axes", names: Names, low: "Grid", high: "Grid") -> None:
    """Write the names that are whole on this sheet: sheets overlap by more than a name is long."""
    near = np.flatnonzero(_inside(names.box_mm[:, :2], low, high) & _inside(names.box_mm[:, 2:], low, high))
    add_words(axes, names.place_mm[near], [names.words[i] for i in near], names.size_pt[near])


def _window(axes: "Axes") -> "tuple[Grid, Grid]":
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    return np.array([left, top]), np.array([right, bottom])


def _inside(places: "Grid", low: "Grid", high: "Grid") -> "NDArray[np.bool_]":
    return np.asarray(((places >= low) & (places <= high)).all(axis=1))


def _meets(line: "Grid", low: "Grid", high: "Grid") -> bool:
    return bool((line.max(axis=0) >= low).all() and (line.min(axis=0) <= high).all())


def _draw_holes(axes: "Axes", drawn: Drawn, low: "Grid", high: "Grid") -> None:
    """Leave skipped points empty: not even the grid's lines run through them."""
    from matplotlib.collections import EllipseCollection

    holes = drawn.holes_mm[_inside(drawn.holes_mm, low - 3, high + 3)]
    size = np.full(len(holes), 2 * _ARM_MM)
    axes.add_collection(
        EllipseCollection(
            size,
            size,
            np.zeros(len(holes)),
            units="xy",
            offsets=holes,
            offset_transform=axes.transData,
            facecolors=PAPER,
            edgecolors="none",
            gid="skipped",
        ),
        autolim=False,
    )


def _draw_landmarks(axes: "Axes", drawn: Drawn) -> None:
    """Draw and name the datum line, the station 1 end, the direction of count and the glue lap."""
    zone = drawn.zone
    length_mm = zone.stations * zone.station_pitch_mm
    start, end = developed_mm(zone, [0.0, length_mm], 0.0)
    axes.plot(*zip(start, end, strict=True), color=INK, linewidth=1.0, dashes=(9, 2, 2, 2), gid="datum line")
    first = path_mm(zone, np.array([(0.0, column) for column in cut_columns(zone)]))
    axes.plot(*first.T, color=INK, linewidth=2.0, gid="station 1 end")
    look: dict[str, Any] = {"fontsize": 6.5, "color": INK, "clip_on": True, "rotation_mode": "anchor"}
    turned = -float(np.degrees(np.arctan2(end[1] - start[1], end[0] - start[0])))
    name = "datum line" if zone.is_tube else "position 1"
    # Between the line and the cut, half a step away, however narrow the tube is.
    size_pt = float(np.clip((step_mm(zone) / 2 - 0.9) / MM_PER_PT, 3.5, look["fontsize"]))
    for i in range(0, zone.stations, max(1, round(100 / zone.station_pitch_mm))):
        u, v = developed_mm(zone, i * zone.station_pitch_mm, 0.0)
        if not _is_whole(axes, float(u) + 0.8, float(v), _length_mm(name, size_pt), 0.0):
            continue
        axes.text(u + 0.8, v - 0.5, name, rotation=turned, va="bottom", **{**look, "fontsize": size_pt})
    bulge_mm = float(first[:, 0].max() - first[:, 0].min())
    words = "station 1 end, positions count this way →"
    axes.text(
        first[:, 0].max() - min(bulge_mm, 4.0) - 1.2, 0.0, words, rotation=-90, ha="center", va="top", **look
    )
    if drawn.lap is not None:
        _name_lap(axes, drawn.lap, {**look, "fontsize": 5.5})


_LAP_WORDS = "glue lap, under the other edge"


def _length_mm(words: str, size_pt: float) -> float:
    """Length of a line of words at most: 0.62 em a letter in DejaVu Sans."""
    return 0.62 * len(words) * size_pt * MM_PER_PT


def _is_whole(axes: "Axes", u: float, v: float, right_mm: float, left_mm: float) -> bool:
    """Say if words at a place are whole in this sheet's window; words cut by its edge are left out."""
    low, high = _window(axes)
    return bool(low[0] <= u - left_mm and u + right_mm <= high[0] and low[1] <= v <= high[1])


def _name_lap(axes: "Axes", lap: "Grid", look: dict[str, Any]) -> None:
    """Say on every sheet what the lap is for: often enough that one of the words is whole."""
    inner, outer = lap[[3, 0]], lap[[2, 1]]
    along = inner[1] - inner[0]
    turned = -float(np.degrees(np.arctan2(along[1], along[0])))
    count = max(1, round(float(np.hypot(*along)) / 70.0))
    for share in (np.arange(count) + 0.5) / count:
        u, v = sum((1 - share) * side[0] + share * side[1] for side in (inner, outer)) / 2
        half_mm = _length_mm(_LAP_WORDS, look["fontsize"]) / 2
        if not _is_whole(axes, float(u), float(v), half_mm, half_mm):
            continue
        axes.text(u, v, _LAP_WORDS, rotation=turned, ha="center", va="center", **look)


def _draw_unread(axes: "Axes", screened: "Screened") -> None:
    """Hatch what was not read; each method leans its own way, so that both show."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    rings = [Path(ring, closed=True) for ring in unread_rings(screened)]
    if rings:
        axes.add_patch(
            PathPatch(
                Path.make_compound_path(*rings),
                facecolor="none",
                edgecolor=MUTED,
                linewidth=0.4,
                hatch=UNREAD_HATCH[screened.method][:4],
                gid=f"unread {screened.method}",
            )
        )


def _draw_suspect(axes: "Axes", screened: "Screened", low: "Grid", high: "Grid") -> None:
    zone = screened.zone
    x, s = (places[screened.status == SUSPECT] for places in (x_mm(zone), s_mm(zone)))
    flat = developed_mm(zone, x, columns(zone, x, s))
    flat = flat[_inside(flat, low - 3, high + 3)]
    axes.scatter(
        flat[:, 0],
        flat[:, 1],
        s=9,
        marker="D",
        facecolors="none",
        edgecolors=INK,
        linewidths=0.6,
        gid="suspect",
    )


def _draw_outline(axes: "Axes", outline: Outline) -> None:
    for line in outline.lines:
        axes.plot(
            *line.T,
            color=CRAYON,
            linewidth=1.4,
            linestyle=_DASHES[outline.method],
            solid_joinstyle="round",
            gid=f"outline {outline.number}",
        )


def _draw_tag(axes: "Axes", number: str, tag: "Grid", font_pt: float) -> None:
    axes.text(
        float(tag[0]),
        float(tag[1]),
        number,
        fontsize=font_pt,
        color=CRAYON,
        ha="center",
        va="center",
        clip_on=True,
        bbox={"boxstyle": "round,pad=0.2", "facecolor": PAPER, "edgecolor": CRAYON, "linewidth": 0.6},
    )
