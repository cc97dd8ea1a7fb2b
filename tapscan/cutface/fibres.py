"""The direction of plies and fibres on a cut by the structure tensor, and the ply that waves most."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.cutface.proposals import region_mask

__all__ = ["fibre_angle_deg", "propose_ply", "structure_tensor"]

Array = NDArray[np.float64]
Tensor = tuple[Array, Array, Array]
_EDGE_PX = 1.0  # numerical: width of the derivative's Gaussian
# Derived: a Gaussian of width s flattens the slope of a wave of length L by exp(-(2πs/L)²/2), here by 1 %.
_WINDOW = 0.0226
_PLACES = 13  # numerical: places of a proposed ply; half a wave has six of them
_STEEPEST = np.tan(np.radians(75.0))  # numerical: beyond it a ply is no function of the way along it
_CHANCE = 13.8  # derived: -2 ln 0.001, see `_has_direction`


def structure_tensor(grey: NDArray[np.generic], width_px: float) -> Tensor:
    """Mean products of the grey's slopes (xx, xy, yy) about each pixel, each (rows, columns).

    Source: Bigün and Granlund 1987; Jähne, Digital Image Processing, chapter 13 (from memory).

    Parameters
    ----------
    grey
        Shape (rows, columns).
    width_px
        Standard deviation of the Gaussian over which the products are averaged.
    """
    from scipy import ndimage

    picture = np.asarray(grey, dtype=float)
    across = ndimage.gaussian_filter(picture, _EDGE_PX, order=(0, 1))
    down = ndimage.gaussian_filter(picture, _EDGE_PX, order=(1, 0))
    xx, xy, yy = (ndimage.gaussian_filter(one, width_px) for one in (across**2, across * down, down**2))
    return xx, xy, yy


def fibre_angle_deg(tensor: Tensor) -> Array:
    """Direction along which the grey changes least, in degrees from the x axis towards y, -90 to 90.

    Examples
    --------
    Stripes that fall by one pixel in four:

    >>> rows, columns = np.mgrid[:64, :64]
    >>> tensor = structure_tensor(np.sin(rows - columns / 4), 4.0)
    >>> round(float(fibre_angle_deg(tensor)[32, 32]), 1)
    14.0
    """
    xx, xy, yy = tensor
    # The grey changes most along the eigenvector of the larger eigenvalue; the fibre is across it.
    angle = np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)) + 90.0
    return np.asarray((angle + 90.0) % 180.0 - 90.0)


def propose_ply(grey: NDArray[np.generic], region_px: ArrayLike) -> Array | None:
    """Trace the ply that waves most through a region, (13, 2) of x and y; None where no plies are seen.

    Lines are followed along the fibres from places across the middle of the region; of those that run as far
    as any, the one with the largest range across the region's usual direction is proposed.
    """
    picture = np.asarray(grey, dtype=float)
    region = region_mask(region_px, (picture.shape[0], picture.shape[1]))
    corners = np.asarray(region_px, dtype=float)
    whole = structure_tensor(picture, _EDGE_PX)
    if not _has_direction(whole, region):
        return None
    usual = np.radians(fibre_angle_deg(tuple(one[region].mean(keepdims=True) for one in whole)))[0]
    along = np.array([np.cos(usual), np.sin(usual)])
    off = np.array([-along[1], along[0]])
    middle = corners.mean(axis=0)
    reach, depth = ((corners - middle) @ way for way in (along, off))
    length = float(np.ptp(reach))
    tensor = structure_tensor(picture, _WINDOW * length)
    steps = np.arange(np.floor(reach.min()), np.ceil(reach.max()) + 1)
    seeds = np.arange(depth.min(), depth.max(), max(_WINDOW * length, 1.0))
    lines = _followed(tensor, (middle, along, off), steps, seeds)
    spots = middle + steps[:, None, None] * along + lines[..., None] * off
    return _widest(spots, lines, region)


def _has_direction(tensor: Tensor, region: NDArray[np.bool_]) -> bool:
    """Whether slopes in the region go one way more than chance would make them.

    Of N independent slopes without direction the coherence c has N·c² like chi-squared of two degrees of
    freedom, so that it is above -2 ln p with probability p. A Gaussian of 1 px makes one of 4π pixels.
    """
    xx, xy, yy = (float(one[region].mean()) for one in tensor)
    if xx + yy <= 0:
        return False
    coherence = np.hypot(xx - yy, 2 * xy) / (xx + yy)
    independent = np.count_nonzero(region) / (4 * np.pi * _EDGE_PX**2)
    return bool(independent * coherence**2 > _CHANCE)


def _followed(tensor: Tensor, frame: tuple[Array, Array, Array], steps: Array, seeds: Array) -> Array:
    """Follow the fibres from each seed at the middle both ways: how far off the line, (steps, seeds).

    Each step is Heun's, the mean of the slopes at both of its ends.
    """
    from scipy import ndimage

    middle, along, off = frame

    def slope(at: float, away: Array) -> Array:
        x, y = (middle + at * along + away[:, None] * off).T
        here = tuple(ndimage.map_coordinates(one, [y, x], order=1, mode="nearest") for one in tensor)
        turned = np.radians(fibre_angle_deg(here)) - np.arctan2(along[1], along[0])
        return np.asarray(np.clip(np.tan(turned), -_STEEPEST, _STEEPEST))

    start = int(np.argmin(np.abs(steps)))
    lines = np.empty((len(steps), len(seeds)))
    lines[start] = seeds
    for way in (1, -1):
        end = len(steps) if way > 0 else -1
        for number in range(start + way, end, way):
            before = lines[number - way]
            first = slope(steps[number - way], before)
            second = slope(steps[number], before + way * first)
            lines[number] = before + way * (first + second) / 2
    return lines


def _widest(spots: Array, lines: Array, region: NDArray[np.bool_]) -> Array | None:
    """Choose the line with the largest range of those that stay in the region longest, in a few places."""
    columns, rows = np.rint(spots).astype(int).transpose(2, 0, 1)
    on_photo = (columns >= 0) & (rows >= 0) & (columns < region.shape[1]) & (rows < region.shape[0])
    held = on_photo & region[rows.clip(0, region.shape[0] - 1), columns.clip(0, region.shape[1] - 1)]
    longest = held.sum(axis=0)
    if longest.max() < _PLACES:
        return None
    ranges = np.array(
        [np.ptp(line[here]) if here.any() else -1.0 for line, here in zip(lines.T, held.T, strict=True)]
    )
    best = int(np.argmax(np.where(longest >= 0.95 * longest.max(), ranges, -1.0)))
    kept = np.flatnonzero(held[:, best])
    return np.asarray(spots[np.linspace(kept[0], kept[-1], _PLACES).round().astype(int), best])
