"""Front-surface echoes that a stronger echo right behind them hides.

Beneath a delay line near the laminate's impedance the front surface returns a fifth of what a delamination
does. Where that one lies shallow, the crests on either side of its echo pass for the front-surface echo, and
its depth comes out half a cycle or more wrong; over its rim the two echoes even make one crest, a cycle late.
There the strongest crest of the back wall's polarity, before or after what was taken for the front-surface
echo, is taken for the echo, and a front-surface echo of about the zone's usual size is tried at every lag
before it: the lag that leaves least of the trace stands (maximum likelihood in white noise; Kay 1993, from
memory).
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.signals.kernels import Kernel
from tapscan.signals.pursuit import refined, solve

__all__ = ["USUAL_FRONT", "uncovered"]

Floats = NDArray[np.float64]

# Times the zone's usual front-surface echo: coupling varies by 3 dB, and a little more.
USUAL_FRONT = (0.55, 1.6)
# An echo of the other polarity is half a cycle off, since half-waves differ little after loss: one of the
# back wall's polarity that explains nearly as much is put in its place.
_NEARLY = 0.85
# With an echo more than before, this share of the energy more must be explained. Over the rim of a patch the
# front-surface echo and the patch's may pass for one, late by a cycle: told apart they gain twice this, and
# where coupling is twice the usual, in sound laminate, they explain a tenth less.
_ONE_MORE = 0.02
_CYCLES_BEHIND = 1.5  # what was found so far behind the strongest crest, or further, is an echo of its own


def uncovered(
    c: NDArray[Any], at: Floats, usual: float, lags: NDArray[np.intp], kernel: Kernel
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Look for a front-surface echo of the usual size before the strongest crest of each trace.

    Parameters
    ----------
    c
        Correlations with the pulse, (n, grid), of the sign that makes back walls positive.
    at
        Echoes as they were found, in grid steps, (n, k), front-surface echo first; NaN where there is none.
    usual
        The zone's usual front-surface echo, as a correlation of that same sign.
    lags
        How many grid steps before the strongest crest to look.
    kernel
        The pulse.

    Returns
    -------
    tuple of ndarray
        Times and amplitudes (n, k), front-surface echo first, and whether (n,) they are to stand instead of
        `at`.
    """
    reach = int(lags[-1])
    before, after = (_strongest(c, at[:, 0] + start, reach) for start in (-reach, 0))
    before_lag, before_energy = _best_lag(c, before, usual, lags, kernel)
    after_lag, after_energy = _best_lag(c, after, usual, lags, kernel)
    is_after = after_energy > before_energy
    top, lag = np.where(is_after, after, before), np.where(is_after, after_lag, before_lag)
    behind = at[:, 1:] > (top + _CYCLES_BEHIND / kernel.bandwidth)[:, None]
    guess = np.column_stack([top - lag, top, np.where(behind, at[:, 1:], np.nan)])[:, : at.shape[1]]
    guess[~_is_other(guess, at, lags[-1], kernel)] = np.nan
    time, amplitude, gain = np.full(at.shape, np.nan), np.full(at.shape, np.nan), np.full(len(c), -np.inf)
    for rows, which in _by_number(guess):
        time[rows[:, None], which], amplitude[rows[:, None], which], gain[rows] = refined(
            c[rows], guess[rows[:, None], which], kernel
        )
    for rows, which in _by_number(np.where(np.isfinite(guess[:, :1]), at, np.nan)):
        found, explained = solve(c[rows], at[rows[:, None], which], kernel)
        strongest = np.take_along_axis(found, np.argmax(np.abs(found), axis=1)[:, None], axis=1)[:, 0]
        wanted = np.where(strongest > 0, 1.0, _NEARLY)
        has_more = np.isfinite(guess[rows]).sum(axis=1) > np.maximum(which.shape[1], 2)
        gain[rows] -= (wanted + np.where(has_more, _ONE_MORE, 0.0)) * explained
    is_better = (gain > 0) & _is_usual(amplitude[:, 0], usual) & (time[:, 0] < time[:, 1])
    return time, amplitude, is_better & (amplitude[:, 1] > np.abs(amplitude[:, 0]))


def _strongest(c: NDArray[Any], start: Floats, reach: int) -> NDArray[np.intp]:
    """Return each trace's strongest crest within `reach` after a start."""
    first = np.clip(np.rint(start).astype(np.intp), 0, max(c.shape[1] - reach - 1, 0))
    near = first[:, None] + np.arange(min(reach + 1, c.shape[1]))
    return np.asarray(first + np.argmax(np.take_along_axis(c, near, axis=1), axis=1))


def _best_lag(
    c: NDArray[Any], top: NDArray[np.intp], usual: float, lags: NDArray[np.intp], kernel: Kernel
) -> tuple[Floats, Floats]:
    """Lag (n,) at which a front-surface echo of the usual size explains most, and how much.

    NaN where none does.
    """
    rows = np.arange(len(c))[:, None]
    r = np.where(lags <= kernel.reach, kernel.r[np.maximum(kernel.reach - lags, 0)], 0.0)
    before, crest = c[rows, np.maximum(top[:, None] - lags, 0)], c[rows, top[:, None]]
    front, echo = (before - r * crest) / (1 - r**2), (crest - r * before) / (1 - r**2)
    explained = np.where(_is_usual(front, usual) & (echo > 0), front * before + echo * crest, -np.inf)
    explained[top[:, None] < lags] = -np.inf
    best = np.argmax(explained, axis=1)
    most = explained[rows[:, 0], best]
    return np.where(most > -np.inf, lags[best], np.nan), most


def _is_other(guess: Floats, at: Floats, reach: int, kernel: Kernel) -> NDArray[np.bool_]:
    """Whether a guess explains otherwise what was found: near it, and with one echo more at most."""
    quarter = 0.25 / kernel.bandwidth
    with np.errstate(invalid="ignore"):
        is_same = np.abs(guess[:, 0] - at[:, 0]) < quarter
        is_same &= (np.abs(at[:, 1:] - guess[:, 1:2]) < quarter).any(axis=1)
        is_near = guess[:, 1] - at[:, 0] <= reach
    number = np.isfinite(guess).sum(axis=1) <= np.maximum(np.isfinite(at).sum(axis=1), 2) + 1
    return np.asarray(is_near & number & ~is_same & np.isfinite(guess[:, 0]))


def _is_usual(amplitude: Floats, usual: float) -> NDArray[np.bool_]:
    return (amplitude / usual > USUAL_FRONT[0]) & (amplitude / usual < USUAL_FRONT[1])


def _by_number(at: Floats) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Group rows (m,) by how many of their times are known, with the columns (m, number) of those."""
    known = np.isfinite(at)
    number = np.where(known[:, 0], known.sum(axis=1), 0)
    order = np.argsort(~known, axis=1, kind="stable")
    groups = ((np.flatnonzero(number == k), k) for k in range(1, at.shape[1] + 1))
    return [(rows, order[rows, :k]) for rows, k in groups if rows.size]
