"""How well a tapped point repeats: what the scatter of its own taps says of the reading made of them."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.tap_readings import TapReadings
from tapscan.screening.taps import tap_vector

__all__ = ["reading_variance"]

Floats = NDArray[np.float64]

# Two or three taps tell little of their own scatter; it leans on that of the stations around by the weight of
# so many more.
PRIOR_TAPS = 4
PRIOR_STATIONS = 2
# With fewer points that were tapped twice nothing is known of the scatter.
LEAST_REPEATED = 12


def reading_variance(readings: TapReadings, bands: int) -> Floats | None:
    """Give the variance of each point's reading, in dB² per pooled band: (stations, positions, bands).

    NaN where unread; None when too few points were tapped more than once. How hard each tap was struck is
    taken out first, since it is known.

    Notes
    -----
    A reading is the median of n taps. For a normal law its variance is about π / (2n + c) of a single tap's,
    with c = π − 2 for odd n and 2.5 for even n, whose median is the mean of two: within 4 % of what order
    statistics give for every n (checked in the tests), exact for one tap and for many. A point's own scatter
    is moderated by its surroundings', as in Smyth, Stat. Appl. Genet. Mol. Biol. 3(1), 2004, art. 3, from
    memory, with a fixed weight.
    """
    taps = readings.taps
    if taps is None:
        return None
    count = np.bincount(taps.at, minlength=readings.n_taps.size)
    if np.count_nonzero(count > 1) < LEAST_REPEATED:
        return None
    alone = replace(readings, spectrum_db=taps.spectrum_db, noise_db=np.full_like(taps.spectrum_db, np.nan))
    own = _about_their_point(tap_vector(alone, bands)[0], taps.at, count)
    level = _about_their_point(np.nan_to_num(taps.level_db)[:, None], taps.at, count)
    own = own - level * (level.T @ own) / max(float(np.sum(level**2)), 1e-9)
    total = np.zeros((count.size, own.shape[1]))
    np.add.at(total, taps.at, own**2)
    free = np.maximum(count - 1, 0)[:, None]
    around = _around(total, free, readings.n_taps.shape)
    variance = (total + PRIOR_TAPS * around) / (free + PRIOR_TAPS)
    variance *= _of_a_median(np.maximum(count, 1))[:, None]
    variance[count == 0] = np.nan
    return np.asarray(variance.reshape(*readings.n_taps.shape, -1))


def _of_a_median(taps: NDArray[np.intp]) -> Floats:
    """Variance of a median of so many normal values over that of one."""
    return np.asarray(np.pi / (2 * taps + np.where(taps % 2, np.pi - 2, 2.5)))


def _about_their_point(values: Floats, at: NDArray[np.intp], count: NDArray[np.intp]) -> Floats:
    """Take each point's mean off its taps: (taps, features)."""
    total = np.zeros((count.size, values.shape[1]))
    np.add.at(total, at, values)
    return np.asarray(values - (total / np.maximum(count, 1)[:, None])[at])


def _around(total: Floats, free: NDArray[np.intp], grid_shape: tuple[int, int]) -> Floats:
    """Typical variance of a single tap over some stations to either side: (points, features)."""
    stations, positions = grid_shape
    repeated = free[:, 0] > 0
    # The median of a chi-squared variable over its degrees of freedom (Wilson, Hilferty 1931, from memory).
    middle = (1 - 2 / (9 * np.maximum(free, 1))) ** 3
    single = total / np.maximum(free, 1) / middle
    whole = np.median(single[repeated], axis=0)
    local = np.empty((stations, positions, total.shape[1]))
    for station in range(stations):
        near = slice(max(station - PRIOR_STATIONS, 0) * positions, (station + PRIOR_STATIONS + 1) * positions)
        chosen = single[near][repeated[near]]
        local[station] = np.median(chosen, axis=0) if len(chosen) >= LEAST_REPEATED else whole
    return np.maximum(local.reshape(total.shape), 1e-9)
