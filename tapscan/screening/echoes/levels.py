"""The level that sound wall returns over a zone, and how often chance alone falls short of it by so much.

The level is a low polynomial in the grid's two directions, once round on a tube, fitted by Tukey's biweight
(Rousseeuw & Leroy, Robust Regression, 1987, from memory), so that damage takes no part in it.

Where a wall slopes, its echoes from under the beam come at different times and partly cancel. Of a beam whose
sensitivity falls as a Gaussian of standard deviation w, on a wall whose time changes by g per mm,
exp(-(2 pi f w g)**2 / 2) is left at the frequency f: a loss in decibels proportional to the slope squared.
The zone's sound readings show the factor, so that the beam's width need not be known.

Sound readings gain as often as they lose, and damage never gains. So the readings that gain are the law of
chance: what share of all gains by so much, and beyond that an exponential tail with the mean excess of the
largest tenth of the gains (peaks over threshold; Davison & Smith, J. R. Stat. Soc. B 52, 1990, 393-442, from
memory). Noise widens that law by itself.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone

__all__ = [
    "MIN_READINGS",
    "ChanceLaw",
    "Level",
    "amplitude",
    "chance_law",
    "is_beyond_chance",
    "sound_level",
    "spread",
]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MIN_READINGS = 12
READINGS_PER_TERM = 6  # with fewer the level is the same all over
ROUNDS = 30
BIWEIGHT = 4.685  # standard deviations beyond which a reading has no weight: 95 % efficient for normal ones
# Walls of one zone agree to this at least, dB: couplant and hand.
LEAST_SPREAD_DB = 0.1
TAIL_SHARE = 0.1
# An area is listed when fewer than this many like it would turn up in a sound zone by chance.
MAX_CHANCE_COUNT = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """What sound wall returns, (stations, positions), and which readings say so.

    `flat` is the same of a wall that does not slope.
    """

    expected: Floats
    kept: Mask
    flat: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ChanceLaw:
    """Sizes of gains in rising order, out of so many readings; `scale` is the tail's mean excess."""

    gains: Floats
    readings: int
    scale: float

    def p_values(self, loss: Floats) -> Floats:
        """Chance that a sound reading loses at least as much; NaN stays NaN.

        Examples
        --------
        >>> law = chance_law(np.random.default_rng(1).normal(size=20_000))
        >>> law.p_values(np.array([0.0, 2.0, np.nan])).round(2)
        array([0.5 , 0.02,  nan])
        """
        start = round((1 - TAIL_SHARE) * len(self.gains))
        threshold = self.gains[start] if start < len(self.gains) else 0.0
        tail = max(len(self.gains) - start, 1) / self.readings
        more = (len(self.gains) - np.searchsorted(self.gains, loss)) / self.readings
        beyond = tail * np.exp(-np.maximum(loss - threshold, 0.0) / self.scale)
        p_value = np.where(loss > threshold, beyond, np.maximum(more, tail))
        return np.where(np.isfinite(loss), np.where(loss > 0, p_value, np.maximum(p_value, 0.5)), np.nan)


def chance_law(loss: Floats) -> ChanceLaw:
    """Learn the law of chance from what readings lose (any shape, NaN where unread); gains are below 0."""
    known = loss[np.isfinite(loss)]
    gains = np.sort(-known[known < 0])
    if not len(gains):
        return ChanceLaw(gains, max(len(known), 1), 1e-9)
    top = gains[round((1 - TAIL_SHARE) * len(gains)) :]
    excess = float((top - top[0]).mean()) if len(top) > 1 else 0.0
    # As many sound readings lose as gain; what loses beyond that is damage.
    return ChanceLaw(gains, 2 * len(gains), max(excess, 1e-3 * float(gains[-1]), 1e-9))


