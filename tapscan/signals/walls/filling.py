"""A surface carried over its gaps, and how rough it is."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["ROUGH", "carried", "filled", "local_median", "roughness"]

Floats = NDArray[np.float64]

_BESIDE = 2  # points to each side that say what is usual at a point: a step keeps its place
ROUGH = 3.0  # standard deviations that a value is off those beside it by chance


def carried(values: Floats, *, closed: bool) -> Floats:
    """Carry known values to where there is none: that of the nearest point."""
    from scipy.ndimage import distance_transform_edt

    margin = min(values.shape[1], 64) if closed else 0
    wide = np.pad(values, ((0, 0), (margin, margin)), mode="wrap") if margin else values
    index = distance_transform_edt(np.isnan(wide), return_distances=False, return_indices=True)
    out = wide[tuple(index)]
    return np.asarray(out[:, margin : out.shape[1] - margin] if margin else out)


def local_median(values: Floats, *, closed: bool) -> Floats:
    """Return the median of each value (stations, positions) and those beside it.

    Examples
    --------
    >>> values = np.repeat([[1.0, 1.0, 1.0, 2.0, 2.0, 2.0]], 6, axis=0)
    >>> values[3, 1] = 9.0
    >>> local_median(values, closed=False)[3].tolist()
    [1.0, 1.0, 1.0, 2.0, 2.0, 2.0]
    """
    from scipy.ndimage import median_filter

    wide = np.pad(values, ((_BESIDE, _BESIDE), (0, 0)), mode="edge")
    wide = np.pad(wide, ((0, 0), (_BESIDE, _BESIDE)), mode="wrap" if closed else "edge")
    return np.asarray(median_filter(wide, 2 * _BESIDE + 1)[_BESIDE:-_BESIDE, _BESIDE:-_BESIDE])


def roughness(values: Floats) -> float:
    """Return the robust standard deviation of values (stations, positions) about those beside them."""
    step = np.abs(np.diff(values, axis=1))
    step = step[np.isfinite(step)]
    return 1.4826 * float(np.median(step)) / np.sqrt(2) if step.size else 0.0


def filled(values: Floats, *, closed: bool) -> Floats:
    """Carry a surface smoothly over its gaps: means over ever larger blocks, back down to single points.

    Pull-push interpolation (Gortler et al., SIGGRAPH 1996, from memory); linear in the points. What is all
    gap stays so.
    """
    if not np.isfinite(values).any():
        return values
    margin = values.shape[1] // 2 if closed else 0
    wide = np.pad(values, ((0, 0), (margin, margin)), mode="wrap") if margin else values
    out = _pulled(np.nan_to_num(wide), np.isfinite(wide).astype(float))
    return np.asarray(out[:, margin : out.shape[1] - margin] if margin else out)


def _pulled(value: Floats, weight: Floats) -> Floats:
    """Fill a level of the pyramid from the next coarser one."""
    if (weight > 0).all() or not (weight > 0).any():
        return value
    rows, columns = (-(-n // 2) for n in value.shape)
    sides = [(0, 2 * k - n) for k, n in zip((rows, columns), value.shape, strict=True)]
    heavy = np.pad(weight, sides)
    total = heavy.reshape(rows, 2, columns, 2).sum(axis=(1, 3))
    mean = (np.pad(value, sides) * heavy).reshape(rows, 2, columns, 2).sum(axis=(1, 3))
    coarse = _pulled(mean / np.maximum(total, 1e-12), np.minimum(total, 1.0))
    return np.asarray(np.where(weight > 0, value, _doubled(coarse)[: value.shape[0], : value.shape[1]]))


def _doubled(coarse: Floats) -> Floats:
    """Linear interpolation of a level to twice its size, flat beyond the outermost."""
    for axis in (0, 1):
        side = [(1, 1) if k == axis else (0, 0) for k in (0, 1)]
        padded = np.moveaxis(np.pad(coarse, side, mode="edge"), axis, 0)
        fine = np.empty((2 * (len(padded) - 2), padded.shape[1]))
        fine[::2] = 0.75 * padded[1:-1] + 0.25 * padded[:-2]
        fine[1::2] = 0.75 * padded[1:-1] + 0.25 * padded[2:]
        coarse = np.moveaxis(fine, 0, axis)
    return coarse
