"""How well a score separates damaged from sound at any threshold, and whether another would be better.

Points of one part resemble each other, so parts are drawn again, not points: the bootstrap over clusters.
A threshold chosen on the data looks better on the data than it is. So it is chosen on the parts that a
draw holds and judged on those that it leaves out. Sources: Efron & Tibshirani, An Introduction to the
Bootstrap, chapters 8 and 17; Youden, Cancer 3 (1950) 32-35 (both from memory).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["BetterThreshold", "Roc", "better_threshold", "roc", "roc_area"]

Array = NDArray[np.float64]
_DRAWS, _LEAST_DRAWS, _SEED = 1000, 200, 20_260


@dataclass(frozen=True, slots=True, eq=False)
class Roc:
    """Shares called at each threshold, from the strictest down: every array (thresholds,).

    `false_share` is that of sound points called, `true_share` that of defects called.
    """

    threshold: Array
    false_share: Array
    true_share: Array
    area: float


@dataclass(frozen=True, slots=True)
class BetterThreshold:
    """The threshold that would have served best here, and how sure that is.

    Its worth is Youden's: the share of defects called less the share of sound points called. `gain` is how
    much more it is worth than `used` on these very parts; `gain_low` and `gain_high` bound with 95 % what it
    gains on parts it was not chosen on, None where there are too few parts to leave any out.
    `low` and `high` bound the threshold itself. `found` and `false` count defects and sound points that reach
    the threshold in use, and then the best one.
    """

    used: float
    best: float
    low: float | None
    high: float | None
    gain: float
    gain_low: float | None
    gain_high: float | None
    found: tuple[int, int] = (0, 0)
    false: tuple[int, int] = (0, 0)

    @property
    def is_sure(self) -> bool:
        """Whether the gain is beyond chance."""
        return self.gain_low is not None and self.gain_low > 0


def roc_area(sound: ArrayLike, defects: ArrayLike) -> float:
    """Chance that a defect scores higher than a sound point, half for ties: the Mann-Whitney statistic.

    Examples
    --------
    >>> roc_area([0.1, 0.4], [0.35, 0.8])
    0.75
    """
    from scipy.stats import rankdata

    low, high = np.asarray(sound, dtype=float), np.asarray(defects, dtype=float)
    if not low.size or not high.size:
        return float("nan")
    ranks = rankdata(np.concatenate([low, high]))[low.size :]
    return float((ranks.sum() - high.size * (high.size + 1) / 2) / (low.size * high.size))


def roc(sound: ArrayLike, defects: ArrayLike) -> Roc:
    """Receiver operating characteristic of scores of sound points and of defects; a score at it is called.

    Examples
    --------
    >>> curve = roc([0.1, 0.4], [0.35, 0.8])
    >>> curve.true_share, curve.false_share
    (array([0. , 0.5, 0.5, 1. , 1. ]), array([0. , 0. , 0.5, 0.5, 1. ]))
    """
    low, high = np.sort(np.asarray(sound, dtype=float)), np.sort(np.asarray(defects, dtype=float))
    threshold = np.append(np.inf, np.unique(np.concatenate([low, high]))[::-1])
    return Roc(threshold, _called(low, threshold), _called(high, threshold), roc_area(low, high))


def better_threshold(
    sound: tuple[ArrayLike, ArrayLike], defects: tuple[ArrayLike, ArrayLike], used: float = 1.0
) -> BetterThreshold | None:
    """Look for the threshold of greatest worth; `sound` and `defects` are each (scores, number of the part).

    None when there are no sound points or no defects to judge by. The draws are always the same.

    Examples
    --------
    A lower threshold would have found all four; four parts are too few to be sure of it:

    >>> scores, part = [0.2, 0.3, 0.4, 0.5], [1, 2, 3, 4]
    >>> result = better_threshold((scores, part), ([0.8, 0.9, 0.7, 2.0], part))
    >>> result.best, result.gain, result.is_sure
    (0.7, 0.75, False)
    """
    (good_score, good_part), (bad_score, bad_part) = (
        (np.asarray(score, dtype=float), np.asarray(part)) for score, part in (sound, defects)
    )
    if not good_score.size or not bad_score.size:
        return None
    candidates = np.unique(np.append(np.concatenate([good_score, bad_score]), used))
    parts = np.unique(np.concatenate([good_part, bad_part]))
    every = np.ones(parts.size)
    weighing = _Weighing(candidates, parts, (good_score, good_part), (bad_score, bad_part))
    worth, here = weighing.worth(every), int(np.searchsorted(candidates, used))
    best = _best(worth, here)
    rng = np.random.default_rng(_SEED)
    chosen, gains = [], []
    for _ in range(_DRAWS):
        drawn = np.bincount(rng.integers(parts.size, size=parts.size), minlength=parts.size).astype(float)
        inside, outside = weighing.worth(drawn), weighing.worth((drawn == 0).astype(float))
        if np.isnan(inside).any() or np.isnan(outside).any():
            continue  # a draw without a defect, or that left none out
        choice = _best(inside, here)
        chosen.append(candidates[choice])
        gains.append(outside[choice] - outside[here])
    limits = np.array([used, candidates[best]])
    found, false = (
        (int(np.count_nonzero(score >= limits[0])), int(np.count_nonzero(score >= limits[1])))
        for score in (bad_score, good_score)
    )
    result = BetterThreshold(
        used, float(limits[1]), None, None, float(worth[best] - worth[here]), None, None, found, false
    )
    if len(gains) < _LEAST_DRAWS:
        return result
    # Quantiles that are themselves one of the draws: no threshold is between two scores.
    low, high = (float(v) for v in np.quantile(chosen, [0.025, 0.975], method="nearest"))
    gain_low, gain_high = (float(v) for v in np.quantile(gains, [0.025, 0.975]))
    return replace(result, low=low, high=high, gain_low=gain_low, gain_high=gain_high)


class _Weighing:
    """Counts called at every candidate threshold, part by part, so that a draw is a weighted sum."""

    def __init__(
        self, candidates: Array, parts: NDArray[np.int_], *groups: tuple[Array, NDArray[np.int_]]
    ) -> None:
        self._called = []
        self._all = []
        for score, part in groups:
            split = [np.sort(score[part == one]) for one in parts]
            self._called.append(
                np.stack([each.size - np.searchsorted(each, candidates, "left") for each in split])
            )
            self._all.append(np.array([each.size for each in split], dtype=float))

    def worth(self, weights: Array) -> Array:
        """Share of defects called less share of sound points called, at each candidate; NaN without any."""
        shares = []
        for called, total in zip(self._called, self._all, strict=True):
            count = float(weights @ total)
            shares.append(weights @ called / count if count else np.full(called.shape[1], np.nan))
        return np.asarray(shares[1] - shares[0], dtype=float)


def _best(worth: Array, here: int) -> int:
    """Index of the best threshold; of several equally suitable ones, the one nearest to what was used."""
    best = np.flatnonzero(worth >= np.nanmax(worth) - 1e-12)
    return int(best[np.argmin(np.abs(best - here))])


def _called(ordered: Array, threshold: Array) -> Array:
    if not ordered.size:
        return np.full(threshold.shape, np.nan)
    return (ordered.size - np.searchsorted(ordered, threshold, "left")) / ordered.size
