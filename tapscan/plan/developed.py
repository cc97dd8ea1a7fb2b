"""A zone's surface developed onto a plane at true size: what a sheet of paper is when wrapped round it.

A straight tube becomes a rectangle and a panel stays as it is. A tapered tube is the frustum of a cone and
becomes a sector of an annulus: lengths along the wall and round every girth stay true.

Places on the surface are given as ``x_mm`` along the axis and as a *column*: positions counted from the
datum line, so that position p is column p - 1, whatever the girth there. On the plane, ``u`` runs along the
wall from the middle of the first edge and ``v`` across it, toward higher positions. Seen from outside with
station 1 at the left, ``v`` points downward.

The sheet runs from column -0.5 to positions - 0.5: a tube is cut open half a step before the datum line, so
that every point is inside it.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.surfaces import slant

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from tapscan.plan.zones import Zone

    Grid = NDArray[np.float64]

__all__ = ["Sector", "columns", "cut_columns", "developed_mm", "edge_mm", "path_mm", "pieces", "sector"]

# How far a drawn chord may stay from its true arc; a tenth of what a careful hand can cut.
_CHORD_ERROR_MM = 0.005


@dataclass(frozen=True, slots=True)
class Sector:
    """The annulus sector that a tapered tube develops into; radii count from the cone's apex.

    `angle_rad` is positive when the girth grows from station 1 on, so that the apex is before station 1.
    """

    angle_rad: float
    start_radius_mm: float
    end_radius_mm: float


def sector(zone: "Zone") -> Sector | None:
    """Return the sector that a zone develops into; None when it develops into a rectangle.

    A cone of half angle a develops into a sector of angle 2π·sin a, whose radii are distances from the apex
    along the wall. (Elementary geometry.)

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 4, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_start_mm = 60.0, girth_end_mm = 120.0}]').zones[0]
    >>> flat = sector(zone)
    >>> round(flat.angle_rad * flat.start_radius_mm, 9), round(flat.angle_rad * flat.end_radius_mm, 9)
    (60.0, 120.0)
    """
    angle = _angle_rad(zone)
    if angle == 0.0:
        return None
    assert zone.girth_start_mm is not None
    assert zone.girth_end_mm is not None
    return Sector(angle, zone.girth_start_mm / abs(angle), zone.girth_end_mm / abs(angle))


def columns(zone: "Zone", x_mm: "ArrayLike", s_mm: "ArrayLike") -> "Grid":
    """Count a distance from the datum line in positions: 0 at position 1, 1 at position 2.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0}]').zones[0]
    >>> columns(zone, [5.0, 5.0], [0.0, 50.0]).tolist()
    [0.0, 2.5]
    """
    return np.asarray(s_mm, dtype=float) / _step_mm(zone, np.asarray(x_mm, dtype=float))


def developed_mm(zone: "Zone", x_mm: "ArrayLike", column: "ArrayLike") -> "Grid":
    """Lay places of the surface onto the plane, true to size.

    Parameters
    ----------
    zone
        Whose surface.
    x_mm, column
        Distance along the axis, and positions counted from the datum line; shapes that broadcast together.

    Returns
    -------
    array, shape (..., 2)
        ``u`` along the wall and ``v`` across, in mm.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0}]').zones[0]
    >>> developed_mm(zone, 5.0, [0, 1, 2, 3]).tolist()
    [[5.0, -30.0], [5.0, -10.0], [5.0, 10.0], [5.0, 30.0]]
    """
    x, across = np.asarray(x_mm, dtype=float), np.asarray(column, dtype=float) - (zone.positions - 1) / 2
    arc_mm = across * _step_mm(zone, x)
    # Polar coordinates about the apex, written so that they stay exact as the apex moves to infinity:
    # R·sin(t) = arc·sinc(t), and R·(1 - cos t) = arc·(t/2)·sinc²(t/2).
    turned_rad = _angle_rad(zone) * across / zone.positions
    u = x * slant(zone) - arc_mm * turned_rad / 2 * np.sinc(turned_rad / (2 * np.pi)) ** 2
    v = arc_mm * np.sinc(turned_rad / np.pi)
    return np.stack(np.broadcast_arrays(u, v), axis=-1)


def path_mm(zone: "Zone", path: "Grid") -> "Grid":
    """Develop a path whose corners are (x_mm, column) and whose sides are straight in these.

    On a tapered tube sides become curves: they are followed in steps, true to 0.005 mm.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0}]').zones[0]
    >>> path_mm(zone, np.array([[0.0, 1.5], [20.0, 1.5]])).tolist()
    [[0.0, 0.0], [20.0, 0.0]]
    """
    path = np.asarray(path, dtype=float)
    if _angle_rad(zone) == 0.0 or len(path) < 2:
        return developed_mm(zone, path[:, 0], path[:, 1])
    turned_rad = abs(_angle_rad(zone)) * np.abs(np.diff(path[:, 1])) / zone.positions
    arc_mm = np.abs(np.diff(path[:, 1])) * float(np.max(_step_mm(zone, path[:, 0])))
    along_mm = np.abs(np.diff(path[:, 0])) * slant(zone)
    # An arc rises arc·angle/8 over its chord; a slanting side bends by no more than along·angle/4.
    bend_mm = arc_mm * turned_rad / 8 + along_mm * turned_rad / 4
    steps = np.maximum(1, np.ceil(np.sqrt(bend_mm / _CHORD_ERROR_MM))).astype(int)
    at = np.concatenate([i + np.arange(n) / n for i, n in enumerate(steps)] + [np.array([float(len(steps))])])
    corner = np.arange(len(path))
    return developed_mm(zone, np.interp(at, corner, path[:, 0]), np.interp(at, corner, path[:, 1]))


def cut_columns(zone: "Zone") -> tuple[float, float]:
    """Return the first and last column of the sheet: its two long edges."""
    return -0.5, zone.positions - 0.5


def edge_mm(zone: "Zone") -> "Grid":
    """Return the closed edge of the developed surface, shape (n, 2), from the first edge's datum side round.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 80.0}]').zones[0]
    >>> edge_mm(zone).tolist()
    [[0.0, -40.0], [20.0, -40.0], [20.0, 40.0], [0.0, 40.0], [0.0, -40.0]]
    """
    low, high = cut_columns(zone)
    length_mm = zone.stations * zone.station_pitch_mm
    corners = [(0.0, low), (length_mm, low), (length_mm, high), (0.0, high), (0.0, low)]
    return path_mm(zone, np.array(corners))


def pieces(ring: "Grid", low: float, high: float) -> "list[Grid]":
    """Cut a closed ring at two columns and return what is between them.

    Parameters
    ----------
    ring
        Shape (n, 2), corners (x_mm, column), the last equal to the first.
    low, high
        The columns at which the sheet ends.

    Returns
    -------
    list of arrays, shape (m, 2)
        The ring itself, closed, when all of it is between; else its open pieces, in the ring's order.

    Examples
    --------
    >>> ring = np.array([[0.0, -1.0], [4.0, -1.0], [4.0, 1.0], [0.0, 1.0], [0.0, -1.0]])
    >>> [piece.tolist() for piece in pieces(ring, 0.0, 9.0)]
    [[[4.0, 0.0], [4.0, 1.0], [0.0, 1.0], [0.0, 0.0]]]
    """
    cut = _with_crossings(_with_crossings(np.asarray(ring, dtype=float), low), high)
    middle = (cut[:-1, 1] + cut[1:, 1]) / 2
    # A side that runs along a cut is an end of the sheet, and no part of the outline.
    inside = (middle > low) & (middle < high)
    if inside.all():
        return [cut]
    if not inside.any():
        return []
    start = int(np.flatnonzero(~inside)[0])
    inside = np.roll(inside, -start)
    corners = np.roll(cut[:-1], -start, axis=0)
    corners = np.vstack([corners, corners[:1]])
    bounds = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
    return [corners[a : b + 1] for a, b in zip(bounds[::2], bounds[1::2], strict=True)]


def _with_crossings(ring: "Grid", level: float) -> "Grid":
    """Put a corner wherever a side of the ring crosses a column."""
    above = ring[:, 1] - level
    crosses = np.flatnonzero(np.sign(above[:-1]) * np.sign(above[1:]) < 0)
    share = above[crosses] / (above[crosses] - above[crosses + 1])
    x = ring[crosses, 0] + share * (ring[crosses + 1, 0] - ring[crosses, 0])
    return np.insert(ring, crosses + 1, np.column_stack([x, np.full(len(x), level)]), axis=0)


def _angle_rad(zone: "Zone") -> float:
    """Change of girth over length along the wall: the angle of the sector, with its sign; 0 for no taper."""
    if zone.girth_start_mm is None or zone.girth_end_mm is None:
        return 0.0
    wall_mm = zone.stations * zone.station_pitch_mm * slant(zone)
    return (zone.girth_end_mm - zone.girth_start_mm) / wall_mm


def _step_mm(zone: "Zone", x_mm: "Grid") -> "Grid":
    """Distance between positions at any place along the axis."""
    if not zone.is_tube:
        assert zone.position_pitch_mm is not None
        return np.full_like(x_mm, zone.position_pitch_mm)
    assert zone.girth_start_mm is not None
    assert zone.girth_end_mm is not None
    share = x_mm / (zone.stations * zone.station_pitch_mm)
    return (zone.girth_start_mm + (zone.girth_end_mm - zone.girth_start_mm) * share) / zone.positions
