"""From distances to p-values and calls at the false-call rate that was asked for.

No textbook law is trusted for the distances: features are correlated and not quite normal. The law of the
*good* readings is taken from the readings themselves, from the part of their distribution that damage
cannot reach: an empirical null (Efron, J. Amer. Stat. Assoc. 99, 2004, 96-104, from memory). Squared
distances follow a beta-prime law (a scaled F law), as they do when features are normal or Student-t about
the baseline; it is fitted by maximum likelihood truncated from above.

How heavy the tail is decides on the rare calls, and a hundred readings hardly tell. So no tail is chosen:
each of a range of tails has its own fit, and counts by how well that explains the readings. The p-value is
the mean over them, the predictive one (Aitchison & Dunsmore, Statistical Prediction Analysis, 1975, from
memory), which is right on average where that of the best fit is too bold.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.tail_fits import fit_tails

__all__ = [
    "MIN_READINGS",
    "NullLaw",
    "agreeing",
    "chance_count",
    "fit_null_law",
    "is_beyond_chance",
    "limit_distance",
    "p_values",
]

Floats = NDArray[np.float64]

MIN_READINGS = 12
MOST_READINGS = 10_000
# The first fit uses what lies below this quantile: a third of damaged points cannot reach it from above.
FIRST_SHARE = 0.6
# Later fits look further into the tail, up to what is rare among good readings. With this share of readings
# beyond, only a short look is safe, and a light tail the better guess; with less, a long look tells the tail.
MUCH_DAMAGE = 0.2
MAX_ROUNDS = 20
# A short look cannot always tell how wide a law is: up to its middle, a wide one rises like a narrow one. So
# no look reaches further than this many times (in squared distance) what was seen so far.
MOST_GROWTH = 12.0
# From one heavier than any that good readings were seen to have, to one that is a gamma law's. Evenly
# spaced in 1/√tail, near enough, where laws differ about evenly.
TAILS = (2.5, 3.5, 5.0, 7.0, 10.0, 15.0, 25.0, 50.0, 1000.0)
# An area is listed as an indication when fewer than this many like it would turn up in a sound zone by
# chance, if neighbours were independent. They are not quite, so this is stricter than one would ask of a
# true count; a delamination the size of a coin is rarer than that by dozens of powers of ten.
MAX_CHANCE_COUNT = 1e-3


@dataclass(frozen=True, slots=True)
class _Look:
    """How far into the tail a fit looks, up to `above_p`, and how strongly it leans to a light one.

    `tail_weight / tail` is taken from a tail's log-likelihood.
    """

    above_p: float
    tail_weight: float


SHORT_LOOK, LONG_LOOK = _Look(0.02, 20.0), _Look(0.002, 0.0)


@dataclass(frozen=True, slots=True)
class NullLaw:
    """Squared distances d² of good readings: a mixture, one entry each in `shape`, `scale`, `tail`, `weight`.

    In each, d² / (scale · tail) is beta-prime with (shape, tail); as `tail` grows this becomes a gamma law
    with this shape and scale. The weights add up to 1.
    """

    shape: tuple[float, ...]
    scale: tuple[float, ...]
    tail: tuple[float, ...]
    weight: tuple[float, ...]


def fit_null_law(distance: Floats) -> NullLaw:
    """Fit the law of the good readings' distances, given all readings' distances (NaN where unread).

    Raises
    ------
    ValueError
        When fewer than `MIN_READINGS` distances are finite.

    Examples
    --------
    >>> draws = np.sqrt(np.random.default_rng(1).chisquare(4, size=2000))
    >>> law = fit_null_law(draws)
    >>> bool(abs(limit_distance(law, 0.01) - 13.277**0.5) < 0.15)  # the chi-squared table's 1 % point
    True
    """
    squared = np.sort(distance[np.isfinite(distance)] ** 2)
    if squared.size < MIN_READINGS:
        msg = f"{squared.size} readings are too few to know how good readings spread"
        raise ValueError(msg)
    if squared.size > MOST_READINGS:
        # Evenly spaced quantiles say as much of a law with three parameters as millions of readings do.
        squared = squared[np.linspace(0, squared.size - 1, MOST_READINGS).round().astype(int)]
    limit = float(np.quantile(squared, FIRST_SHARE))
    law, limit = _settled(squared, _fit_truncated(squared, limit, SHORT_LOOK), limit, SHORT_LOOK)
    if np.mean(squared > limit) < MUCH_DAMAGE:
        law, _ = _settled(squared, law, limit, LONG_LOOK)
    return law


def _settled(squared: Floats, law: NullLaw, limit: float, look: _Look) -> tuple[NullLaw, float]:
    """Refit to what the law itself calls usual until that stands; return the law and the limit it saw."""
    for _ in range(MAX_ROUNDS):
        new_limit = min(limit_distance(law, look.above_p) ** 2, MOST_GROWTH * limit)
        if (squared <= new_limit).sum() == (squared <= limit).sum():
            break
        limit = new_limit
        law = _fit_truncated(squared, limit, look, law)
    return law, limit


def p_values(distance: Floats, law: NullLaw) -> Floats:
    """Chance that a good reading lies at least this far out; NaN stays NaN."""
    from scipy.special import betainc

    scale, tail = np.array(law.scale), np.array(law.tail)
    with np.errstate(over="ignore"):  # infinitely far out is a chance of none
        share = 1 / (1 + distance[..., None] ** 2 / (scale * tail))
    each = betainc(tail, np.array(law.shape), share)
    return np.asarray(np.minimum(each @ np.array(law.weight), 1.0))


def agreeing(distance: Floats, law: NullLaw) -> NDArray[np.bool_]:
    """Mark the readings that may be relied on to say what is good; not the unread, whose distance is NaN.

    Examples
    --------
    >>> law = fit_null_law(np.sqrt(np.random.default_rng(1).chisquare(4, size=2000)))
    >>> agreeing(np.array([1.0, 3.6, 1.5, 2.0, 2.5, 0.5, np.nan]), law).tolist()
    [True, True, True, True, True, True, False]
    >>> agreeing(np.array([1.0, 3.6, 1.5, 2.0, 2.5, 0.5, 9.0]), law).tolist()  # more left out, more doubt
    [True, False, True, True, True, True, False]
    """
    near = distance < limit_distance(law, SHORT_LOOK.above_p)
    read = np.isfinite(distance)
    if np.count_nonzero(read & ~near) >= MUCH_DAMAGE * read.sum() > 0:
        return near
    return distance < limit_distance(law, LONG_LOOK.above_p)


def limit_distance(law: NullLaw, false_call_rate: float) -> float:
    """Give the distance that good readings exceed at this rate."""
    from scipy.optimize import brentq
    from scipy.special import betaincinv

    scale, tail = np.array(law.scale), np.array(law.tail)
    share = betaincinv(tail, np.array(law.shape), false_call_rate)
    each = np.sqrt(scale * tail * (1 - share) / share)

    def excess(distance: float) -> float:
        return math.log(max(p_values(np.array([distance]), law)[0], 1e-300) / false_call_rate)

    # The mixture's limit lies among those of its parts.
    low, high = float(each.min()) * (1 - 1e-9), float(each.max()) * (1 + 1e-9)
    if high - low <= 1e-8 * high:
        return high
    return float(brentq(excess, low, high, xtol=1e-12 * high, rtol=1e-12))


def _fit_truncated(squared: Floats, limit: float, look: _Look, start: NullLaw | None = None) -> NullLaw:
    """Fit the null law when only values up to `limit` are seen: each tail's best, and how much it counts."""
    values = np.maximum(squared[squared <= limit], max(1e-12 * limit, 1e-300))
    limit = max(limit, 1e-300)
    tails = np.array(TAILS)
    if start is None:
        begin = np.log([[2.0], [max(float(values.mean()) / 1.5, 1e-300)]]) * np.ones_like(tails)
    else:
        # A shorter look may have taken the law for a boundless one; from there no slope leads back.
        begin = np.log(np.stack([np.array(start.shape), np.minimum(np.array(start.scale), limit)]))
    fits = fit_tails(values, limit, tails, begin)
    shape, scale = np.exp(fits.parameters)
    costs = fits.cost * values.size + look.tail_weight / tails
    weight = np.exp(costs.min() - costs)
    weight /= weight.sum()
    return NullLaw(tuple(shape.tolist()), tuple(scale.tolist()), TAILS, tuple(weight.tolist()))


