"""When a signal begins, without a model of it: the first arrival of a tap or of a block's echo."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.signals.checking import require_axes, require_rate, require_real

__all__ = ["onset_s"]

Floats = NDArray[np.float64]

_LEAST_SIDE = 2  # samples on each side of a split: fewer have no variance


def onset_s(traces: ArrayLike, sample_rate_hz: float) -> Floats:
    """Find the instant at which each trace splits best into noise before and signal after.

    The split minimises Akaike's criterion for two stretches of Gaussian noise of different power,
    ``k·ln var(x[:k]) + (N − k − 1)·ln var(x[k:])`` (Maeda 1985, as other seismological software computes it).
    It wants some noise before the arrival; the later echoes do not matter as long as the trace is not mostly
    over.

    Parameters
    ----------
    traces
        Shape (n, samples) or (samples,), real.
    sample_rate_hz
        Sampling rate.

    Returns
    -------
    ndarray
        Shape (n,): time of the first sample of the signal, from the first sample of the trace. NaN where
        there is no such instant: fewer than 8 samples, a sample that is not finite, or nothing but one value
        on one side.

    Raises
    ------
    TapscanError
        For an array that is not real or has more than two axes, or a rate that is not above 0.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> trace = 0.01 * rng.standard_normal(400)
    >>> trace[150:] += np.sin(0.3 * np.arange(250))
    >>> onset_s(trace, 1e6) * 1e6
    array([151.])
    """
    values = np.asarray(traces)
    require_real("traces", values)
    require_axes("traces", values, (1, 2), "(n, samples)")
    require_rate(sample_rate_hz)
    values = np.atleast_2d(values).astype(float)
    onset = np.full(len(values), np.nan)
    if values.shape[1] < 4 * _LEAST_SIDE:
        return onset
    usable = np.flatnonzero(np.isfinite(values).all(axis=1) & (np.ptp(values, axis=1) > 0))
    for row in usable:
        onset[row] = _split(values[row]) / sample_rate_hz
    return onset


def _split(trace: Floats) -> float:
    """First sample after the best split of one trace; NaN where one side is constant wherever it is split."""
    scaled = (trace - trace.mean()) / np.abs(trace - trace.mean()).max()
    samples = len(scaled)
    split = np.arange(_LEAST_SIDE, samples - _LEAST_SIDE)
    total, square = np.cumsum(scaled), np.cumsum(scaled**2)
    before = _variance(total[split - 1], square[split - 1], split)
    after = _variance(total[-1] - total[split - 1], square[-1] - square[split - 1], samples - split)
    varied = (before > 0) & (after > 0)
    if not varied.any():
        return float("nan")
    with np.errstate(divide="ignore"):
        criterion = split * np.log(before) + (samples - split - 1) * np.log(after)
    return float(split[np.argmin(np.where(varied, criterion, np.inf))])


def _variance(total: Floats, square: Floats, count: NDArray[np.intp]) -> Floats:
    """Variance from running sums; what is left of rounding is 0."""
    variance = square / count - (total / count) ** 2
    return np.where(variance > 1e-14, variance, 0.0)
