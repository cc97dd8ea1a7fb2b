"""Which points of a zone on a photo are neighbours, and how much of its face belongs to each.

Neighbours are joined by Delaunay triangles; a point's area is its Voronoi cell within the outline.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.photos.scale import polygon_area, to_mm

if TYPE_CHECKING:
    from tapscan.plan.photos.layout import PhotoLayout

__all__ = ["Cells", "areas_within", "cell_rings", "cells_of", "inside", "neighbour_pairs", "triangles_of"]

Floats = NDArray[np.float64]
Pairs = NDArray[np.intp]

# In spacings. Half way between the diagonal of a square of points and the gap that a missing point leaves.
LONGEST = 1.7
# The two angles beside the diagonal of a quadrangle add up to 180° in a square, where either diagonal would
# do, and to 120° among triangles with equal sides. Half way, both diagonals join neighbours.
SQUARE_DEG = 150.0
# A diagonal of a square of points is seen at 90° from the other two: it is no side. The rest is tolerance.
SIDE_DEG = 85.0


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The points of a zone on a photo, in the order of its layout.

    Shapes: `at_mm` (n, 2); `pairs` (m, 2) which points are neighbours; `area_mm2` (n,) what belongs to each;
    `spacing_mm` (n,) the usual distance to the points beside it; `is_lattice` whether points with names
    beside each other are beside each other, so that stations and positions mean something.
    """

    at_mm: Floats
    pairs: Pairs
    area_mm2: Floats
    spacing_mm: Floats
    is_lattice: bool


@lru_cache(maxsize=64)
def cells_of(layout: "PhotoLayout") -> Cells:
    """Lay out the points of a zone on a photo, in mm on its face."""
    at_mm = to_mm(layout, np.array([one.at_px for one in layout.points], dtype=float))
    rings = [to_mm(layout, np.array(ring, dtype=float)) for ring in (layout.outline_px, *layout.holes_px)]
    pairs, spacing = neighbour_pairs(at_mm, rings)
    names = np.array([(one.station, one.position) for one in layout.points])
    area = areas_within(at_mm, rings[0], rings[1:])
    return Cells(at_mm, pairs, area, spacing, _is_lattice(names, pairs))


def _is_lattice(names: Pairs, pairs: Pairs) -> bool:
    """Whether most points with names beside each other are neighbours, along stations and along positions."""
    index = {(int(i), int(p)): n for n, (i, p) in enumerate(names)}
    joined = {(int(a), int(b)) for a, b in pairs} | {(int(b), int(a)) for a, b in pairs}
    for up, over in ((1, 0), (0, 1)):
        steps = [(n, index.get((i + up, p + over))) for (i, p), n in index.items()]
        beside = [step in joined for step in steps if step[1] is not None]
        if not beside or np.mean(beside) <= 0.5:
            return False
    return True


def neighbour_pairs(at_mm: Floats, rings: list[Floats]) -> tuple[Pairs, Floats]:
    """Join points (n, 2) with their neighbours; give pairs (m, 2) and each point's spacing (n,).

    Sides of Delaunay triangles, without those longer than `LONGEST` spacings and those that cross one of the
    `rings`. Where four points form a square, both diagonals count, so that nothing depends on which of two
    equal triangulations was found.
    """
    edges, angles, crossed = triangles_of(at_mm)
    length = np.linalg.norm(at_mm[edges[:, 0]] - at_mm[edges[:, 1]], axis=1)
    spacing = _spacing(len(at_mm), edges, length, angles)
    pairs = np.vstack([edges, crossed])
    long = np.linalg.norm(at_mm[pairs[:, 0]] - at_mm[pairs[:, 1]], axis=1)
    near = long <= LONGEST * np.maximum(spacing[pairs[:, 0]], spacing[pairs[:, 1]])
    for ring in rings:
        near &= ~_crosses(at_mm[pairs[:, 0]], at_mm[pairs[:, 1]], ring)
    kept = np.unique(np.sort(pairs[near], axis=1), axis=0)
    return kept, spacing


def triangles_of(at_mm: Floats) -> tuple[Pairs, Floats, Pairs]:
    """Give the sides of Delaunay triangles (m, 2), the largest angle that looks at each (m,), and diagonals.

    The diagonals (k, 2) are those that the triangulation might as well have chosen. Points on one line are
    joined in a row.
    """
    from scipy.spatial import Delaunay, QhullError

    try:
        triangles = Delaunay(at_mm).simplices
    except (QhullError, ValueError):
        return _in_a_row(at_mm)
    seen: dict[tuple[int, int], list[tuple[int, float]]] = {}
    for triangle in triangles:
        for turn in range(3):
            a, b, c = (int(n) for n in np.roll(triangle, turn))
            one, other = at_mm[a] - at_mm[c], at_mm[b] - at_mm[c]
            angle = np.degrees(np.arctan2(abs(one[0] * other[1] - one[1] * other[0]), one @ other))
            seen.setdefault((min(a, b), max(a, b)), []).append((c, float(angle)))
    edges = np.array(list(seen))
    angles = np.array([max(angle for _, angle in looks) for looks in seen.values()])
    crossed = [
        (looks[0][0], looks[1][0])
        for looks in seen.values()
        if len(looks) == 2 and looks[0][1] + looks[1][1] > SQUARE_DEG
    ]
    return edges, angles, np.array(crossed, dtype=np.intp).reshape(-1, 2)


