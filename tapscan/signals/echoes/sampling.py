"""Traces chosen, levelled, and shifted or cut out between their samples."""

from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray
from scipy import fft

__all__ = ["cut_out", "delayed", "detrended", "spread_evenly"]

Floats = NDArray[np.float64]

_DRIFT_DEGREE = 3
_GOLDEN = (np.sqrt(5) - 1) / 2


def spread_evenly(total: int, most: int) -> NDArray[np.intp]:
    """Choose at most so many of `total` rows, evenly and in order, but in step with no pattern among them.

    Every so-and-so-many-th row of a grid may be the same line of the part, its edge perhaps. Multiples of the
    golden ratio, taken modulo 1, fill the range as evenly as any sequence and never repeat (Knuth, The Art of
    Computer Programming 3, section 6.4, from memory).

    Examples
    --------
    >>> spread_evenly(5, 8).tolist()
    [0, 1, 2, 3, 4]
    >>> spread_evenly(100, 8).tolist()
    [0, 9, 23, 32, 47, 61, 70, 85]
    >>> len(spread_evenly(102_400, 1024))
    1024
    """
    if total <= most:
        return np.arange(total)
    return np.unique((np.arange(most) * _GOLDEN % 1.0 * total).astype(np.intp))


def detrended(traces: NDArray[Any]) -> NDArray[Any]:
    """Remove each trace's cubic: DC offset, mains hum and slow drift look like one within a few µs.

    Parameters
    ----------
    traces
        Shape (n, samples), finite.

    Returns
    -------
    ndarray
        Same shape and dtype.

    Examples
    --------
    >>> bool(abs(detrended(3 + 2 * np.arange(64.0)[None])).max() < 1e-12)
    True
    """
    samples = traces.shape[-1]
    degree = min(_DRIFT_DEGREE, samples // 16)  # a short trace could lose its echo to a cubic
    shapes = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, samples), degree))[0]
    shapes = np.ascontiguousarray(shapes.T, dtype=traces.dtype)
    flat: NDArray[Any] = traces - traces.mean(axis=-1, keepdims=True)
    # Not a matrix product: that may round differently for another number of rows.
    flat -= np.einsum("nk,ks->ns", np.einsum("ns,ks->nk", flat, shapes), shapes)
    return flat


def delayed(pulse: ArrayLike, delay_samples: ArrayLike, samples: int) -> Floats:
    """Place a pulse at a time between samples, by a Fourier shift, and cut it to the trace.

    Parameters
    ----------
    pulse
        Shape (length,).
    delay_samples
        Where the pulse's first sample sits, any shape, at or after 0.
    samples
        Length of the trace.

    Returns
    -------
    ndarray
        Shape ``delay_samples.shape + (samples,)``.

    Examples
    --------
    >>> delayed([0, 1, 0], 2.0, 6).round(9) + 0.0
    array([0., 0., 0., 1., 0., 0.])
    """
    pulse = np.asarray(pulse, dtype=float)
    delay = np.asarray(delay_samples, dtype=float)
    length = fft.next_fast_len(samples + 2 * len(pulse), real=True)
    phase = np.exp(-2j * np.pi * np.fft.rfftfreq(length) * delay[..., None])
    return np.asarray(fft.irfft(fft.rfft(pulse, length) * phase, length, axis=-1)[..., :samples])


def cut_out(traces: NDArray[Any], start: Floats, length: int) -> Floats:
    """Cut a stretch out of each of the traces (n, samples), begun between samples, by a Fourier shift.

    Returns
    -------
    ndarray
        Shape (n, length); zeros before and after the trace.

    Examples
    --------
    >>> ramp = np.arange(8.0)[None]
    >>> cut_out(ramp, np.array([3.0]), 3).round(9)
    array([[3., 4., 5.]])
    >>> cut_out(ramp, np.array([-1.0]), 3).round(9) + 0.0
    array([[0., 0., 1.]])
    """
    padded = np.pad(traces, ((0, 0), (length, length + 1)))
    whole = np.floor(start).astype(int)
    begin = np.clip(whole + length, 0, padded.shape[1] - length - 1)
    cut = sliding_window_view(padded, length + 1, axis=1)[np.arange(len(padded)), begin]
    size = fft.next_fast_len(2 * length, real=True)
    phase = np.exp(2j * np.pi * np.fft.rfftfreq(size) * (start - whole)[:, None])
    return np.asarray(fft.irfft(fft.rfft(cut, size, axis=1) * phase, size, axis=1)[:, :length])
