"""Baseline and null law of one set of readings, each fitted with the help of the other.

Damage lies in patches, and what chance leaves out lies strewn about. So where much is left out in patches,
the law of good readings is told away from them, and readings within them do not tell what is good.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.baselines import (
    Baseline,
    Terms,
    better_halves,
    distances,
    fit_baseline,
    fit_leverage,
    refit,
)
from tapscan.screening.calls import NullLaw, agreeing, fit_null_law, limit_distance, p_values
from tapscan.screening.neighbours import apart, in_patches, is_strewn

__all__ = ["Fitted", "fit_in_turn"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MOST_REFITS = 6
# With no more readings than this patches are not asked for: what few readings leave out for no reason would
# take more with it.
FEWEST_TO_ASK = 72
# With less than this share left out all readings tell the law, which so little damage does not lead astray.
# It may be crests of a mode that the waves do not follow; told away from them, the law would not know them.
LITTLE_LEFT_OUT = 0.1
# A law of three parameters wants so many readings.
FEWEST_FOR_LAW = 40
# Where a fit without a reading is less certain than the reading itself, it cannot do without.
MOST_LEVERAGE = 1.0


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
    """Fit baseline and null law in turn until what turned out good is nearly what the next finds good.

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
        within = _within_patches(good, np.isfinite(distance), terms) & ~reference
        if (good & within).any():
            # What the others cannot tell has to tell for itself, or the fit would go with damage there.
            within &= ~(good & (fit_leverage(terms, good & ~within) > MOST_LEVERAGE))
        good &= ~within
        if (good == baseline.kept).all():
            return Fitted(baseline, law, distance)
        baseline = refit(features, terms, good, noise)
    distance = distances(features, baseline)
    return Fitted(baseline, _law(distance, baseline), distance)


def _law(distance: Floats, baseline: Baseline) -> NullLaw:
    """Fit the law of good readings, with much left out in patches to those away from these.

    Readings are chosen by their neighbours and not by themselves: that leaves out damage, and favours neither
    near nor far ones among the good.
    """
    read = np.isfinite(distance)
    left_out = read & ~baseline.kept
    if left_out.sum() >= LITTLE_LEFT_OUT * read.sum() and _has_patches(left_out, read, baseline.terms):
        shape, closed = baseline.terms.grid_shape, baseline.terms.closed
        away = read & apart(left_out.reshape(shape), closed=closed).ravel()
        if away.sum() >= FEWEST_FOR_LAW:
            read = away
    return fit_null_law(np.where(read, distance, np.nan))


def _good(distance: Floats, law: NullLaw, terms: Terms, reference: Mask) -> Mask:
    """Mark the readings that are good by what they say themselves, (points,)."""
    good = reference | agreeing(distance, law)
    # A ring of which none agrees has lost its level: its better half brings it back.
    good |= better_halves(distance, terms, reference)
    return np.asarray(good & np.isfinite(distance))


def _within_patches(good: Mask, read: Mask, terms: Terms) -> Mask:
    """Mark the readings within patches of those that are not good, (points,): damage that hardly sounds.

    Where most of what is good lies within or beside patches, as between stripes, they say nothing.
    """
    left_out = read & ~good
    within = read & in_patches(left_out.reshape(terms.grid_shape), closed=terms.closed).ravel()
    if not _has_patches(left_out, read, terms) or 2 * (good & within).sum() > good.sum():
        return np.zeros_like(good)
    return within


def _has_patches(left_out: Mask, read: Mask, terms: Terms) -> bool:
    """Whether what is left out lies in patches that mean damage.

    Without levels of their own, whole stations may be left out together for no such reason.
    """
    if not terms.keeps_rings or read.sum() <= FEWEST_TO_ASK:
        return False
    grid = terms.grid_shape
    return not is_strewn(left_out.reshape(grid), read.reshape(grid), closed=terms.closed)
