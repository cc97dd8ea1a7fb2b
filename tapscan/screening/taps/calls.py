"""From log odds to calls: how often a sound point of this zone would look as bad, and how likely damage is.

The damage class was trained on other parts, so its log odds are not taken at their word for false calls. The
law of *sound* points is the zone's own: every reading counts for it by the probability that neither it nor a
neighbour is damaged (an empirical null; Efron, J. Amer. Stat. Assoc. 99, 2004, 96-104, from memory). Its tail
beyond the highest fifth is exponential, as the tails of averages are (Pickands, Ann. Statist. 3, 1975,
119-131, from memory), so that a rate of one in a thousand means something with some hundred readings.
"""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.sparse import csr_array

__all__ = ["p_values", "score_of"]

Floats = NDArray[np.float64]

TAIL_SHARE = 0.2  # numerical: of the sound readings, beyond which their law is smoothed
TOUCHING = 0.1  # nearness from which a point is beside another: diagonals count (exp(-2) = 0.135)


def p_values(
    log_odds: Floats, probability: Floats, near: "csr_array", reference: NDArray[np.bool_]
) -> Floats:
    """Share of this zone's sound points that would have log odds as high, (points,); NaN where unread.

    Parameters
    ----------
    log_odds, probability
        Shape (points,), of damage, NaN where unread.
    near
        From `tapscan.plan.nearness`.
    reference
        Shape (points,): marked as sound, so they count in full.

    Examples
    --------
    >>> from scipy.sparse import eye_array
    >>> log_odds = np.array([-7.0, -6.0, -5.0, -4.0, 5.0])
    >>> p_values(log_odds, 1 / (1 + np.exp(-log_odds)), eye_array(5).tocsr(), np.zeros(5, bool)).round(2)
    array([0.87, 0.62, 0.37, 0.13, 0.  ])
    """
    read = np.isfinite(log_odds)
    if not read.any():
        return np.full(log_odds.shape, np.nan)
    damaged = np.where(read, probability, 0.0)
    beside = (near >= TOUCHING).multiply(damaged).max(axis=1).toarray().ravel()
    sound = np.where(reference, 1.0, 1 - np.maximum(beside, damaged))[read]
    order = np.argsort(log_odds[read], kind="stable")
    place, weight = log_odds[read][order], sound[order]
    above = 1 - (np.cumsum(weight) - weight / 2) / max(weight.sum(), 1e-12)
    start = int(np.searchsorted(-above, -TAIL_SHARE))
    start = min(start, place.size - 1)
    edge, tail = place[start], slice(start, None)
    spread = float(np.average(place[tail] - edge, weights=np.maximum(weight[tail], 1e-12)))
    beyond = above[start] * np.exp(-np.maximum(log_odds - edge, 0) / max(spread, 1e-9))
    within = np.interp(log_odds, place, above)
    return np.where(read, np.where(log_odds >= edge, beyond, within), np.nan)


def score_of(p_value: Floats, probability: Floats, false_call_rate: float) -> Floats:
    """Score points so that 1 and more is suspect: rarer than requested, or more likely damaged than not.

    The larger of two scales: p-values, with 1 at the requested false-call rate and 2 at its square; and one
    more than the decimal logarithm of the odds of damage. Where much of a zone is damaged its own law of
    sound points is poorly known, and the odds decide.

    Examples
    --------
    >>> score_of(np.array([1.0, 0.01, 0.0001, 0.2]), np.array([0.0, 0.01, 0.5, 10 / 11]), 0.01).round(3)
    array([0., 1., 2., 2.])
    """
    rare = np.log(np.clip(p_value, 1e-300, 1.0)) / np.log(false_call_rate)
    likely = (
        1
        + np.log10(np.clip(probability, 1e-9, 1 - 1e-9))
        - np.log10(1 - np.clip(probability, 1e-9, 1 - 1e-9))
    )
    return np.asarray(np.maximum(rare, likely)) + 0.0
