"""Whether two readings of one tube agree better when the datum of one of them is turned."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["turned_by"]

Floats = NDArray[np.float64]

# A turn is plain when the correlation gains this much on readings as they are, that many times what chance
# does to it, and when no turn but the ones next to it comes near it by this factor.
LEAST_GAIN, CHANCES, LEAST_LEAD = 0.2, 5.0, 1.5
# Single readings scatter; what differs from side to side (a lap, an uneven wall) runs along the tube, so
# that many stations to either side are averaged.
STATIONS = 2
# How far one reading may pull, in typical deviations: damage must not decide.
MOST_PULL = 4.0


def turned_by(here: Floats, there: Floats) -> int:
    """Count by how many positions `there` must be turned to agree with `here`; 0 unless that is plain.

    Parameters
    ----------
    here, there
        Shape (stations, positions, features) on the same grid, NaN where unread.

    Notes
    -----
    What a whole station shares does not separate the sides and is taken out. Then the correlation
    is taken at every turn. A tube that is alike on all sides gives 0; so does one that is
    alike on two.

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
    agree = np.array([_correlation(own, np.roll(other, by, axis=1)) for by in range(positions)])
    best = int(np.argmax(agree))
    apart = (np.arange(positions) - best) % positions
    rest = agree[(apart > 1) & (apart < positions - 1)]
    if agree[best] - agree[0] < max(LEAST_GAIN, CHANCES * _chance(own)) or (
        rest.size and agree[best] < LEAST_LEAD * rest.max()
    ):
        return 0
    return best - positions if best > positions // 2 else best


def _sides(values: Floats) -> Floats:
    """Leave what separates the sides of the tube: no common level of a station, no single reading."""
    read = np.asarray(np.isfinite(values).all(axis=-1))
    kept = np.where(read[..., None], values, np.nan)
    for station in np.flatnonzero(read.any(axis=1)):
        kept[station] -= np.nanmedian(kept[station], axis=0)
    if not read.any():
        return kept
    scale = np.maximum(np.nanmedian(np.abs(kept), axis=(0, 1)), 1e-12)
    pulled = np.nan_to_num(np.clip(kept / scale, -MOST_PULL, MOST_PULL))
    count = np.zeros(read.shape)
    total = np.zeros_like(pulled)
    for by in range(-STATIONS, STATIONS + 1):
        to, start = slice(max(by, 0), len(read) + min(by, 0)), slice(max(-by, 0), len(read) - max(by, 0))
        total[to] += pulled[start]
        count[to] += read[start]
    return np.where(count[..., None] > 0, total / np.maximum(count, 1)[..., None], np.nan)


def _chance(values: Floats) -> float:
    """Give what chance does to a correlation: stations are averaged, and features go together."""
    read = max(int(np.count_nonzero(np.isfinite(values).all(axis=-1))), 1)
    return float(np.sqrt((2 * STATIONS + 1) / read / np.sqrt(values.shape[-1])))


def _correlation(one: Floats, other: Floats) -> float:
    both = np.isfinite(one) & np.isfinite(other)
    a, b = one[both], other[both]
    size = np.sqrt(np.sum(a**2) * np.sum(b**2))
    return float(np.sum(a * b) / size) if size > 0 else 0.0