def sound_level(zone: Zone, level: Floats, marked: Mask | None = None, time: Floats | None = None) -> Level:
    """Fit the level of sound wall to readings (stations, positions), NaN where there is none.

    `marked` are known to be sound; `time` is the wall's, whose slope costs level. NaN everywhere with fewer
    than `MIN_READINGS`.
    """
    known = np.isfinite(level)
    count = int(known.sum())
    if count < MIN_READINGS:
        unknown = np.full(level.shape, np.nan)
        return Level(unknown, np.zeros(level.shape, dtype=bool), unknown)
    terms = _terms(level.shape, closed=zone.is_tube)
    terms = terms[..., : min(terms.shape[-1], max(1, count // READINGS_PER_TERM))]
    sloping = time is not None and bool(np.isfinite(time).all())
    if time is not None and sloping:
        terms = np.concatenate([terms, _slope_squared(zone, time)[..., None]], axis=-1)
    sure = np.zeros(level.shape, dtype=bool) if marked is None else marked
    basis, values, trusted = terms[known], level[known], sure[known]
    guess = float(np.median(values[trusted] if trusted.sum() >= MIN_READINGS else values))
    fit = np.full(count, guess)
    for _ in range(ROUNDS):
        rest = values - fit
        spread = max(1.4826 * float(np.median(np.abs(rest))), LEAST_SPREAD_DB)
        weight = np.where(trusted, 1.0, np.clip(1 - (rest / (BIWEIGHT * spread)) ** 2, 0, None) ** 2)
        root = np.sqrt(weight)
        solved = np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0]
        before, fit = fit, basis @ solved
        if float(np.abs(fit - before).max()) < 1e-6:
            break
    kept = np.zeros(level.shape, dtype=bool)
    kept[known] = weight > 0
    own = len(solved) - sloping
    return Level(np.asarray(terms @ solved), kept, np.asarray(terms[..., :own] @ solved[:own]))


def _terms(grid: tuple[int, ...], *, closed: bool) -> Floats:
    """Terms of the level at every point: constant, then slopes, then bends."""
    along, across = (np.linspace(-1, 1, n) if n > 2 else np.zeros(n) for n in grid)
    x, s = np.meshgrid(along, across, indexing="ij")
    turn = 2 * np.pi * np.arange(grid[1])[None] / grid[1] + 0 * x
    second = [np.cos(turn), np.sin(turn)] if closed else [s, s**2, x * s]
    return np.stack([np.ones_like(x), x, *second, x**2], axis=-1)


def amplitude(level_db: Floats) -> Floats:
    """Give the amplitude of a level over the front-surface echo's; 0 where there is no echo."""
    return np.where(np.isfinite(level_db), 10 ** (np.nan_to_num(level_db) / 20), 0.0)


def spread(values: Floats) -> float:
    """Give the robust standard deviation of what is finite about its median."""
    known = values[np.isfinite(values)]
    return 1.4826 * float(np.median(np.abs(known - np.median(known)))) if known.size else 0.0


def _slope_squared(zone: Zone, time: Floats) -> Floats:
    """Give the square of a surface's slope at every point, in shares of the largest."""
    girth_mm = (zone.girth_start_mm or 0.0) + (zone.girth_end_mm or 0.0)
    across_mm = zone.position_pitch_mm or girth_mm / 2 / zone.positions
    wide = np.pad(time, ((0, 0), (1, 1)), mode="wrap") if zone.is_tube else time
    squared = np.zeros(time.shape)
    for axis, pitch_mm in ((0, zone.station_pitch_mm), (1, across_mm)):
        if wide.shape[axis] > 2:
            slope = np.gradient(wide, pitch_mm, axis=axis, edge_order=2)
            squared += (slope[:, 1:-1] if zone.is_tube else slope) ** 2
    return squared / max(float(squared.max()), 1e-300)


def is_beyond_chance(p_value: Floats, readings: int, false_call_rate: float) -> bool:
    """Whether an area of points with these p-values, (members,), is rarer than chance in a sound zone.

    The number of ways in which `k` points can touch, diagonals included, is that of the fixed polyplets per
    cell (1, 4, 20, 110, 638; OEIS A006770, from memory), beyond which it grows about sixfold; each such set
    is suspect with chance q^k, and given that, the sum of ln(q / p) is a gamma variable (Fisher's method of
    combining p-values). Neighbours are taken to be independent.

    Examples
    --------
    >>> is_beyond_chance(np.array([0.009]), 480, 0.01), is_beyond_chance(np.full(4, 1e-4), 480, 0.01)
    (False, True)
    """
    from scipy.special import gammaincc

    ways = (1, 4, 20, 110, 638)
    size = p_value.size
    log_shapes = np.log(ways[min(size, len(ways)) - 1]) + max(size - len(ways), 0) * np.log(6.0)
    log_expected = np.log(readings) + log_shapes + size * np.log(false_call_rate)
    mass = float(np.sum(np.log(false_call_rate / np.maximum(p_value, 1e-300))))
    return bool(np.exp(min(log_expected, 700.0)) * gammaincc(size, max(mass, 0.0)) < MAX_CHANCE_COUNT)
