"""What sound laminate sounds like at each point of this zone, and how far each point is from it.

Sound readings change from station to station (nodes of axial modes, stiff ends) and from position to position
(a lap joint, a seam), so a median polish takes a level for each station and each position off
(Tukey, *Exploratory Data Analysis*, 1977, from memory). On an odd shape they follow the place itself
(`faces`). What is left scatters about zero where the laminate
is sound, and more so where taps on one and the same point disagree. Its covariance comes from the two thirds
of the zone that are quietest *together with their neighbours*, since damage is wider than one point, in steps
of concentration as the minimum covariance determinant takes
(Rousseeuw & Van Driessen, Technometrics 41, 1999, 212-223, from memory).
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.taps.faces import followed
from tapscan.screening.taps.points import N_BANDS, TapPoints

if TYPE_CHECKING:
    from scipy.sparse import csr_array

__all__ = ["Baseline", "Levels", "fit_baseline", "pooled"]

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
LEAST_DB = 0.01  # numerical: recordings that are all alike have no scatter
NORMAL = 1.4826  # standard deviation over the median absolute deviation, of a normal law


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """A zone's readings about its baseline; one row a point, NaN where unread.

    Shapes: `off_db` (points, features + 1) what is left of `TapPoints.sound_db`, then of the level;
    `station_db` likewise how far the level of the point's station is from the usual station's, and
    `station_spread_db` (features + 1,) the standard deviation of that over the stations;
    `spread_db` (points, features + 1) the standard deviation of sound readings there; `noise_db2` (points,
    bands) how much more than the usual the room adds to its variance; `distance` (points,) log of the squared
    Mahalanobis distance in the bands, over its median where sound; `around` (points,) the same averaged with
    the neighbours'; `sound` (points,) the readings that the baseline rests on.
    """

    off_db: Floats
    station_db: Floats
    station_spread_db: Floats
    spread_db: Floats
    noise_db2: Floats
    distance: Floats
    around: Floats
    sound: Mask


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """What sound readings follow over a zone.

    `terms` (points, terms), from `faces.face_terms`, in place of levels of stations and positions. Without
    them, `by_station` is whether stations have a level of their own. A like zone's difference is compared
    without, since little but damage makes one station unlike the next there; another hand at stiff ends does
    so, too.
    """

    by_station: bool = True
    terms: Floats | None = None


BOTH_WAYS = Levels()


def fit_baseline(
    points: TapPoints,
    grid_shape: tuple[int, int],
    near: "csr_array",
    reference: Mask,
    damaged: Mask,
    *,
    levels: Levels = BOTH_WAYS,
) -> Baseline:
    """Fit the baseline of a zone's points, or of their differences from a like zone.

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
    levels
        What is taken off.
    """
    values = np.column_stack([points.sound_db, points.level_db])
    noise_db2 = points.noise_db2[:, :N_BANDS]
    sound = points.read & (reference | ~damaged)
    if levels.terms is not None:
        off_db, station_db = values - followed(levels.terms, values, sound), np.zeros_like(values)
    else:
        first = (reference, sound)
        off_db, station_db = _polished(values, first, sound, grid_shape, by_station=levels.by_station)
    wide = _relative_scatter(points, off_db, sound, grid_shape)
    quiet = sound
    for _ in range(CONCENTRATIONS):
        distance = _log_distance(off_db, noise_db2, wide, quiet)
        around = pooled(near, np.where(sound, distance, np.nan))
        quiet = _quietest(around, sound, reference, int(points.read.sum()))
    distance = _log_distance(off_db, noise_db2, wide, quiet)
    distance = distance - np.median(distance[quiet])
    around = pooled(near, distance)
    spread = NORMAL * np.median(np.abs(off_db / wide)[quiet], axis=0) * wide
    # The median of n readings has a variance of π / 2n of theirs.
    chance_db2 = np.pi / 2 / grid_shape[1] * np.median(spread, axis=0) ** 2
    station_spread_db = np.sqrt((NORMAL * np.median(np.abs(station_db), axis=0)) ** 2 + chance_db2)
    extra = np.zeros_like(off_db)
    extra[:, :-1] = np.maximum(points.noise_db2 - np.median(points.noise_db2[quiet], axis=0), 0)
    return Baseline(
        off_db=off_db,
        station_db=station_db,
        station_spread_db=np.maximum(station_spread_db, LEAST_DB),
        spread_db=np.sqrt(np.maximum(spread, 1e-6) ** 2 + extra),
        noise_db2=extra[:, :N_BANDS],
        distance=distance,
        around=around - np.median(around[quiet]),
        sound=quiet,
    )


def _relative_scatter(points: TapPoints, off_db: Floats, sound: Mask, grid_shape: tuple[int, int]) -> Floats:
    """Give how much more sound readings scatter at a point than in all the zone, (points, features + 1).

    Where taps on one and the same point disagree more, so do sound points beside each other: at stiff ends
    and over nodes a millimetre changes the sound. Damage has no part in the scatter of a point's own taps, so
    how far the one goes with the other is read from this zone, over all stations and features, as the slope
    of the logs (a variance function with a power of a covariate; Carroll & Ruppert, *Transformation and
    Weighting in Regression*, 1988, ch. 3, from memory). Without repeated taps the slope is 0.
    """
    own, beside = (
        np.log(np.maximum(values, LEAST_DB))[:, None]
        for values in (
            _median(np.where(sound[:, None], np.abs(v), np.nan).reshape(*grid_shape, -1), 1)[:, 0]
            for v in (np.sqrt(points.repeat_db2), off_db[:, :-1])
        )
    )
    own, beside = (np.nan_to_num(log - _median(log, 0))[:, 0] for log in (own, beside))
    slope = min(max(float((own * beside).sum() / max((own**2).sum(), 1e-9)), 0.0), 1.0)
    wide = np.repeat(np.exp(slope * own), grid_shape[1], axis=0)
    return np.column_stack([wide, np.ones(len(wide))])


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


def _polished(
    values: Floats, first: tuple[Mask, ...], sound: Mask, grid_shape: tuple[int, int], *, by_station: bool
) -> tuple[Floats, Floats]:
    """Take the medians of stations and positions off, in turn.

    A position's level is that of its `sound` readings; a station's is that of the `first` of these masks of
    which it has readings enough, and of all its readings where it has too few of each. Gives what is left,
    and how far each station's level is from the usual station's, (points, features + 1).
    """
    left = values - np.nan_to_num(_median(values, 0, fewest=1))
    grid = left.reshape(*grid_shape, -1)
    moved = np.zeros((grid_shape[0], 1, grid.shape[2]))
    for _ in range(POLISHES):
        for axis in (1, 0) if by_station else (0,):
            level = _median(grid, axis)
            for mask in (first if axis == 1 else (sound,))[::-1]:
                best = _median(np.where(mask[:, None], left, np.nan).reshape(grid.shape), axis)
                level = np.where(np.isnan(best), level, best)
            level = np.nan_to_num(level)
            grid -= level
            if axis == 1:
                moved += level
    moved -= np.median(moved, axis=0)
    return left, np.repeat(moved[:, 0], grid_shape[1], axis=0)


def _median(values: Floats, axis: int, *, fewest: int = FEWEST) -> Floats:
    """Take medians along an axis, kept, of those that are finite; NaN where there are fewer than `fewest`."""
    ordered = np.sort(values, axis=axis)  # NaN last
    count = np.isfinite(values).sum(axis=axis, keepdims=True)
    low, high = (
        np.take_along_axis(ordered, np.clip(at, 0, values.shape[axis] - 1), axis)
        for at in ((count - 1) // 2, count // 2)
    )
    return np.where(count >= fewest, (low + high) / 2, np.nan)


def _log_distance(off_db: Floats, noise_db2: Floats, wide: Floats, sound: Mask) -> Floats:
    """Log of the squared Mahalanobis distance from zero in the bands, at each point's own scatter.

    Noise beyond the usual is added to the covariance.
    """
    steady, extra = off_db[:, :N_BANDS] / wide[:, :N_BANDS], noise_db2 / wide[:, :N_BANDS] ** 2
    values, vectors = np.linalg.eigh(np.cov(steady[sound].T))
    least = max(LEAST_SCATTER * float(values[-1]), 1e-9)  # recordings that are all alike have no scatter
    covariance = (vectors * np.maximum(values, least)) @ vectors.T
    read = np.isfinite(steady).all(axis=1)
    extra = np.maximum(extra[read] - np.median(extra[sound], axis=0), 0)
    own = covariance + extra[:, :, None] * np.eye(N_BANDS)
    squared = np.einsum("pb,pb->p", steady[read], np.linalg.solve(own, steady[read][:, :, None])[:, :, 0])
    distance = np.full(len(steady), np.nan)
    distance[read] = np.log(np.maximum(squared, 1e-12))
    return distance