def is_beyond_chance(p_value: Floats, readings: int, false_call_rate: float) -> bool:
    """Whether an area of points with these p-values, (members,), is listed as an indication.

    See `chance_count` for the parameters.
    """
    return chance_count(p_value, readings, false_call_rate) < MAX_CHANCE_COUNT


def chance_count(p_value: Floats, readings: int, false_call_rate: float) -> float:
    """How many areas as large and as strong as this one a zone without damage would show by chance.

    Parameters
    ----------
    p_value
        Shape (members,): the p-values of one area's points, all below `false_call_rate`.
    readings
        How many points of the zone were read.

    Notes
    -----
    Points that are suspect by chance lie scattered. The number of ways in which `k` points can touch,
    diagonals included, is that of the fixed polyplets per cell (1, 4, 20, 110, 638; OEIS A006770, from
    memory), beyond which it grows about sixfold; each such set is suspect with chance q^k, and given that,
    the sum of ln(q / p) is a gamma variable (Fisher's method of combining p-values). It is a count, not a
    probability, and takes neighbours to be independent.

    Examples
    --------
    One point in a zone of 480 must be far rarer than 1 in 100 to stand out; three that touch need not.

    >>> round(chance_count(np.array([0.009]), 480, 0.01), 1)
    4.3
    >>> chance_count(np.array([0.005, 0.005, 0.005]), 480, 0.01) < 0.01
    True
    """
    from scipy.special import gammaincc

    ways = (1, 4, 20, 110, 638)
    size = p_value.size
    log_shapes = np.log(ways[min(size, len(ways)) - 1]) + max(size - len(ways), 0) * np.log(6.0)
    log_expected = np.log(readings) + log_shapes + size * np.log(false_call_rate)
    mass = float(np.sum(np.log(false_call_rate / np.maximum(p_value, 1e-300))))
    return float(np.exp(min(log_expected, 700.0)) * gammaincc(size, max(mass, 0.0)))
