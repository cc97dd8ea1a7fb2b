"""What good looks like here: a robust model of the readings over a zone, and each reading's distance from it.

Good readings vary along a part: vibration modes, taper, junctions and stiff ends see to that. Along the
axis they may vary fast (a mode has its nodes, an insert its edge), but then much the same all round; round
the girth they vary slowly. So the baseline is a regression of all features on one free level per station
and a few slow waves round the girth (or across the panel).

It is fitted to the readings that agree with each other best: the multivariate least-trimmed-squares
estimator (Agulló, Croux & Van Aelst, J. Multivariate Analysis 99, 2008, 311-338, from memory), by the
concentration steps of FAST-MCD (Rousseeuw & Van Driessen, Technometrics 41, 1999, 212-223, from memory),
with one change: every station keeps its better half, lest a stiff end be mistaken for damage (later fits,
in `tapscan.screening.fitting`, let go of what lies in patches of damage). So damage that fills more than half
of a station's girth is held against its own like; only marked reference points or another scan can show it.

Everything is deterministic and depends neither on where the seam lies nor on the order of the readings: the
waves round the girth are pairs of sines and cosines, which a turn of the datum only mixes among themselves.
"""

from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from tapscan.screening.neighbours import apart

__all__ = [
    "END_STATIONS",
    "KEPT_SHARE",
    "Baseline",
    "Terms",
    "better_halves",
    "difference_terms",
    "distances",
    "fit_baseline",
    "fit_leverage",
    "refit",
    "surface_terms",
]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Up to a third of the readings may be damaged, so the first fit rests on the best two thirds, and on half
# of each ring.
KEPT_SHARE = 2 / 3
KEPT_IN_RING = 0.5
FEWEST_IN_RING = 4
# So many points marked as good say for themselves what is good in their ring, whatever its other half says.
MARKED_IN_RING = 3
MAX_STEPS = 20
# Fewer readings than this share change places where good and bad ones meet, to and fro, without end.
SETTLED_SHARE = 0.03
START_STEPS = 12
# Nearer than this, in median distances, no reading counts for more.
NEAREST = 0.1
# Weight, in readings, of "a station's level is half way between its neighbours'": next to nothing beside the
# readings of a ring, and enough to bridge a station without any.
BRIDGE_WEIGHT = 0.3
# The same for how the strike changes what is heard: ten stations have about one slope between them, unless
# many readings say otherwise; each slope costs half a term, then.
SLOPE_WEIGHT, SLOPE_COST = 3.0, 0.5
# A fit wants at least this many readings for each of its terms.
READINGS_PER_TERM = 4
# Terms times points: beyond this a large scan makes do with smooth terms, and with bounded memory and time.
MOST_CELLS = 5_000_000
# What a baseline may be composed of, finest first: Legendre order of the level along the axis (None: one free
# level for each station), and pairs of wave number across and order of its change along the axis, in cosines.
# A mode yields to taps as its deflection squared: in 2n waves round the girth where it has n, hence the two
# and the four; and along the axis in ½ (1 - cos 2πmx/L) where it has m half waves, hence the cosines. Waves
# that cannot change as fast as the modes do leave crests that the trimmed fit takes for damage and never
# takes in again.
# The finest follow damage too unless readings hold them to what is good: they want more than others.
READINGS_PER_FINE_TERM = 4.6
RECIPES: tuple[tuple[float, int | None, tuple[tuple[int, int], ...]], ...] = (
    (READINGS_PER_FINE_TERM, None, ((1, 2), (2, 8), (4, 8))),
    (READINGS_PER_FINE_TERM, None, ((1, 2), (2, 6), (4, 4))),
    (READINGS_PER_FINE_TERM, None, ((1, 2), (2, 4), (4, 2))),
    (READINGS_PER_FINE_TERM, None, ((1, 2), (2, 3), (4, 1))),
    (READINGS_PER_TERM, None, ((1, 2), (2, 1))),
    (READINGS_PER_TERM, 6, ((1, 2), (2, 1))),
    (READINGS_PER_TERM, 6, ((1, 1),)),
    (READINGS_PER_TERM, 2, ((1, 1),)),
    (READINGS_PER_TERM, 2, ((1, 0),)),
    (READINGS_PER_TERM, 2, ()),
    (READINGS_PER_TERM, 0, ()),
)
# What two like zones may differ in without either being damaged: coupling, air and wear change slowly or not
# at all. No level for each station, or damage all round one would be taken for its level.
DIFFERENCE_RECIPE: tuple[int, tuple[tuple[int, int], ...]] = (1, ((1, 1), (2, 0)))
# Spread is judged over this many stations to either side, and noisiness over this many.
SPREAD_STATIONS = 2
NOISE_STATIONS = 1
# So many stations at either end are judged by how far the farthest twentieth of their own good readings lies,
# if they have enough of them. Waves that an end has to itself would tell more, and follow damage there.
END_STATIONS, STRAYING, FEWEST_AT_END = 2, 0.95, 6
# Further out than so many times that is no stray, but damage.
FARTHEST_STRAY = 1.5
# A twentieth of a dozen readings tells that to a seventh: less than this times the usual is chance.
CLEARLY_STRAYING = 1.2
# Beyond this condition number the kept readings do not tell all of the terms.
MOST_CONDITION = 1e10
# A hand misses its mark by a fifth of a station or so (common practice, no published source). Where good
# readings change fast along the part, that alone moves them, in a direction that is known.
MISPLACED_STATIONS = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """What a baseline is composed of.

    `columns` has shape (points, k), points in the order of the raveled grid, which is `closed` round a tube;
    `penalty` (k, k) weighs down rough mixtures of them. `keeps_rings` says whether every station keeps its
    better half in the robust fit: it must where stations have levels of their own, and must not where damage
    may fill whole stations. `follows_modes` says whether the waves are as fine as vibration modes want them.
    """

    columns: Floats
    penalty: Floats
    grid_shape: tuple[int, int]
    closed: bool
    keeps_rings: bool = True
    follows_modes: bool = False

    def beside(self, covariate: Floats, readings: int) -> "Terms":
        """Let good readings vary linearly with a covariate, (points,).

        Each station has a slope of its own, near its neighbours', where readings allow; else there is one
        slope.
        """
        stations, positions = self.grid_shape
        free = self.columns.shape[1] + SLOPE_COST * stations <= readings // READINGS_PER_TERM
        along = np.eye(stations) if free else _legendre(stations, 0)
        slopes = np.repeat(along, positions, axis=0) * covariate[:, None]
        count = self.columns.shape[1]
        penalty = np.zeros((count + slopes.shape[1],) * 2)
        penalty[:count, :count] = self.penalty
        if free:
            penalty[count:, count:] = SLOPE_WEIGHT * _bridge(stations)
        return replace(self, columns=np.column_stack([self.columns, slopes]), penalty=penalty)


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """A fitted baseline.

    Shapes: `coefficients` (k, features); `leverage` (points,); `kept` (points,) the readings that the fit
    rests on; `spread` (points, features) robust standard deviation of good readings at each point;
    `precision` (features, features) inverse correlation of good residuals in units of that spread; `slope`
    (points, features) how far a misplaced hand moves the features, in the same units; `noisiness` (points,)
    how much further good readings stray here than in the zone as a whole.
    """

    terms: Terms
    coefficients: Floats
    leverage: Floats
    kept: Mask
    spread: Floats
    precision: Floats
    slope: Floats
    noisiness: Floats

    @property
    def expected(self) -> Floats:
        """What a good reading would be at every point: (points, features)."""
        return self.terms.columns @ self.coefficients


