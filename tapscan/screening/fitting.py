"""Baseline and null law of one set of readings, each fitted with the help of the other."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.baselines import Baseline, Terms, better_halves, distances, fit_baseline, refit
from tapscan.screening.calls import NullLaw, agreeing, fit_null_law, limit_distance, p_values
from tapscan.screening.neighbours import apart, in_patches, is_strewn

__all__ = ["FEW_READINGS", "Fitted", "fit_in_turn"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MOST_REFITS = 6
# With no more readings than this neighbours are not asked: what few readings leave out for no reason would
# take more with it. Of good points twice as many and more are called suspect there as was asked for.
FEW_READINGS = 72
# A law of three parameters wants so many readings.
ENOUGH = 40
# With less than this share left out all readings tell the law, which so little damage does not lead astray.
# It may be crests of a mode that the waves do not follow; told away from them, the law would not know them.
LITTLE_LEFT_OUT = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """The baseline, the law of good readings about it, and every point's distance, (points,)."""

    baseline: Baseline
    law: NullLaw
    distance: Floats

    @property
    def p_value(self) -> Floats:
        """Chance that a good reading lies at least as far out as each point: (points,), NaN where unread."""
        return p_values(self.distance, self.law)

    def score(self, false_call_rate: float) -> Floats:
        """Distance of each point over the one that good readings exceed at this rate: (points,)."""
        return self.distance / limit_distance(self.law, false_call_rate)


def fit_in_turn(
    features: Floats, terms: Terms, reference: Mask, noise: Floats, start: Mask | None = None
) -> Fitted:
    """Fit baseline and null law in turn until what turned out good is what the next fit finds good.

    Parameters are those of `tapscan.screening.baselines.fit_baseline`, which finds the readings to begin with
    unless `start`, (points,), marks them.

    Raises
    ------
    ValueError
        When there are fewer readings than `tapscan.screening.calls.MIN_READINGS`.

    Examples
    --------
    >>> from tapscan.screening.baselines import surface_terms
    >>> terms = surface_terms(10, 12, closed=True, readings=120)
    >>> features = np.random.default_rng(1).standard_normal((120, 2))
    >>> features[40] += 20.0
    >>> fitted = fit_in_turn(features, terms, np.zeros(120, dtype=bool), np.zeros((120, 2)))
    >>> np.flatnonzero(fitted.p_value < 1e-6).tolist()
    [40]
    """
    if start is None:
        baseline = fit_baseline(features, terms, reference, noise)
    else:
        baseline = refit(features, terms, start, noise)
    for _ in range(MOST_REFITS):
        distance = distances(features, baseline)
        law = _law(distance, baseline)
        good = _good(distance, law, terms, reference)
        if (good == baseline.kept).all():
            return Fitted(baseline, law, distance)
        baseline = refit(features, terms, good, noise)
    distance = distances(features, baseline)
    return Fitted(baseline, _law(distance, baseline), distance)


def _law(distance: Floats, baseline: Baseline) -> NullLaw:
    """Fit the law of good readings, with much left out in patches to those away from these.

    What such a reading says itself does not count: so damage is left out, and of what chance makes nothing.
    """
    read = np.isfinite(distance)
    left_out = read & ~baseline.kept
    if left_out.sum() >= LITTLE_LEFT_OUT * read.sum() and _has_patches(left_out, read, baseline.terms):
        shape, closed = baseline.terms.grid_shape, baseline.terms.closed
        away = read & apart(left_out.reshape(shape), closed=closed).ravel()
        if away.sum() >= ENOUGH:
            read = away
    return fit_null_law(np.where(read, distance, np.nan))


def _good(distance: Floats, law: NullLaw, terms: Terms, reference: Mask) -> Mask:
    """Mark the readings that the next fit is to rest on, (points,).

    Damage that hardly sounds passes for good. In a patch of what does not, it is left out with it.
    """
    read = np.isfinite(distance)
    # A ring of which none agrees has lost its level: its better half brings it back.
    good = reference | better_halves(distance, terms, reference) | agreeing(p_values(distance, law))
    good &= read
    left_out = read & ~good
    if _has_patches(left_out, read, terms):
        within = in_patches(left_out.reshape(terms.grid_shape), closed=terms.closed).ravel()
        away = good & (reference | ~within)
        # With most of what is good within or beside them, as between stripes, patches say nothing.
        if 2 * away.sum() >= good.sum():
            return np.asarray(away)
    return np.asarray(good)


def _has_patches(left_out: Mask, read: Mask, terms: Terms) -> bool:
    """Whether what is left out lies in patches that mean damage.

    Without levels of their own, whole stations may be left out together for no such reason.
    """
    if not terms.keeps_rings or read.sum() <= FEW_READINGS:
        return False
    return not is_strewn(left_out.reshape(terms.grid_shape), closed=terms.closed)
