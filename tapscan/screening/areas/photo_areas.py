"""Areas of suspect points on a photo: which touch, and where the outline between them and clear points is."""

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.photos.cells import cells_of, inside
from tapscan.plan.photos.scale import polygon_area, to_mm
from tapscan.plan.surfaces import point_index

if TYPE_CHECKING:
    from tapscan.plan.photos.layout import PhotoLayout
    from tapscan.plan.zones import Zone

__all__ = ["connected", "photo_outline"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Ring = tuple[tuple[float, float], ...]

PARTS = 8  # numerical: parts of a spacing that an outline has corners at
BESIDE = 3.0  # numerical: spacings round an area in which its outline is searched


def connected(zone: "Zone", suspect: Mask) -> list[Mask]:
    """Group suspect points of a photo that are neighbours; masks in the order of their first points."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    assert zone.layout is not None
    marked = suspect.ravel()
    pairs = point_index(zone)[cells_of(zone.layout).pairs]
    both = pairs[marked[pairs].all(axis=1)]
    joined = coo_array((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(marked.size, marked.size))
    label = connected_components(joined, directed=False)[1]
    return [
        (marked & (label == number)).reshape(suspect.shape)
        for number in dict.fromkeys(label[marked].tolist())
    ]


def photo_outline(
    zone: "Zone", layout: "PhotoLayout", area: tuple[Mask, Floats], level: float, *, is_smooth: bool
) -> tuple[tuple[Ring, ...], float]:
    """Contour a field at `level` round one area: rings in mm on the face, and the area within the outline.

    `area` is its points, and the field, both (stations, positions). Between points the field is interpolated
    over Delaunay triangles, linearly or by cubics (Clough & Tocher, as SciPy has them); beyond the outermost
    it is what it is at the nearest place between them, as far as the zone's outline.
    """
    from contourpy import FillType, contour_generator

    members, field = area
    index, cells = point_index(zone), cells_of(layout)
    own = cells.at_mm[members.ravel()[index]]
    spacing_mm = float(np.median(cells.spacing_mm))
    low, high = own.min(axis=0) - BESIDE * spacing_mm, own.max(axis=0) + BESIDE * spacing_mm
    x, y = (
        np.linspace(a, b, max(int(np.ceil((b - a) / spacing_mm * PARTS)), 1) + 1)
        for a, b in zip(low, high, strict=True)
    )
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    rings_mm = [to_mm(layout, np.array(ring)) for ring in (layout.outline_px, *layout.holes_px)]
    within = inside(places, rings_mm[0])
    for hole in rings_mm[1:]:
        within &= ~inside(places, hole)
    values = np.zeros(len(places))
    values[within] = _between(cells.at_mm, field.ravel()[index], places[within], is_smooth=is_smooth)
    if not is_smooth:  # half way between what is within and what is not, the outline errs neither way
        values, level = (values >= level).astype(float), 0.5
    contour = contour_generator(x, y, values.reshape(y.size, x.size), fill_type=FillType.OuterOffset)
    found = _rings_about(contour.filled(level, 2.0), own, float(np.hypot(x[1] - x[0], y[1] - y[0])))
    rings = tuple(tuple((float(a), float(b)) for a, b in ring) for ring in found)
    return rings, abs(sum(polygon_area(ring[:-1]) for ring in found))


def _rings_about(filled: Any, own: Floats, step_mm: float) -> list[Floats]:
    """Keep the pieces that hold one of the area's points, or have it on their rim, with their holes."""
    rings: list[Floats] = []
    for points, offsets in zip(*filled, strict=True):
        piece = [np.asarray(points[start:end], dtype=float) for start, end in pairwise(offsets)]
        apart_mm = np.linalg.norm(own[:, None] - piece[0][None], axis=2)
        if inside(own, piece[0][:-1]).any() or apart_mm.min() <= step_mm:
            rings += piece
    return rings


def _between(at_mm: Floats, values: Floats, places: Floats, *, is_smooth: bool) -> Floats:
    """Interpolate values of points at places; those beyond the points take what is nearest between them."""
    from scipy.interpolate import CloughTocher2DInterpolator, LinearNDInterpolator, NearestNDInterpolator
    from scipy.spatial import ConvexHull, Delaunay, QhullError

    try:
        triangles, hull = Delaunay(at_mm), ConvexHull(at_mm)
    except (QhullError, ValueError):
        return np.asarray(NearestNDInterpolator(at_mm, values)(places))
    kind = CloughTocher2DInterpolator if is_smooth else LinearNDInterpolator
    beyond = triangles.find_simplex(places) < 0
    moved = places.copy()
    moved[beyond] = _onto(at_mm[hull.vertices], places[beyond])
    # The rim itself is a hair within, so that rounding leaves nothing out.
    middle = at_mm[hull.vertices].mean(axis=0)
    moved[beyond] += 1e-9 * (middle - moved[beyond])
    return np.asarray(kind(triangles, values)(moved))


def _onto(ring: Floats, places: Floats) -> Floats:
    """Move places to the nearest one on a ring."""
    best, least = places.copy(), np.full(len(places), np.inf)
    for start, end in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        side = end - start
        share = np.clip((places - start) @ side / (side @ side), 0, 1)
        there = start + share[:, None] * side
        apart = ((places - there) ** 2).sum(axis=1)
        best[apart < least] = there[apart < least]
        least = np.minimum(least, apart)
    return best
