"""Whether a trace can be measured, and if not, why: broken, silent, saturated, begun too late."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.signals.echoes.sampling import detrended

__all__ = ["front_is_cut", "prepared"]

Floats32 = NDArray[np.float32]

_EARLY = 2.0  # periods: a front-surface echo that peaks later shows its rise
_WITHIN = 3.0  # periods from the start that hold the echo's largest half-wave
_LOW = 0.05  # the same, in a zone where the delay is known to be wrong
_MANY = 0.25  # of a zone's traces: so many say that the delay is wrong, and spoil the pulse that is learned
_LOUD = 8.0  # times the trace's median size: no noise gets there, an echo does
_LEAST_FLAT = 3  # equal samples in a row at the very top that no smooth echo makes
_HIGH = 0.25  # of that half-wave: a whole echo rises from less within its first sample


def prepared(traces: NDArray[Any], step: float = 0.0) -> tuple[Floats32, Floats32, NDArray[np.str_]]:
    """Bring traces to single precision and say what each lacks at its end and what is wrong with it.

    Missing samples at a trace's end only make it shorter; anywhere else the trace is not finite. A faulty row
    becomes 0.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        values = np.asarray(traces, dtype=np.float32)
    fault = np.full(len(values), "", dtype="U10")
    lacking = np.zeros(len(values), dtype=np.float32)
    crest, trough = np.argmax(values, axis=1), np.argmin(values, axis=1)  # of a row with NaN, the NaN
    rows = np.arange(len(values))
    broken = ~np.isfinite(values[rows, crest] - values[rows, trough])
    if broken.any():
        values = values.copy()
        for row in np.flatnonzero(broken):
            values[row], lacking[row] = _without_tail(values[row])
            if lacking[row] == values.shape[1]:
                fault[row] = "not finite"
        crest, trough = np.argmax(values, axis=1), np.argmin(values, axis=1)
    span = values[rows, crest] - values[rows, trough]
    fault[(fault == "") & (span == 0)] = "silent"
    # Where the digitiser resolves fewer than 32 levels, an honest crest may look flat.
    flat = (_rests(values, crest) | _rests(values, trough)) & (span > 32 * np.float32(step))
    fault[flat & (fault == "")] = "saturated"
    return values, lacking, fault


def _without_tail(trace: Floats32) -> tuple[Floats32, int]:
    """Fill missing samples at the end with the mean of the rest, and count them; all when others lack too."""
    finite = np.isfinite(trace)
    length = int(np.flatnonzero(finite)[-1]) + 1 if finite.any() else 0
    filled = np.zeros_like(trace)
    if length < 2 or not finite[:length].all() or not np.isnan(trace[length:]).all():
        return filled, len(trace)
    filled[:length] = detrended(trace[None, :length])[0]
    return filled, len(trace) - length


def _rests(values: Floats32, at: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether a trace stays for three samples at its extreme, as no smooth echo does."""
    rests = np.zeros(len(values), dtype=bool)
    rows = np.flatnonzero(at + _LEAST_FLAT <= values.shape[1])
    for ahead in range(1, _LEAST_FLAT):
        rows = rows[values[rows, at[rows] + ahead] == values[rows, at[rows]]]
    rests[rows] = True
    return rests


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
