"""Exact statements about shares: so many of so many, and what may be said of the next one.

Nothing here assumes a model of how detection grows with size; the price is that a statement needs many cuts.
"""

from dataclasses import dataclass

__all__ = [
    "WANTED_CONFIDENCE",
    "WANTED_POD",
    "Share",
    "least_trials",
    "lower_bound",
    "share",
]

# "90/95": detected nine times in ten, said with 95 % confidence.
WANTED_POD, WANTED_CONFIDENCE = 0.9, 0.95


@dataclass(frozen=True, slots=True)
class Share:
    """`hits` of `trials`, with the two-sided Clopper-Pearson interval at the stated confidence."""

    hits: int
    trials: int
    low: float
    high: float
    confidence: float

    @property
    def value(self) -> float:
        """The share itself; NaN when there were no trials."""
        return self.hits / self.trials if self.trials else float("nan")


def share(hits: int, trials: int, confidence: float = 0.95) -> Share:
    """Give a share with its exact interval: quantiles of the beta distribution.

    Source: Clopper & Pearson, Biometrika 26 (1934) 404-413 (from memory); values checked against
    Newcombe, Statistics in Medicine 17 (1998) 857-872.

    Raises
    ------
    ValueError
        When `hits` is not between 0 and `trials`.

    Examples
    --------
    >>> result = share(81, 263)
    >>> round(result.low, 4), round(result.high, 4)
    (0.2527, 0.3676)
    >>> share(0, 0).low, share(0, 0).high
    (0.0, 1.0)
    """
    _check(hits, trials)
    each_side = (1 + confidence) / 2
    low = lower_bound(hits, trials, each_side)
    return Share(hits, trials, low, 1 - lower_bound(trials - hits, trials, each_side), confidence)


def lower_bound(hits: int, trials: int, confidence: float = WANTED_CONFIDENCE) -> float:
    """Lower bound of a share, one-sided and exact. Source: Clopper & Pearson 1934 (from memory).

    Raises
    ------
    ValueError
        When `hits` is not between 0 and `trials`.

    Examples
    --------
    All of 29 found is the least that shows 90 % at 95 % confidence; 28 of 28 is not enough:

    >>> round(lower_bound(29, 29), 6), round(lower_bound(28, 28), 6)
    (0.901855, 0.898534)
    """
    from scipy.stats import beta

    _check(hits, trials)
    return 0.0 if hits == 0 else float(beta.ppf(1 - confidence, hits, trials - hits + 1))


def least_trials(misses: int, pod: float = WANTED_POD, confidence: float = WANTED_CONFIDENCE) -> int:
    """How many must be cut at least, when so many of them are missed, to show `pod` at `confidence`.

    The least n for which so few misses would be an accident of probability 1 - `confidence` or less if the
    true probability were `pod`. Source: the binomial distribution.

    Examples
    --------
    >>> [least_trials(misses) for misses in range(5)]
    [29, 46, 61, 76, 89]
    """
    from scipy.stats import binom

    trials = misses + 1
    while binom.cdf(misses, trials, 1 - pod) > 1 - confidence:
        trials += 1
    return trials


def _check(hits: int, trials: int) -> None:
    if not 0 <= hits <= trials:
        msg = f"hits must be between 0 and the number of trials (got {hits} of {trials})"
        raise ValueError(msg)
