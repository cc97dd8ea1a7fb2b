"""Where a zone's back wall is expected, point by point, from the echoes of the zone itself.

A delamination echo comes before the back wall's, never after it, and damage is local, while thickness follows
the part: smoothly, or in steps that run along or across it. So what is expected is a smooth surface through
the upper half of the times (quantile regression: Koenker and Bassett 1978, from memory), plus what whole
stations or whole positions share.
"""

import numpy as np
from numpy.typing import NDArray

from tapscan.signals.sampling import spread_evenly

__all__ = ["back_wall_trend", "spread_about", "telling"]

Floats = NDArray[np.float64]

_QUANTILE = 0.6  # a little above the middle: wrong times are early ones
_MOST_POINTS = 8_000  # a smooth surface needs no more
_LEAST_POINTS = 24  # fewer readings than this hold no surface, only a level
_LEAST_IN_LINE = 6  # readings in a station or position before it may differ as a whole
_LEAST_REACH = 0.3  # of the grid's length and width: a surface carried on further than that says little
_LOCAL_REACH = 0.15  # how far a whole station or position may lie off the smooth surface


def back_wall_trend(time_s: Floats, is_grid: bool = True) -> Floats:
    """Return the expected time of flight at every point.

    Parameters
    ----------
    time_s
        Shape (stations, positions): the best guess at each point, NaN where there is none.
    is_grid
        Whether neighbours in the array are neighbours on the part; if not, one level holds for all.

    Returns
    -------
    ndarray
        Same shape; NaN everywhere when there is no guess at all.

    Examples
    --------
    >>> ramp = np.linspace(1.0, 2.0, 40)[:, None] * np.ones(12)
    >>> damaged = ramp.copy()
    >>> damaged[10:20, 2:9] *= 0.5
    >>> bool(np.abs(back_wall_trend(damaged) - ramp).max() < 0.01)
    True
    """
    known = np.isfinite(time_s)
    if not known.any():
        return np.full(time_s.shape, np.nan)
    pick = round(_QUANTILE * (np.count_nonzero(known) - 1))
    level = float(np.partition(time_s[known], pick)[pick])
    if not is_grid or np.count_nonzero(known) < _LEAST_POINTS:
        return np.full(time_s.shape, level)
    trend = _surface(time_s, known, level)
    for axis in (1, 0):
        rest = time_s - trend
        rest[np.abs(rest) >= _LOCAL_REACH * level] = np.nan
        trend = trend + np.expand_dims(_shared(rest, axis), axis)
    return trend


def telling(known: NDArray[np.bool_], bonded: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark the known points that say when the back wall is due, (stations, positions).

    Those with something bonded behind them do not, unless the others are too few, or reach too little of the
    grid, for a surface through them to hold behind the bonds.

    Examples
    --------
    >>> bonded = np.arange(24)[:, None] < [12]
    >>> telling(np.ones((24, 12), dtype=bool), np.tile(bonded, 12)).sum(axis=1).tolist()
    [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 12, 12, 12, 12, 12, 12, 12, 12, 12, 12, 12, 12]
    """
    free = known & ~bonded
    if np.count_nonzero(free) < _LEAST_POINTS:
        return known
    reaches = [
        (np.ptp(at) + 1) >= _LEAST_REACH * count
        for at, count in zip(np.nonzero(free), free.shape, strict=True)
    ]
    return free if all(reaches) else known


def spread_about(time_s: Floats, trend: Floats) -> float:
    """Return the robust standard deviation of times about their trend; 0 where there is none."""
    rest = np.abs(time_s - trend)
    rest = rest[np.isfinite(rest)]
    return 1.4826 * float(np.median(rest)) if len(rest) else 0.0


def _surface(time_s: Floats, known: NDArray[np.bool_], level: float) -> Floats:
    """Quadratic surface by quantile regression, solved as a series of weighted least squares."""
    stations, positions = time_s.shape
    along = np.linspace(-1, 1, stations) if stations > 2 else np.zeros(stations)
    across = np.linspace(-1, 1, positions) if positions > 2 else np.zeros(positions)
    rows, columns = np.nonzero(known)
    some = spread_evenly(len(rows), _MOST_POINTS)
    rows, columns = rows[some], columns[some]
    basis = _basis(along[rows], across[columns])
    target = time_s[rows, columns]
    fitted = np.full(len(target), level)
    coefficient = np.zeros(len(basis))
    for _ in range(30):
        rest = target - fitted
        weight = np.where(rest > 0, _QUANTILE, 1 - _QUANTILE) / np.maximum(np.abs(rest), 1e-3 * level)
        weighted = basis * weight
        gram = np.einsum("in,jn->ij", weighted, basis)
        gram += 1e-9 * np.trace(gram) * np.eye(len(basis))
        coefficient = np.linalg.solve(gram, (weighted * target).sum(axis=1))
        fitted = (coefficient[:, None] * basis).sum(axis=0)
    a, b, (level, a1, b1, a2, ab, b2) = along[:, None], across[None, :], coefficient
    return np.asarray((level + a * (a1 + a * a2)) + b * (b1 + a * ab + b * b2))


def _basis(a: Floats, b: Floats) -> Floats:
    return np.stack([np.ones_like(a), a, b, a * a, a * b, b * b])


def _shared(rest: Floats, axis: int) -> Floats:
    """Return what a whole line shares: the upper middle along an axis, steadied by its two neighbours."""
    lines = rest if axis == 1 else rest.T
    common = np.where(np.isfinite(lines).sum(axis=1) >= _LEAST_IN_LINE, _upper_middle(lines), 0.0)
    padded = np.pad(common, 1, mode="edge")
    return np.asarray(np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0))


def _upper_middle(lines: Floats) -> Floats:
    """Quantile of each row's finite values; 0 where there is none."""
    ordered = np.sort(lines, axis=1)
    count = np.isfinite(lines).sum(axis=1)
    pick = np.clip(np.rint(_QUANTILE * (count - 1)).astype(np.intp), 0, None)
    return np.where(count > 0, np.take_along_axis(ordered, pick[:, None], axis=1)[:, 0], 0.0)