def surface_terms(
    stations: int, positions: int, *, closed: bool, readings: int, follows_modes: bool = True
) -> Terms:
    """Choose the finest of `RECIPES` that this many readings carry.

    The finest are there for what vibration modes do to taps. Back walls know no modes: waves that fast could
    only follow the damage, so without `follows_modes` they are left out.

    Examples
    --------
    >>> surface_terms(40, 12, closed=True, readings=480).columns.shape
    (480, 82)
    >>> surface_terms(4, 6, closed=True, readings=24).columns.shape
    (24, 6)
    """
    for per_term, along, waves in RECIPES:
        if per_term == READINGS_PER_FINE_TERM and not follows_modes:
            continue
        columns = _composed((stations, positions), along, waves, closed=closed)
        count = columns.shape[1]
        if count * per_term <= readings and count * stations * positions <= MOST_CELLS:
            break
    penalty = np.zeros((count, count))
    if along is None:
        penalty[:stations, :stations] = BRIDGE_WEIGHT * _bridge(stations)
    is_fine = per_term == READINGS_PER_FINE_TERM
    return Terms(columns, penalty, (stations, positions), closed, follows_modes=is_fine)


def difference_terms(stations: int, positions: int, *, closed: bool) -> Terms:
    """Compose what two like zones may differ in: a level, a slope along the axis, slow waves across.

    Examples
    --------
    >>> difference_terms(40, 12, closed=True).columns.shape
    (480, 8)
    """
    columns = _composed((stations, positions), *DIFFERENCE_RECIPE, closed=closed)
    penalty = np.zeros((columns.shape[1],) * 2)
    return Terms(columns, penalty, (stations, positions), closed, keeps_rings=False)


