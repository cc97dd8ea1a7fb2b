"""Front-surface echoes that a stronger echo right behind them hides.

Beneath a delay line near the laminate's impedance the front surface returns a fifth of what a delamination
does. Where that one lies shallow, the crests on either side of its echo pass for the front-surface echo, and
its depth comes out half a cycle or more wrong. There the strongest crest of the back wall's polarity is taken
for the echo, and a front-surface echo of about the zone's usual size is tried at every lag before it: the lag
that leaves least of the trace stands (maximum likelihood in white noise; Kay 1993, from memory).
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.signals.pursuit import Kernel, refined, solve

__all__ = ["USUAL_FRONT", "uncovered"]

Floats = NDArray[np.float64]

# Times the zone's usual front-surface echo: coupling varies by 3 dB, and a little more.
USUAL_FRONT = (0.55, 1.6)
# An echo of the other polarity is half a cycle off, since half-waves differ little after loss: one of the
# back wall's polarity that explains nearly as much is put in its place.
_NEARLY = 0.85
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
    top = np.argmax(c, axis=1)
    lag = _best_lag(c, top, usual, lags, kernel)
    lag[top - at[:, 0] > lags[-1]] = np.nan  # what lies so far before the crest is no part of it
    front = top - lag
    behind = at[:, 1:] > (top + _CYCLES_BEHIND / kernel.bandwidth)[:, None]
    guess = np.column_stack([front, top, np.where(behind, at[:, 1:], np.nan)])[:, : at.shape[1]]
    time, amplitude, gain = np.full(at.shape, np.nan), np.full(at.shape, np.nan), np.full(len(c), -np.inf)
    for rows, which in _by_number(guess):
        time[rows[:, None], which], amplitude[rows[:, None], which], gain[rows] = refined(
            c[rows], guess[rows[:, None], which], kernel
        )
    for rows, which in _by_number(at):
        found, explained = solve(c[rows], at[rows[:, None], which], kernel)
        strongest = np.take_along_axis(found, np.argmax(np.abs(found), axis=1)[:, None], axis=1)[:, 0]
        gain[rows] -= np.where(strongest > 0, 1.0, _NEARLY) * explained
    is_better = (gain > 0) & (np.isfinite(guess).sum(axis=1) <= np.maximum(np.isfinite(at).sum(axis=1), 2))
    is_better &= _is_usual(amplitude[:, 0], usual) & (amplitude[:, 1] > np.abs(amplitude[:, 0]))
    return time, amplitude, is_better & (time[:, 0] < time[:, 1])


def _best_lag(
    c: NDArray[Any], top: NDArray[np.intp], usual: float, lags: NDArray[np.intp], kernel: Kernel
) -> Floats:
    """Lag (n,) at which a front-surface echo of the usual size explains most; NaN where none does."""
    best, energy = np.full(len(c), np.nan), np.full(len(c), -np.inf)
    for lag in lags:
        rows = np.flatnonzero(top >= lag)
        pair, explained = solve(c[rows], np.column_stack([top[rows] - lag, top[rows]]).astype(float), kernel)
        fits = _is_usual(pair[:, 0], usual) & (pair[:, 1] > 0) & (explained > energy[rows])
        best[rows[fits]], energy[rows[fits]] = lag, explained[fits]
    return best


def _is_usual(amplitude: Floats, usual: float) -> NDArray[np.bool_]:
    return (amplitude / usual > USUAL_FRONT[0]) & (amplitude / usual < USUAL_FRONT[1])


def _by_number(at: Floats) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Group rows (m,) by how many of their times are known, with the columns (m, number) of those."""
    known = np.isfinite(at)
    number = np.where(known[:, 0], known.sum(axis=1), 0)
    order = np.argsort(~known, axis=1, kind="stable")
    groups = ((np.flatnonzero(number == k), k) for k in range(1, at.shape[1] + 1))
    return [(rows, order[rows, :k]) for rows, k in groups if rows.size]
