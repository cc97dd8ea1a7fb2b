"""Whether a trace shows its front-surface echo whole, or begins in the midst of it."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["front_is_cut"]

_EARLY = 2.0  # periods: a front-surface echo that peaks later shows its rise
_WITHIN = 3.0  # periods from the start that hold the echo's largest half-wave
_LOW = 0.05  # the same, in a zone where the delay is known to be wrong
_MANY = 0.25  # of a zone's traces: so many say that the delay is wrong, and spoil the pulse that is learned
_LOUD = 8.0  # times the trace's median size: no noise gets there, an echo does
_HIGH = 0.25  # of that half-wave: a whole echo rises from less within its first sample


def front_is_cut(
    traces: NDArray[Any], front_s: NDArray[np.float64], sample_rate_hz: float, frequency_hz: float
) -> NDArray[np.bool_]:
    """Find the traces that begin after their front-surface echo does.

    Without its rise that echo passes for another, up to half a cycle off, and every time of flight is wrong
    by that. A trace is reported when the echo peaks within two periods of the start, or none was found, and
    the very first sample is already at a quarter of the largest half-wave near the start. Where a
    quarter of the zone is reported, a twentieth suffices for the others, wherever their echo was taken to be.
    One that is cut where the pulse passes through zero looks whole, and is not reported.

    Parameters
    ----------
    traces
        Shape (stations, positions, samples). Those with a late front-surface echo are seldom read.
    front_s
        Peak of each trace's front-surface echo, (stations, positions); NaN where none was found, infinite
        where the trace does not matter.
    sample_rate_hz, frequency_hz
        Sampling rate and the probe's centre frequency.

    Returns
    -------
    ndarray
        Shape (stations, positions).

    Examples
    --------
    >>> t = np.arange(200) / 100e6
    >>> echo = np.exp(-(((t - 0.3e-6) / 0.12e-6) ** 2)) * np.cos(2 * np.pi * 5e6 * (t - 0.3e-6))
    >>> traces = np.stack([echo, np.roll(echo, -28)])[None]
    >>> front_is_cut(traces, np.array([[0.3e-6, 0.02e-6]]), 100e6, 5e6)
    array([[False,  True]])
    """
    period = sample_rate_hz / frequency_hz
    within = max(2, round(_WITHIN * period))
    looked_at = ~(front_s * sample_rate_hz >= _EARLY * period)
    cut = looked_at & (_start(traces, looked_at, within) > _HIGH)
    if cut.mean() > _MANY:
        anywhere = np.isnan(front_s) | (front_s < np.inf)
        cut |= _start(traces, anywhere, within) > _LOW
    return cut


def _start(traces: NDArray[Any], looked_at: NDArray[np.bool_], within: int) -> NDArray[np.float64]:
    """Return each first sample's size, of the largest among the first `within`; 0 where that is no echo."""
    share = np.zeros(looked_at.shape)
    for station in np.flatnonzero(looked_at.any(axis=1)):
        here = np.flatnonzero(looked_at[station])
        rows = np.nan_to_num(np.asarray(traces[station, here], dtype=float), posinf=0.0, neginf=0.0)
        size = np.abs(rows - np.median(rows, axis=1, keepdims=True))
        crest = size[:, :within].max(axis=1)
        is_echo = crest > _LOUD * np.median(size, axis=1)
        share[station, here] = np.where(is_echo, size[:, 0] / np.where(is_echo, crest, 1.0), 0.0)
    return share