def _composed(
    grid_shape: tuple[int, int], along: int | None, waves: tuple[tuple[int, int], ...], *, closed: bool
) -> Floats:
    """Lay levels along the axis and waves across side by side: (points, k)."""
    stations, positions = grid_shape
    levels = np.eye(stations) if along is None else _legendre(stations, along)
    across = [
        np.outer(profile, wave).ravel()
        for number, order in waves
        for wave in _waves(positions, number, closed=closed)
        for profile in _cosines(stations, order).T
    ]
    return np.column_stack([np.repeat(levels, positions, axis=0), *across])


def _bridge(stations: int) -> Floats:
    """Penalty on what is not half way between its neighbours along the axis, (stations, stations)."""
    bend = np.diff(np.eye(stations), n=2, axis=0)
    return np.asarray(bend.T @ bend)


def _waves(positions: int, number: int, *, closed: bool) -> list[Floats]:
    """Slow functions: `number` waves round the girth, or that order across; none where positions are few."""
    if not closed:
        return [_legendre(positions, number)[:, number]] if number <= (positions - 1) // 2 else []
    turn = 2 * np.pi * np.arange(positions) / positions
    return [np.cos(number * turn), np.sin(number * turn)] if positions > 2 * number + 1 else []


def _cosines(count: int, order: int) -> Floats:
    """Cosines of 0 to `order` half waves on `count` points, no more of them than half the points carry."""
    half_waves = np.arange(min(order, max(0, (count - 1) // 2)) + 1)
    return np.asarray(np.cos(np.pi * np.outer(np.arange(count) + 0.5, half_waves) / count))


def _legendre(count: int, order: int) -> Floats:
    """Legendre polynomials on `count` evenly spaced points, no more of them than half the points carry."""
    from numpy.polynomial.legendre import legvander

    grid = np.linspace(-1, 1, count) if count > 1 else np.zeros(1)
    return np.asarray(legvander(grid, min(order, max(0, (count - 1) // 2))), dtype=float)


def fit_baseline(features: Floats, terms: Terms, reference: Mask, noise: Floats) -> Baseline:
    """Fit the baseline to the readings that agree best.

    Parameters
    ----------
    features
        Shape (points, features); rows with a NaN are unread and take no part.
    terms
        From `surface_terms`.
    reference
        Shape (points,): points known to be good. They are always kept.
    noise
        Shape (points, features): standard deviation of each feature by what was measured of the noise
        beside it.

    Raises
    ------
    ValueError
        When there are no readings.
    """
    read = np.asarray(np.isfinite(features).all(axis=1))
    if not read.any():
        msg = "there are no readings to fit a baseline to"
        raise ValueError(msg)
    kept = _agreeing(_first_distances(features, terms, read, reference), terms, read, reference & read)
    before = fit = _fit(features, terms, kept, noise)
    few = SETTLED_SHARE * read.sum()
    for _ in range(MAX_STEPS):
        # By and large each step tightens the readings that are kept.
        kept = _agreeing(distances(features, fit), terms, read, reference & read)
        changed = np.count_nonzero(kept != fit.kept)
        if changed <= few:
            return _fit(features, terms, kept, noise) if changed else fit
        goes_to_and_fro = before is not fit and np.count_nonzero(kept != before.kept) <= few
        before, fit = fit, _fit(features, terms, kept, noise)
        if goes_to_and_fro:
            break
    # Two sets may give way to each other without end. The one that agrees more closely was chosen for just
    # that, and makes the others look far.
    return max(before, fit, key=lambda one: _scatter(features, one))


def refit(features: Floats, terms: Terms, good: Mask, noise: Floats) -> Baseline:
    """Fit on all readings that turned out `good`, (points,): the trimmed fit is robust but wasteful."""
    return _fit(features, terms, good & np.isfinite(features).all(axis=1), noise)


def distances(features: Floats, baseline: Baseline) -> Floats:
    """Mahalanobis distance of each reading from what is expected there; NaN where unread; shape (points,).

    A reading that the fit rests on pulls the model towards itself; it is held against the fit that would
    have been without it (deletion formulas: Cook & Weisberg, Residuals and Influence in Regression, 1982,
    ch. 2, from memory).
    """
    scaled = (features - baseline.expected) / baseline.spread
    squared = _squared(scaled, baseline.slope, baseline.precision) / baseline.noisiness**2
    freedom = max(int(baseline.kept.sum()) - round(float(baseline.leverage[baseline.kept].sum())), 3)
    inside = squared / np.maximum(1 - baseline.leverage, 0.05)
    deleted = inside * (freedom - 1) / np.maximum(freedom - inside, 1.0)
    return np.asarray(np.sqrt(np.where(baseline.kept, deleted, squared / (1 + baseline.leverage))))


def _first_distances(features: Floats, terms: Terms, read: Mask, reference: Mask) -> Floats:
    """Distance of each reading from a first fit that damage hardly moves, (points,).

    Least squares, each reading weighted by the inverse square of its distance: what maximum likelihood for a
    Student law comes to as its degrees of freedom go to none (Lange, Little & Taylor, J. Amer. Stat. Assoc.
    84, 1989, 881-896, from memory), here with features taken one by one for the distance. On an even grid no
    reading has a lever long enough to turn it by itself. Of stations with points enough marked as good only
    those take part.
    """
    marked = reference & read
    trusted = marked | (read & ~np.repeat(_told_by_marks(terms, marked), terms.grid_shape[1]))
    own, values = terms.columns[trusted], features[trusted]
    ridge = terms.penalty + 1e-9 * np.eye(own.shape[1])
    weight = np.ones(len(values))
    for _ in range(START_STEPS):
        weighted = own * weight[:, None]
        coefficients = np.linalg.solve(own.T @ weighted + ridge, weighted.T @ values)
        residual = features - terms.columns @ coefficients
        distance = np.linalg.norm(residual / _median_size(residual[trusted]), axis=1)
        weight = np.maximum(distance[trusted] / _median_size(distance[trusted]), NEAREST) ** -2
    return np.asarray(distance)


def _scatter(features: Floats, fit: Baseline) -> float:
    """Generalised variance of the readings that a fit rests on, as its logarithm."""
    residual = (features - fit.expected)[fit.kept]
    return float(np.linalg.slogdet(residual.T @ residual / len(residual))[1])


def _median_size(residual: Floats) -> Floats:
    size = np.median(np.abs(residual), axis=0)
    return np.where(size > 0, size, 1.0)


def _agreeing(distance: Floats, terms: Terms, read: Mask, reference: Mask) -> Mask:
    """Choose the readings to rest on: references, the better half of every ring, then the nearest of all."""
    kept = reference | better_halves(np.where(read, distance, np.nan), terms, reference)
    wanted = int(np.ceil(KEPT_SHARE * read.sum())) - int(kept.sum())
    order = np.argsort(np.where(kept | ~read, np.inf, distance), kind="stable")
    kept[order[: max(wanted, 0)]] = True
    return np.asarray(kept & read)


def better_halves(distance: Floats, terms: Terms, reference: Mask) -> Mask:
    """Mark the nearer half of every ring's readings, (points,); none where the baseline has no such rings.

    `distance` is NaN where unread. Rings with points enough marked as good in `reference` need no such help.
    """
    read = np.isfinite(distance).reshape(terms.grid_shape)
    # A ring of very few points has no better half worth the name.
    if not terms.keeps_rings or terms.grid_shape[1] < FEWEST_IN_RING:
        return np.zeros(distance.shape, dtype=bool)
    ranked = np.where(reference, -1.0, np.where(read.ravel(), distance, np.inf)).reshape(terms.grid_shape)
    place = np.argsort(np.argsort(ranked, axis=1, kind="stable"), axis=1)
    in_ring = np.ceil(KEPT_IN_RING * read.sum(axis=1, keepdims=True))
    in_ring[_told_by_marks(terms, reference)] = 0
    return np.asarray((place < in_ring) & read).ravel()


def _told_by_marks(terms: Terms, reference: Mask) -> Mask:
    """Say of which stations enough points are marked as good to say what is good there, (stations,)."""
    return np.asarray(reference.reshape(terms.grid_shape).sum(axis=1) >= MARKED_IN_RING)


def _fit(features: Floats, terms: Terms, kept: Mask, noise: Floats) -> Baseline:
    inverse = _inverse(terms, kept)
    coefficients = inverse @ (terms.columns[kept].T @ features[kept])
    leverage = _leverage(terms, inverse)
    residual = features - terms.columns @ coefficients
    residual /= np.sqrt(np.where(kept, np.maximum(1 - leverage, 0.05), 1 + leverage))[:, None]
    # The median absolute deviation of a normal law is 0.6745 standard deviations.
    spread = _local_median(np.abs(residual), terms, kept, SPREAD_STATIONS) / 0.6745
    spread = np.asarray(np.hypot(spread, noise))
    scaled = residual / spread
    correlation = _shrunk(scaled[kept].T @ scaled[kept] / int(kept.sum()), int(kept.sum()))
    precision = np.asarray(np.linalg.inv(correlation), dtype=float)
    slope = MISPLACED_STATIONS * _along(terms, coefficients) / spread
    size = np.sqrt(_squared(scaled, slope, precision))
    # A copy held against its original leaves nothing at all, which is nowhere noisier than elsewhere.
    typical = float(np.median(size[kept])) or 1.0
    noisiness = _local_median(size[:, None], terms, kept, NOISE_STATIONS)[:, 0] / typical
    strays = _strays_at_ends(size, terms, kept)
    noisiness = np.where(strays > CLEARLY_STRAYING * noisiness, strays, noisiness)
    return Baseline(terms, coefficients, leverage, kept, spread, precision, slope, noisiness)


def fit_leverage(terms: Terms, kept: Mask) -> Floats:
    """Variance at every point of a fit to the `kept` readings, (points,), in variances of one reading.

    Examples
    --------
    >>> terms = Terms(np.ones((8, 1)), np.zeros((1, 1)), (1, 8), closed=False)
    >>> fit_leverage(terms, np.arange(8) < 4).round(2).tolist()  # a mean of four
    [0.25, 0.25, 0.25, 0.25, 0.25, 0.25, 0.25, 0.25]
    """
    return _leverage(terms, _inverse(terms, kept))


def _inverse(terms: Terms, kept: Mask) -> Floats:
    own = terms.columns[kept]
    normal = own.T @ own + terms.penalty
    with suppress(np.linalg.LinAlgError):
        inverse = np.asarray(np.linalg.inv(normal))
        if np.linalg.norm(normal, 1) * np.linalg.norm(inverse, 1) < MOST_CONDITION:
            return inverse
    # Something that no kept reading tells of: it is left out, which takes three times as long to work out.
    return np.asarray(np.linalg.pinv(normal, hermitian=True))


def _leverage(terms: Terms, inverse: Floats) -> Floats:
    return np.asarray(np.clip(np.einsum("ij,ij->i", terms.columns @ inverse, terms.columns), 0.0, None))


def _strays_at_ends(size: Floats, terms: Terms, kept: Mask) -> Floats:
    """How much further than elsewhere the farther of the good readings lie at each station of an end.

    0 elsewhere. There most readings are as good as anywhere, and a few stray far. A median does not know of
    these, and not all of them are kept: what is left out counts where it lies apart and not too far out.
    """
    grid, counted = size.reshape(terms.grid_shape), kept.reshape(terms.grid_shape)
    stations = len(grid)
    strays = np.zeros(terms.grid_shape)
    inner = slice(END_STATIONS, stations - END_STATIONS)
    # Where ends are nearly half of a zone, there is no elsewhere.
    if np.count_nonzero(counted[inner].any(axis=1)) < 3 * END_STATIONS:
        return strays.ravel()
    usual = float(np.quantile(grid[inner][counted[inner]], STRAYING)) or 1.0
    left_out = np.isfinite(grid) & ~counted
    near = left_out & (grid <= FARTHEST_STRAY * usual)
    counted = counted | (near & apart(left_out, closed=terms.closed))
    for station in (*range(END_STATIONS), *range(stations - END_STATIONS, stations)):
        if counted[station].sum() >= FEWEST_AT_END:
            strays[station] = np.quantile(grid[station][counted[station]], STRAYING) / usual
    return strays.ravel()


def _along(terms: Terms, coefficients: Floats) -> Floats:
    """How fast the expected features change from station to station: (points, features)."""
    expected = terms.columns @ coefficients
    if terms.grid_shape[0] == 1:
        return np.zeros_like(expected)
    grid = expected.reshape(*terms.grid_shape, -1)
    return np.asarray(np.gradient(grid, axis=0), dtype=float).reshape(expected.shape)


def _squared(scaled: Floats, slope: Floats, precision: Floats) -> Floats:
    """Squared Mahalanobis distances with the hand's misplacement added to the covariance.

    Each point's covariance gains the rank-one term slope·slopeᵀ; its inverse follows from Sherman and
    Morrison (1950).
    """
    weighted = slope @ precision
    along = np.einsum("ij,ij->i", weighted, scaled)
    explained = along**2 / (1 + np.einsum("ij,ij->i", weighted, slope))
    return np.asarray(np.einsum("ij,ij->i", scaled @ precision, scaled) - explained)


def _local_median(size: Floats, terms: Terms, kept: Mask, reach: int) -> Floats:
    """Median of the kept sizes over some stations to either side, as far as it can be told from the whole's.

    Some tens of readings tell a median to a tenth or so, and errors of that size in many features make good
    readings look far. So the local medians' logarithms are shrunk towards the whole zone's by the share of
    their scatter that chance does not explain (empirical Bayes: Efron & Morris, J. Amer. Stat. Assoc. 70,
    1975, 311-319, from memory). Half of the stations at most may be damaged: the scatter is told by a median.
    """
    whole = np.maximum(np.median(size[kept], axis=0), 1e-9)
    # The variance of a median's logarithm: (2 f m)⁻² over the readings, with f the density at the median m.
    middle = np.quantile(size[kept], (0.4, 0.6), axis=0)
    variance = ((middle[1] - middle[0]) / 0.4 / whole) ** 2
    median, readings = _medians_nearby(size, terms.grid_shape, kept, reach)
    local = np.log(np.maximum(np.where(readings > 0, median, whole), 1e-9) / whole)
    chance = variance / np.maximum(readings, 1)
    # A squared normal deviate has its median at 0.455.
    true = max(float(np.median(local**2) / 0.455 - chance.mean()), 0.0)
    shrunk = whole * np.exp(local * true / np.maximum(true + chance, 1e-12))
    return np.repeat(shrunk, terms.grid_shape[1], axis=0)


def _medians_nearby(
    size: Floats, grid_shape: tuple[int, int], kept: Mask, reach: int
) -> tuple[Floats, NDArray[np.intp]]:
    """Median of the kept sizes over each station and its neighbours, (stations, features); of how many."""
    stations, positions = grid_shape
    grid = np.where(kept, size.T, np.inf).reshape(-1, stations, positions)
    padded = np.pad(grid, ((0, 0), (reach, reach), (0, 0)), constant_values=np.inf)
    near = sliding_window_view(padded, 2 * reach + 1, axis=1).reshape(len(grid), stations, -1)
    ordered, count = np.sort(near, axis=2), np.isfinite(near[0]).sum(axis=1)
    station, upper = np.arange(stations), count // 2
    lower = np.maximum(count - 1, 0) // 2
    return ((ordered[:, station, lower] + ordered[:, station, upper]) / 2).T, count[:, None]


def _shrunk(covariance: Floats, readings: int) -> Floats:
    """Pull the correlations towards none by as much as their number of readings leaves them uncertain.

    Shrinkage to the diagonal (Schäfer & Strimmer, Stat. Appl. Genet. Mol. Biol. 4(1), 2005, art. 32, from
    memory), with the simple weight features / (features + readings) in place of their estimated one.
    """
    variance = np.maximum(np.diag(covariance), 1e-4)  # less is rounding: about one is due
    weight = covariance.shape[0] / (covariance.shape[0] + readings)
    shrunk = (1 - weight) * covariance
    shrunk[np.diag_indices_from(shrunk)] = variance
    return np.asarray(shrunk)