def _in_a_row(at_mm: Floats) -> tuple[Pairs, Floats, Pairs]:
    middle = at_mm - at_mm.mean(axis=0)
    along = np.linalg.svd(middle, full_matrices=False)[2][0]
    order = np.argsort(middle @ along, kind="stable")
    edges = np.column_stack([order[:-1], order[1:]])
    return edges, np.zeros(len(edges)), np.zeros((0, 2), dtype=np.intp)


def _spacing(points: int, edges: Pairs, length: Floats, angles: Floats) -> Floats:
    """Median length of the sides at each point that no other point comes between (a Gabriel graph)."""
    is_side = angles < SIDE_DEG
    spacing = np.full(points, np.nan)
    for n in range(points):
        at = (edges == n).any(axis=1)
        chosen = at & is_side if (at & is_side).any() else at
        spacing[n] = np.median(length[chosen]) if chosen.any() else np.nan
    return np.where(np.isnan(spacing), 1.0, spacing)


def _crosses(start: Floats, end: Floats, ring: Floats) -> NDArray[np.bool_]:
    """Whether each line from `start` to `end` (m, 2) crosses a side of the ring (k, 2)."""
    other = np.roll(ring, -1, axis=0)

    def side(a: Floats, b: Floats, c: Floats) -> Floats:
        ab, ac = b - a, c - a
        return np.asarray(ab[..., 0] * ac[..., 1] - ab[..., 1] * ac[..., 0])

    a, b = start[:, None], end[:, None]
    apart = (side(a, b, ring[None]) * side(a, b, other[None])) < 0
    around = (side(ring[None], other[None], a) * side(ring[None], other[None], b)) < 0
    return np.asarray((apart & around).any(axis=1))


def areas_within(at_mm: Floats, outline: Floats, holes: list[Floats]) -> Floats:
    """Area of each point's Voronoi cell within the outline, without the holes, (n,).

    The outline is cut along the lines half way to the points that a Delaunay triangle joins (Sutherland &
    Hodgman, Comm. ACM 17, 1974, 32-42, from memory).

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]])
    >>> areas_within(np.array([[0.5, 0.5], [1.5, 0.5]]), square, [])
    array([1., 1.])
    """
    area = np.array([abs(polygon_area(ring)) for ring in cell_rings(at_mm, outline)])
    for hole in holes:
        area -= [abs(polygon_area(ring)) for ring in cell_rings(at_mm, hole)]
    return area


def cell_rings(at_mm: Floats, outline: Floats) -> list[Floats]:
    """Cut an outline into what is nearest to each point: rings (k, 2), empty where there is nothing."""
    edges = triangles_of(at_mm)[0] if len(at_mm) > 1 else np.zeros((0, 2), dtype=np.intp)
    rings = []
    for n, place in enumerate(at_mm):
        ring = outline
        for other in np.unique(edges[(edges == n).any(axis=1)]):
            if other != n:
                ring = _cut(ring, (place + at_mm[other]) / 2, at_mm[other] - place)
        rings.append(ring)
    return rings


def _cut(ring: Floats, at: Floats, away: Floats) -> Floats:
    """Keep the part of a ring on the near side of a line through `at` across `away`."""
    if not len(ring):
        return ring
    height = (ring - at) @ away
    after, next_height = np.roll(ring, -1, axis=0), np.roll(height, -1)
    kept = []
    for n in range(len(ring)):
        if height[n] <= 0:
            kept.append(ring[n])
        if (height[n] <= 0) != (next_height[n] <= 0):
            share = height[n] / (height[n] - next_height[n])
            kept.append(ring[n] + share * (after[n] - ring[n]))
    return np.array(kept).reshape(-1, 2)


def inside(at: Floats, ring: Floats) -> NDArray[np.bool_]:
    """Whether places (n, 2) are within a ring (k, 2), by counting its sides on one side (even-odd rule)."""
    x, y = at[:, 0][:, None], at[:, 1][:, None]
    a, b = ring[None], np.roll(ring, -1, axis=0)[None]
    spans = (a[..., 1] > y) != (b[..., 1] > y)
    rise = np.where(b[..., 1] == a[..., 1], 1.0, b[..., 1] - a[..., 1])
    meets = a[..., 0] + (y - a[..., 1]) / rise * (b[..., 0] - a[..., 0])
    return np.asarray((spans & (x < meets)).sum(axis=1) % 2 == 1)
