"""A spectral line and its width: one pole fitted to the few bins around a peak.

The discrete Fourier transform of N samples of a damped oscillation is exactly ``b / (1 - λ z)`` with ``z =
exp(-2πi k / N)`` and ``λ = exp((-ζω + iω√(1-ζ²)) / rate)``, whatever is left of it at the last sample. So a
frequency and a damping follow from neighbouring bins without any window and without leakage error; a
constant and a slope beside the pole take up what other modes, hum and the contact pulse leave there. The
equation-error fit is reweighted with its own denominator and takes its own model for instrument, which is
the normal equation of least squares at its fixed point (Steiglitz and McBride, IEEE Trans. Autom. Control
10, 1965; instruments: Young and Jakeman, Int. J. Control 29, 1979; ratio of neighbouring bins: Bertocco et
al., IEEE Trans. Instrum. Meas. 43, 1994; all from memory).
"""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["LINE_BINS", "fit_line", "line_bins", "pole_to_mode"]

_REACH = 12  # bins on each side of the peak, before striding
_PASSES = 3
_STRIDES = 2 ** np.arange(7)
_OFFSETS = np.unique(np.arange(-_REACH, _REACH + 1) * _STRIDES[:, None])  # of all bins that any stride reads
_COLUMNS = np.searchsorted(_OFFSETS, np.arange(-_REACH, _REACH + 1) * _STRIDES[:, None])

LINE_BINS = len(_OFFSETS)


def line_bins(
    spectrum: "NDArray[np.complexfloating]", peak: "NDArray[np.intp]"
) -> "NDArray[np.complexfloating]":
    """Take from each spectrum the bins that a fit about its peak may need.

    Parameters
    ----------
    spectrum
        One-sided transforms, shape ``(n, bins)``.
    peak
        Bin of each row's peak, shape ``(n,)``.

    Returns
    -------
    NDArray[np.complexfloating]
        What `fit_line` takes, shape ``(n, offsets)``.
    """
    place = (peak[:, None] + _OFFSETS).clip(0, spectrum.shape[1] - 1)
    return np.asarray(np.take_along_axis(spectrum, place, axis=1))


def fit_line(
    bins: "NDArray[np.complexfloating]",
    peak: "NDArray[np.intp]",
    n_samples: int,
    half_width: "NDArray[np.intp] | None" = None,
) -> "NDArray[np.complex128]":
    """Fit one pole to the bins around each peak.

    Parameters
    ----------
    bins
        What `line_bins` took from the spectra.
    peak
        Bin of each row's peak, shape ``(n,)``.
    n_samples
        Length of the transformed signals.
    half_width
        Bins from the peak to half power, roughly, shape ``(n,)``; broad lines are then read from bins further
        apart.

    Returns
    -------
    NDArray[np.complex128]
        Logarithm of the pole per sample, ``(-ζω + iω√(1-ζ²)) / rate``, shape ``(n,)``; NaN where the bins
        hold no decaying line.

    Examples
    --------
    >>> x = np.exp(-0.004 * np.arange(2000)) * np.sin(0.4 * np.arange(2000) + 0.3)
    >>> X = np.fft.rfft(x)[None]
    >>> peak = np.abs(X).argmax(axis=1)
    >>> fit_line(line_bins(X, peak), peak, 2000).round(4)
    array([-0.004+0.4j])
    """
    octave = _octave(np.ones(len(peak)) if half_width is None else np.maximum(half_width - 3.0, 1.0))
    pole = _fit_pole(bins, peak, octave, n_samples)
    for _ in range(2):
        wanted = _octave(np.nan_to_num(np.abs(pole.real)) * n_samples / (2 * np.pi))
        wide = np.flatnonzero(wanted > octave + 1)
        if not wide.size:
            break
        octave[wide] = wanted[wide]
        pole[wide] = _fit_pole(bins[wide], peak[wide], octave[wide], n_samples)
    half_bins = np.abs(pole.real) * n_samples / (2 * np.pi)
    offset_bins = np.abs(pole.imag) * n_samples / (2 * np.pi)
    sound = (pole.real < 0) & (offset_bins < 1.5 + half_bins) & (half_bins < _REACH * _STRIDES[octave])
    with np.errstate(invalid="ignore"):
        return np.where(sound, pole + 2j * np.pi * peak / n_samples, np.nan)


