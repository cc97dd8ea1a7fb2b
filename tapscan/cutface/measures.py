"""What a person measures on a cut: thickness, outlines, wrinkles, separations."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.cutface.scale import Quantity, Scale, propagated

__all__ = [
    "Outlines",
    "Separation",
    "Thickness",
    "Wrinkle",
    "across",
    "along_and_below",
    "measure_outlines",
    "measure_separation",
    "measure_thickness",
    "measure_wrinkle",
    "polygon_area",
]

Array = NDArray[np.float64]
_ToMm = Callable[[Array], Array]
_FINE = 400  # numerical: places along a wrinkle at which its slope is taken


@dataclass(frozen=True, slots=True)
class Thickness:
    """Thickness of a layer at `count` places, mm; `scatter_mm` is the standard deviation over the places."""

    count: int
    mean_mm: Quantity
    least_mm: Quantity
    most_mm: Quantity
    scatter_mm: float | None
    each_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Outlines:
    """Voids or resin pools by their outlines: areas in mm², the longest across in mm, share of the region."""

    count: int
    area_mm2: Quantity
    longest_mm: Quantity
    share: Quantity | None


@dataclass(frozen=True, slots=True)
class Wrinkle:
    """A wave of a ply: height and length in mm, their ratio, and the largest angle with the surface."""

    height_mm: Quantity
    length_mm: Quantity
    height_over_length: Quantity
    angle_deg: Quantity


@dataclass(frozen=True, slots=True)
class Separation:
    """Plies apart: length along it, mean and least depth below the outer surface, in mm."""

    length_mm: Quantity
    depth_mm: Quantity
    least_depth_mm: Quantity


def polygon_area(corners: Array) -> float:
    """Area of a closed outline by the shoelace formula, corners (n, 2) in either direction.

    Examples
    --------
    >>> polygon_area(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 3.0], [0.0, 3.0]]))
    6.0
    """
    x, y = (corners - corners[0]).T
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def measure_thickness(scale: Scale, pairs_px: ArrayLike) -> Thickness:
    """Thickness at each pair of clicks, one on each face of the layer; `pairs_px` has shape (n, 2, 2)."""
    pairs = np.asarray(pairs_px, dtype=float)

    def measure(px: Array, mm: _ToMm, edge_px: float) -> Array:
        each = across(px, mm, edge_px)
        return np.concatenate([[each.mean(), each.min(), each.max()], each])

    mean, least, most, *each = propagated(scale, pairs.reshape(-1, 2), measure)
    values = tuple(one.value for one in each)
    scatter = float(np.std(values, ddof=1)) if len(values) > 1 else None
    return Thickness(len(values), mean, least, most, scatter, values)


def across(px: Array, mm: _ToMm, edge_px: float) -> Array:
    """Distances in mm, (n,), between clicks (2n, 2) that are pairs, `edge_px` beyond each of them."""
    start, end = px[0::2], px[1::2]
    outward = edge_px * (end - start) / np.hypot(*(end - start).T)[:, None]
    return np.asarray(np.hypot(*(mm(end + outward) - mm(start - outward)).T))


def measure_outlines(
    scale: Scale, outlines_px: Sequence[ArrayLike], region_px: ArrayLike | None = None
) -> Outlines:
    """Voids or resin pools from their outlines, each (n, 2), and their share of a region (m, 2).

    The corners' own errors average out over an outline; an edge that is taken too wide all round does not,
    and is counted with the perimeter.
    """
    shapes = [np.asarray(one, dtype=float) for one in outlines_px]
    ends = np.cumsum([len(one) for one in shapes])
    region = np.empty((0, 2)) if region_px is None else np.asarray(region_px, dtype=float)

    def measure(px: Array, mm: _ToMm, edge_px: float) -> Array:
        *parts, around = np.split(px, ends)
        area = sum(_area_mm2(one, mm, edge_px) for one in parts)
        longest = max(_longest_mm(mm(one)) + 2 * edge_px * _mm_per_px(one, mm) for one in parts)
        share = area / polygon_area(mm(around)) if len(around) else 0.0
        return np.array([area, longest, share])

    area, longest, share = propagated(scale, np.vstack([*shapes, region]), measure)
    return Outlines(len(shapes), area, longest, share if len(region) else None)


def _mm_per_px(corners_px: Array, mm: _ToMm) -> float:
    return float(np.sqrt(polygon_area(mm(corners_px)) / max(polygon_area(corners_px), 1e-9)))


def _area_mm2(corners_px: Array, mm: _ToMm, edge_px: float) -> float:
    corners = mm(corners_px)
    perimeter = float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).sum())
    return polygon_area(corners) + edge_px * _mm_per_px(corners_px, mm) * perimeter


def _longest_mm(corners: Array) -> float:
    """Largest distance between two corners (the largest Feret diameter)."""
    return float(np.sqrt(((corners[:, None] - corners[None]) ** 2).sum(axis=-1).max()))


def measure_separation(scale: Scale, line_px: ArrayLike, surface_px: ArrayLike) -> Separation:
    """Plies apart along a line of clicks (n, 2), below the outer surface, a line of clicks (m, 2)."""
    line, surface = np.asarray(line_px, dtype=float), np.asarray(surface_px, dtype=float)

    def measure(px: Array, mm: _ToMm, _edge_px: float) -> Array:
        places = mm(px)
        along, depth = along_and_below(places[: len(line)], places[len(line) :])
        steps = np.hypot(*np.diff(places[: len(line)], axis=0).T)
        middle = (depth[1:] + depth[:-1]) / 2
        order = np.argsort(along)
        mean = float((middle * steps).sum() / steps.sum())
        return np.array([steps.sum(), mean, depth[order].min()])

    return Separation(*propagated(scale, np.vstack([line, surface]), measure))


def measure_wrinkle(scale: Scale, ply_px: ArrayLike, surface_px: ArrayLike) -> Wrinkle:
    """Wave of one ply, clicked (n, 2) from where it leaves its level to where it is back, n at least 4.

    Depth below the surface over the way along it is joined by a cubic spline, whose steepest place is the
    largest angle. Height is from the shallowest to the deepest place.
    """
    from scipy.interpolate import CubicSpline

    ply, surface = np.asarray(ply_px, dtype=float), np.asarray(surface_px, dtype=float)

    def measure(px: Array, mm: _ToMm, _edge_px: float) -> Array:
        places = mm(px)
        along, depth = along_and_below(places[: len(ply)], places[len(ply) :])
        order = np.argsort(along)
        curve = CubicSpline(along[order], depth[order])
        fine = np.linspace(along.min(), along.max(), _FINE)
        height, length = float(np.ptp(curve(fine))), float(np.ptp(along))
        angle = float(np.degrees(np.arctan(np.abs(curve(fine, 1)).max())))
        return np.array([height, length, height / length, angle])

    return Wrinkle(*propagated(scale, np.vstack([ply, surface]), measure))


def along_and_below(places: Array, surface: Array) -> tuple[Array, Array]:
    """Way along a surface line and distance from it, of places (n, 2); the line's ends go on straight."""
    start, step = surface[:-1], np.diff(surface, axis=0)
    lengths = np.hypot(*step.T)
    unit = step / lengths[:, None]
    away = places[:, None] - start[None]
    along = (away * unit[None]).sum(axis=-1)
    low, high = np.zeros(len(step)), lengths.copy()
    low[0], high[-1] = -np.inf, np.inf
    held = np.clip(along, low, high)
    distance = np.hypot(*(away - held[..., None] * unit[None]).transpose(2, 0, 1))
    nearest = distance.argmin(axis=1)
    rows = np.arange(len(places))
    before = np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
    return before[nearest] + held[rows, nearest], distance[rows, nearest]
