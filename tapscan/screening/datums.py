"""Whether two readings of one tube agree better when the datum of one of them is turned."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["turned_by"]

Floats = NDArray[np.float64]

# Turned readings must agree this much better than those left as they are, in units of what chance does to a
# correlation of so many values (one over the root of their number), and by this much in all.
CHANCES, LEAST_GAIN = 8.0, 0.2


def turned_by(here: Floats, there: Floats) -> int:
    """Tell by how many positions `there` must be turned to agree with `here`; 0 unless that is plain.

    Parameters
    ----------
    here, there
        Shape (stations, positions, features) on the same grid, NaN where unread.

    Notes
    -----
    What a whole station shares does not tell one side from the other and is taken out. Then the correlation
    is taken at every turn. A tube that is alike on all sides tells nothing, and gives 0.

    Examples
    --------
    >>> sides = np.random.default_rng(3).normal(size=(30, 12, 2))
    >>> turned_by(np.roll(sides, 2, axis=1), sides), turned_by(sides, sides)
    (2, 0)
    >>> turned_by(sides, np.roll(sides, 5, axis=1))
    -5
    """
    own, other = _sides(here), _sides(there)
    positions = own.shape[1]
    turns = [by - positions if by > positions // 2 else by for by in range(positions)]
    agree = np.array([_correlation(own, np.roll(other, by, axis=1)) for by in turns])
    best = int(np.argmax(agree))
    values = int(np.count_nonzero(np.isfinite(own) & np.isfinite(other)))
    least = max(CHANCES / np.sqrt(max(values, 1)), LEAST_GAIN)
    return turns[best] if agree[best] - agree[0] > least else 0


def _sides(values: Floats) -> Floats:
    """Take out what whole stations share, and limit what single points (or damage) can say."""
    read = np.asarray(np.isfinite(values).all(axis=-1))
    kept = np.where(read[..., None], values, np.nan)
    for station in np.flatnonzero(read.any(axis=1)):
        kept[station] -= np.nanmedian(kept[station], axis=0)
    if not read.any():
        return kept
    scale = np.maximum(np.nanmedian(np.abs(kept), axis=(0, 1)), 1e-12)
    return np.asarray(np.clip(kept / scale, -3.0, 3.0))


def _correlation(one: Floats, other: Floats) -> float:
    both = np.isfinite(one) & np.isfinite(other)
    a, b = one[both], other[both]
    size = np.sqrt(np.sum(a**2) * np.sum(b**2))
    return float(np.sum(a * b) / size) if size > 0 else 0.0
