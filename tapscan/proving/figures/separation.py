"""How far known damage is from known good, and how often a single reading of it would be found."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEAST_DAMAGED", "LEAST_SOUND", "Separation", "from_sound", "separation"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A standard deviation of fewer values is no measure of scatter (its own is over 30 % and 50 %).
LEAST_SOUND, LEAST_DAMAGED = 6, 3
MOST_MARGIN = 6.0  # numerical: beyond six standard deviations a normal law says nothing of the world
DRAWS = 4000  # numerical: the 5 % point of so many is right to a hundredth of a standard deviation's share
TAIL = 0.05  # one-sided


@dataclass(frozen=True, slots=True)
class Separation:
    """How far damage is from sound readings.

    `deviations` between the means, in standard deviations of the sound readings; `found` the probability that
    a single reading of this damage is beyond the `threshold` of the requested false-call rate. Each with its
    interval, 5 to 95 %.
    """

    deviations: float
    deviations_low: float
    deviations_high: float
    found: float
    found_low: float
    found_high: float
    threshold: float

    @property
    def margin(self) -> float:
        """How far the damage's mean is beyond the threshold, in standard deviations of its readings."""
        from scipy.stats import norm

        return float(np.clip(norm.ppf(self.found), -MOST_MARGIN, MOST_MARGIN))


def from_sound(values: Floats, is_sound: Mask, group: NDArray[np.intp] | None = None) -> Floats:
    """Give how far each reading is from the sound ones, in dB: ten times log10 of the mean square deviation.

    Each feature's deviation counts in standard deviations of the sound readings. A sound reading is compared
    with the others, its own `group` (taps of one point) left out: it must not pass for sound by itself.

    Parameters
    ----------
    values
        Shape (n, features), finite; features that do not vary are left out.
    is_sound
        Shape (n,).
    group
        Shape (n,); each reading by itself when None.

    Returns
    -------
    Floats
        Shape (n,).

    Examples
    --------
    >>> apart = from_sound(np.array([[0.0], [1.0], [-1.0], [30.0]]), np.array([True, True, True, False]))
    >>> apart.round(1)
    array([-120. ,    6.5,    6.5,   29.5])
    """
    groups = np.arange(len(values)) if group is None else group
    varies = values[is_sound].std(axis=0) > 0
    used = values[:, varies]
    square = np.empty(len(values))
    mean, spread = used[is_sound].mean(axis=0), used[is_sound].std(axis=0, ddof=1)
    square[~is_sound] = np.mean(((used[~is_sound] - mean) / spread) ** 2, axis=1)
    for own in np.unique(groups[is_sound]):
        rest, here = used[is_sound & (groups != own)], is_sound & (groups == own)
        spread = np.maximum(rest.std(axis=0, ddof=1), 1e-12)
        square[here] = np.mean(((used[here] - rest.mean(axis=0)) / spread) ** 2, axis=1)
    return np.asarray(10 * np.log10(np.maximum(square, 1e-12)))


def separation(sound: Floats, damaged: Floats, false_call_rate: float) -> Separation | None:
    """Compare the scores of damaged readings with those of sound ones; None when there are too few.

    The threshold is the prediction limit of one more sound reading. Both groups are taken for normal with
    spreads of their own; the intervals are those of the generalized pivots (Weerahandi, *Exact Statistical
    Methods for Data Analysis*, from memory): means and variances drawn as chi-squared and normal laws leave
    them in doubt, from a fixed seed.

    Parameters
    ----------
    sound, damaged
        Shape (n,), higher where more damaged.
    false_call_rate
        Share of sound readings beyond the threshold.

    Examples
    --------
    >>> apart = separation(np.arange(10.0), 50 + np.arange(6.0), 0.01)
    >>> round(apart.deviations, 1), round(apart.found, 3)
    (15.9, 1.0)
    """
    from scipy.stats import norm, t

    if sound.size < LEAST_SOUND or damaged.size < LEAST_DAMAGED:
        return None
    free, reach = sound.size - 1, np.sqrt(1 + 1 / sound.size)
    spread, spread_damaged = max(sound.std(ddof=1), 1e-9), max(damaged.std(ddof=1), 1e-9)
    threshold = sound.mean() + t.ppf(1 - false_call_rate, free) * reach * spread
    rng = np.random.default_rng(0)
    spreads = spread * np.sqrt(free / rng.chisquare(free, DRAWS))
    spreads_damaged = spread_damaged * np.sqrt((damaged.size - 1) / rng.chisquare(damaged.size - 1, DRAWS))
    means = sound.mean() + spreads * rng.standard_normal(DRAWS) / np.sqrt(sound.size)
    means_damaged = damaged.mean() + spreads_damaged * rng.standard_normal(DRAWS) / np.sqrt(damaged.size)
    apart = np.quantile((means_damaged - means) / spreads, [TAIL, 1 - TAIL])
    found = np.quantile(norm.cdf((means_damaged - threshold) / spreads_damaged), [TAIL, 1 - TAIL])
    return Separation(
        deviations=float((damaged.mean() - sound.mean()) / spread),
        deviations_low=float(apart[0]),
        deviations_high=float(apart[1]),
        found=float(norm.cdf((damaged.mean() - threshold) / spread_damaged)),
        found_low=float(found[0]),
        found_high=float(found[1]),
        threshold=float(threshold),
    )
