"""Dark voids and the edges of an adhesive line, proposed by the computer for a person to judge."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.errors import TapscanError

__all__ = ["contains", "inside", "propose_edges", "propose_voids", "region_mask"]

Array = NDArray[np.float64]
_REGION = "the region"
_SMOOTH_PX = 1.0  # numerical: width of the filter against single noisy pixels
_LEAST_PX = 9  # numerical: a void of fewer pixels has no outline
_MOST_CORNERS = 60  # numerical: corners kept of an outline
_EROSION = np.ones((3, 3), dtype=bool)


def inside(outline_px: ArrayLike, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Mark the pixels, (rows, columns), whose middle is in an outline (n, 2) of x and y.

    Examples
    --------
    >>> int(inside([[-0.5, -0.5], [2.5, -0.5], [2.5, 1.5], [-0.5, 1.5]], (4, 4)).sum())
    6
    """
    rows, columns = np.arange(shape[0])[:, None], np.arange(shape[1])[None]
    return contains(np.asarray(outline_px, dtype=float), columns, rows)


def contains(corners: Array, x: NDArray[np.generic], y: NDArray[np.generic]) -> NDArray[np.bool_]:
    """Mark the places in an outline (n, 2): a line to the right of them crosses it an odd number of times."""
    result = np.zeros(np.broadcast_shapes(np.shape(x), np.shape(y)), dtype=bool)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        crosses = (y0 <= y) != (y1 <= y)
        result ^= crosses & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return result


def region_mask(region_px: ArrayLike, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Mark the pixels of a region that a person drew; TapscanError where it holds next to none."""
    region = inside(region_px, shape)
    if np.count_nonzero(region) < _LEAST_PX:
        what = "holds next to nothing of the photo"
        raise TapscanError(_REGION, what, "draw it larger")
    return region


def propose_voids(grey: NDArray[np.generic], region_px: ArrayLike) -> tuple[Array, ...]:
    """Outlines (n, 2) of dark spots in a region of a grey picture (rows, columns), largest first.

    Dark is what noise about the region's median would not give one pixel of. The edge is where the grey is
    half way from there to the darkest of the spot, as a symmetric blur leaves it.
    """
    from contourpy import contour_generator
    from scipy import ndimage, special

    picture = np.asarray(grey, dtype=float)
    region = region_mask(region_px, (picture.shape[0], picture.shape[1]))
    smooth = ndimage.gaussian_filter(picture, _SMOOTH_PX)
    values = smooth[region]
    usual = float(np.median(values))
    noise = 1.482602 * float(np.median(np.abs(values - usual)))
    limit = usual + float(special.ndtri(1 / values.size)) * max(noise, 0.5)
    labels, _ = ndimage.label((smooth < limit) & region, structure=_EROSION)
    found = []
    for number, place in enumerate(ndimage.find_objects(labels), start=1):
        mine = labels[place] == number
        if np.count_nonzero(mine) < _LEAST_PX:
            continue
        level = (usual + float(np.percentile(smooth[place][mine], 5))) / 2
        wide = tuple(
            slice(max(one.start - 4, 0), min(one.stop + 4, end))
            for one, end in zip(place, picture.shape, strict=True)
        )
        near = (labels[wide] == number) | (labels[wide] == 0)
        window = np.pad(np.where(near & region[wide], smooth[wide], usual), 1, constant_values=usual)
        lines = [np.asarray(one) for one in contour_generator(z=window).lines(level)]
        if not lines:
            continue
        longest = max(lines, key=len)[:-1] - 1.0 + [wide[1].start, wide[0].start]
        found.append(_in_few_corners(longest))
    return tuple(sorted(found, key=len, reverse=True))


def _in_few_corners(outline: Array) -> Array:
    """Leave out the corners of a closed outline that matter least: those whose triangle is smallest.

    Source: Visvalingam and Whyatt, The Cartographic Journal 30 (1993) 46-51 (from memory).
    """
    corners = outline
    while len(corners) > _MOST_CORNERS:
        x, y = (np.roll(corners, -1, axis=0) - corners).T
        u, v = (np.roll(corners, 1, axis=0) - corners).T
        corners = np.delete(corners, int(np.argmin(np.abs(x * v - y * u))), axis=0)
    return corners


def propose_edges(grey: NDArray[np.generic], region_px: ArrayLike, places: int = 12) -> Array:
    """Both faces of a layer at a number of places, shape (places, 2, 2) of x and y.

    `region_px` has four corners: the first two along the layer, the other two back on its other side. Across
    each slice of it the two faces are the steepest rise and the steepest fall of the grey.
    """
    from scipy import ndimage

    corners = np.asarray(region_px, dtype=float)
    if corners.shape != (4, 2):
        what = "needs four corners, the first two along the adhesive line"
        raise TapscanError(_REGION, what, "draw it again, corner by corner")
    picture = np.asarray(grey, dtype=float)
    long = int(np.hypot(*(corners[1] - corners[0])))
    across = int(np.hypot(*(corners[3] - corners[0])))
    if long < places or across < 5:
        what = "is too small for an adhesive line"
        raise TapscanError(_REGION, what, "draw it larger")
    u, v = (np.arange(long) + 0.5) / long, np.arange(across + 1) / across
    (a, b, c, d), (u2, v2) = corners, np.meshgrid(u, v, indexing="ij")

    def at(one: Array, two: Array) -> Array:
        return np.asarray(
            (1 - one)[..., None] * ((1 - two)[..., None] * a + two[..., None] * d)
            + one[..., None] * ((1 - two)[..., None] * b + two[..., None] * c)
        )

    spots = at(u2, v2)
    sampled = ndimage.map_coordinates(picture, [spots[..., 1], spots[..., 0]], order=1, mode="nearest")
    pairs = []
    for slice_ in np.array_split(np.arange(long), places):
        slope = np.gradient(ndimage.gaussian_filter1d(sampled[slice_].mean(axis=0), _SMOOTH_PX))
        faces = np.sort([_peak(slope), _peak(-slope)]) / across
        pairs.append(at(np.full(2, u[slice_].mean()), faces))
    return np.array(pairs)


def _peak(values: Array) -> float:
    """Place of the highest value, between samples by the parabola through it and its neighbours."""
    top = int(np.clip(values.argmax(), 1, len(values) - 2))
    left, middle, right = values[top - 1 : top + 2]
    bend = left - 2 * middle + right
    return float(top + (0.5 * (left - right) / bend if bend < 0 else 0.0))
