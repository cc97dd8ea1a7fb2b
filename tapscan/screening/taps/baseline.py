"""What sound laminate sounds like at each point of this zone, and how far each point is from it.

Sound readings change from station to station (nodes of axial modes, stiff ends) and from position to position
(a lap joint, a seam), so a median polish takes a level for each station and each position off
(Tukey, *Exploratory Data Analysis*, 1977, from memory). Medians are not moved by damage that covers less than
half of a station and of a position. What is left scatters about zero where the laminate is sound. Its
covariance comes from the two thirds of the zone that are quietest *together with their neighbours*, since
damage is wider than one point, in steps of concentration as the minimum covariance determinant takes
(Rousseeuw & Van Driessen, Technometrics 41, 1999, 212-223, from memory).
"""

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.taps.points import N_BANDS, TapPoints

if TYPE_CHECKING:
    from scipy.sparse import csr_array

__all__ = ["Baseline", "fit_baseline", "pooled"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SOUND_SHARE = 2 / 3  # policy: a third of a zone may be damaged
POLISHES = 5  # numerical: medians have settled
CONCENTRATIONS = 4  # numerical: likewise
# Policy: directions in which readings scatter by less than this share of the widest are not trusted to be so
# steady: with some hundred readings and 22 bands the narrowest are narrow by chance (Ledoit & Wolf 2004).
LEAST_SCATTER = 0.02
# The median of one or two readings is what they read: a station or position with so few has no level.
FEWEST = 3
NORMAL = 1.4826  # standard deviation over the median absolute deviation, of a normal law


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """A zone's readings about its baseline; one row a point, NaN where unread.

    Shapes: `off_db` (points, features + 1) what is left of `TapPoints.sound_db`, then of the level;
    `spread_db` (points, features + 1) the standard deviation of sound readings there; `noise_db2` (points,
    bands) how much more than the usual the room adds to its variance; `distance` (points,) log of the squared
    Mahalanobis distance in the bands, over its median where sound; `around` (points,) the same averaged with
    the neighbours'; `sound` (points,) the readings that the baseline rests on.
    """

    off_db: Floats
    spread_db: Floats
    noise_db2: Floats
    distance: Floats
    around: Floats
    sound: Mask


def fit_baseline(
    points: TapPoints,
    grid_shape: tuple[int, int],
    near: "csr_array",
    reference: Mask,
    damaged: Mask,
    *,
    by_station: bool = True,
) -> Baseline:
    """Fit a zone's own baseline.

    Parameters
    ----------
    points
        What was read, station by station.
    grid_shape
        (stations, positions).
    near
        From `tapscan.plan.nearness`.
    reference
        Shape (points,): points known to be sound always belong to what the baseline rests on.
    damaged
        Shape (points,): points already known or judged to be damaged take no part.
    by_station
        Whether stations have a level of their own; not in differences from a like zone, where nothing but
        damage makes one station unlike the next.
    """
    values = np.column_stack([points.sound_db, points.level_db])
    noise_db2 = points.noise_db2[:, :N_BANDS]
    sound = points.read & (reference | ~damaged)
    off_db = _polished(values, sound, grid_shape, by_station=by_station)
    quiet = sound
    for _ in range(CONCENTRATIONS):
        distance = _log_distance(off_db[:, :N_BANDS], noise_db2, quiet)
        quiet = _quietest(pooled(near, distance), sound, reference, int(points.read.sum()))
    distance = _log_distance(off_db[:, :N_BANDS], noise_db2, quiet)
    distance = distance - np.median(distance[quiet])
    wider = _station_scatter(distance, grid_shape) if by_station else np.zeros(distance.size)
    distance = distance - wider
    around = pooled(near, distance)
    spread = NORMAL * np.median(np.abs(off_db[quiet]), axis=0) * np.exp(wider / 2)[:, None]
    extra = np.zeros_like(off_db)
    extra[:, :-1] = np.maximum(points.noise_db2 - np.median(points.noise_db2[quiet], axis=0), 0)
    return Baseline(
        off_db=off_db,
        spread_db=np.sqrt(np.maximum(spread, 1e-6) ** 2 + extra),
        noise_db2=extra[:, :N_BANDS],
        distance=distance,
        around=around - np.median(around[quiet]),
        sound=quiet,
    )


def _station_scatter(distance: Floats, grid_shape: tuple[int, int]) -> Floats:
    """Log of how much wider each station scatters than the zone, by their quietest quarters, (points,).

    Stiff ends and nodes scatter more than the rest, all round alike; damage that leaves a quarter of a
    station sound does not count. Each station is moderated by one station's worth of the zone (empirical
    Bayes; Smyth, Stat. Appl. Genet. Mol. Biol. 3(1), 2004, art. 3, from memory).
    """
    grid = distance.reshape(grid_shape)
    read = np.isfinite(grid).sum(axis=1, keepdims=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a station without any reading has no quarter
        own = np.nan_to_num(np.nanquantile(grid, 0.25, axis=1, keepdims=True) - np.nanquantile(grid, 0.25))
    moderated = own * read / (read + grid_shape[1])
    return np.asarray(np.broadcast_to(moderated, grid_shape).ravel())


def pooled(near: "csr_array", values: Floats) -> Floats:
    """Average each point with its neighbours, by nearness, over those that are read; (points,)."""
    read = np.isfinite(values)
    total = near @ np.where(read, values, 0.0)
    return np.where(read, total / np.maximum(near @ read.astype(float), 1e-12), np.nan)


def _quietest(around: Floats, sound: Mask, reference: Mask, read: int) -> Mask:
    """Choose two thirds of all readings, the quietest, references always among them."""
    others = sound & ~reference
    share = min(1.0, SOUND_SHARE * read / max(int(sound.sum()), 1))
    limit = np.quantile(around[others], share) if others.any() else np.inf
    return np.asarray(sound & (reference | (around <= limit)))


def _polished(values: Floats, sound: Mask, grid_shape: tuple[int, int], *, by_station: bool) -> Floats:
    """Take the medians of stations and positions off, in turn; of sound readings where there are any."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a station without any reading has no median
        left = values - np.nan_to_num(np.nanmedian(values, axis=0))
        grid = left.reshape(*grid_shape, -1)
        axes: tuple[int | tuple[int, int], ...] = (1, 0) if by_station else (0, (0, 1))
        for _ in range(POLISHES):
            for axis in axes:
                best = np.where(sound[:, None], left, np.nan).reshape(grid.shape)
                level = _median(best, axis)
                grid -= np.nan_to_num(np.where(np.isnan(level), _median(grid, axis), level))
    return left


def _median(grid: Floats, axis: int | tuple[int, int]) -> Floats:
    """Take medians along an axis, NaN where it has fewer than `FEWEST` readings."""
    enough = np.isfinite(grid).sum(axis=axis, keepdims=True) >= FEWEST
    return np.where(enough, np.nanmedian(grid, axis=axis, keepdims=True), np.nan)


def _log_distance(shape_db: Floats, noise_db2: Floats, sound: Mask) -> Floats:
    """Log of the squared Mahalanobis distance from zero, noise beyond the usual added to the covariance."""
    bands = shape_db.shape[1]
    values, vectors = np.linalg.eigh(np.cov(shape_db[sound].T))
    least = max(LEAST_SCATTER * float(values[-1]), 1e-9)  # recordings that are all alike have no scatter
    covariance = (vectors * np.maximum(values, least)) @ vectors.T
    read = np.isfinite(shape_db).all(axis=1)
    extra = np.maximum(noise_db2[read] - np.median(noise_db2[sound], axis=0), 0)
    own = covariance + extra[:, :, None] * np.eye(bands)
    squared = np.einsum("pb,pb->p", shape_db[read], np.linalg.solve(own, shape_db[read][:, :, None])[:, :, 0])
    distance = np.full(len(shape_db), np.nan)
    distance[read] = np.log(np.maximum(squared, 1e-12))
    return distance