def _octave(half_width: "NDArray[np.float64]") -> "NDArray[np.intp]":
    """Which stride reaches two to four half widths on each side."""
    with np.errstate(divide="ignore"):
        octave = np.ceil(np.log2(half_width * 2.0 / _REACH))
    return np.asarray(octave.clip(0, len(_STRIDES) - 1).astype(np.intp))


def _fit_pole(
    bins: "NDArray[np.complexfloating]",
    peak: "NDArray[np.intp]",
    octave: "NDArray[np.intp]",
    n_samples: int,
) -> "NDArray[np.complex128]":
    """Logarithm of the pole relative to the peak bin, from ``2 * _REACH + 1`` bins a stride apart."""
    column = _COLUMNS[octave]
    offset = _OFFSETS[column]
    place = peak[:, None] + offset
    inside = (place >= 1) & (place < (n_samples + 1) // 2)  # neither zero frequency nor Nyquist
    value = np.take_along_axis(bins, column, axis=1).astype(np.complex128)
    turn = np.exp(-2j * np.pi / n_samples * offset)
    slope = np.arange(-_REACH, _REACH + 1) / _REACH
    turned = turn * value
    target = turned - value
    weight = inside.astype(np.float64)
    with np.errstate(all="ignore"):
        instrument = turned
        for _ in range(_PASSES):
            gap = _pole_gap(instrument, turned, target, slope, weight)
            denominator = 1 - (1 - gap)[:, None] * turn
            size = denominator.real**2 + denominator.imag**2
            floor = (np.pi / n_samples) ** 2  # a line narrower than a bin must not put all weight on one bin
            weight = inside / (size + floor)
            instrument = (
                turn / denominator
            )  # the model in place of the data: noise is not multiplied by itself
        return np.asarray(np.log(1 - gap))


def _pole_gap(
    instrument: "NDArray[np.complex128]",
    turned: "NDArray[np.complex128]",
    target: "NDArray[np.complex128]",
    slope: "NDArray[np.float64]",
    weight: "NDArray[np.float64]",
) -> "NDArray[np.complex128]":
    """Solve ``target = g * turned - b - c * slope`` for g by weighted instruments; the pole is 1 - g."""
    weight = weight / weight.sum(axis=1, keepdims=True)
    mean_slope = np.einsum("nk,k->n", weight, slope)[:, None]
    centred = slope - mean_slope
    pull = weight * centred / np.einsum("nk,nk,nk->n", weight, centred, centred)[:, None]
    rest = instrument - np.einsum("nk,nk->n", weight, instrument)[:, None]
    rest = rest - centred * np.einsum("nk,nk->n", pull, instrument)[:, None]
    weighted = weight * rest.conj()
    return np.asarray(np.einsum("nk,nk->n", weighted, target) / np.einsum("nk,nk->n", weighted, turned))


def pole_to_mode(
    log_pole: "NDArray[np.complex128]", sample_rate_hz: float
) -> "tuple[NDArray[np.float64], NDArray[np.float64]]":
    """Undamped natural frequency in Hz and damping ratio of poles given as logarithms per sample.

    Examples
    --------
    >>> frequency_hz, damping_ratio = pole_to_mode(np.array([-0.03 + 0.04j]), 48000.0)
    >>> float(damping_ratio[0]), round(float(frequency_hz[0]), 3)
    (0.6, 381.972)
    """
    size = np.abs(log_pole)
    with np.errstate(invalid="ignore", divide="ignore"):
        return size * sample_rate_hz / (2 * np.pi), -log_pole.real / size
