"""What a tap sounds like in numbers: centroid, peak, damping, decay and level. Its bands are in `bands`.

Everything follows from one real Fourier transform of each tap, and one back of its band: no window, no
resampling. Batches are worked through in pieces that stay in the processor's cache, so the cost is that of
the transforms.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.signals.memory import keep_freed_memory
from tapscan.signals.modes.lines import LINE_BINS, fit_line, line_bins, pole_to_mode
from tapscan.signals.taps.decay import decay_time, tail_power

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["TapFeatures", "tap_band_hz", "tap_features"]

_LOWEST_HZ, _HIGHEST_HZ = 400.0, 20_000.0
_BLOCK_S = 3e-4
_CHUNK_BYTES = 900_000
_ROWS = 512
_STEPS = np.array([1, 2, 3, 4, 6, 8, 11, 16, 23, 32, 45, 64, 90, 128, 181, 256])  # bins beside a peak
_QUIETEST = 1e-7  # noise relative to the peak below which nothing is claimed: 140 dB


@dataclass(frozen=True, slots=True, eq=False)
class TapFeatures:
    """Features of a batch of taps; each array has one row per tap, NaN where the tap holds no sound.

    Attributes
    ----------
    centroid_hz
        Magnitude-weighted mean frequency over `band_hz`, shape ``(n,)``.
    peak_hz
        Frequency of the strongest spectral line in `band_hz`, between bins, shape ``(n,)``.
    damping_ratio
        Damping ratio of that line's mode, shape ``(n,)``; NaN where the line has no readable width.
    decay_time_s
        Time in which the energy in `band_hz` falls by 60 dB, extended from the line between -5 dB and -25
        dB of the backward-integrated energy, shape ``(n,)``; NaN where noise leaves less than 12 dB of it.
    level_db
        Peak of the tap in `band_hz`, in dB relative to full scale (1.0), shape ``(n,)``.
    snr_db
        That peak over the root mean square of the noise in `band_hz`, shape ``(n,)``.
    band_hz
        The band that was used (lowest, highest).
    """

    centroid_hz: "NDArray[np.float64]"
    peak_hz: "NDArray[np.float64]"
    damping_ratio: "NDArray[np.float64]"
    decay_time_s: "NDArray[np.float64]"
    level_db: "NDArray[np.float64]"
    snr_db: "NDArray[np.float64]"
    band_hz: tuple[float, float]


def tap_band_hz(sample_rate_hz: float) -> tuple[float, float]:
    """Give the band that taps are judged in: 400 Hz, above hum and rumble, to 20 kHz or 0.45 of the rate.

    Examples
    --------
    >>> tap_band_hz(48000.0), tap_band_hz(8000.0)
    ((400.0, 20000.0), (400.0, 3600.0))
    """
    return _LOWEST_HZ, max(min(_HIGHEST_HZ, 0.45 * sample_rate_hz), 1.5 * _LOWEST_HZ)


def tap_features(
    taps: "ArrayLike",
    sample_rate_hz: float,
    band_hz: tuple[float, float] | None = None,
    noise_power: "ArrayLike | None" = None,
) -> TapFeatures:
    """Measure a batch of taps, each from its onset.

    The centroid is ``Σ f |X(f)| / Σ |X(f)|`` over the bins in the band, of the whole tap without a window:
    what `librosa.feature.spectral_centroid` gives for the same frame (boxcar window, band from 0 to half
    the rate). Peak and damping come from one pole fitted to the bins around the strongest one (see
    `tapscan.signals.modes.lines`), the decay time from Schroeder's backward integral (see
    `tapscan.signals.taps.decay`). Level, SNR and decay are those of the tap filtered to the band with cosine
    flanks an octave wide outside it.

    Parameters
    ----------
    taps
        Shape ``(n, samples)``, relative to full scale 1.0; float32 is worked in single precision (centroid
        and peak then hold to 1e-5 of themselves). Zeros at the end of a row are taken for padding.
    sample_rate_hz
        Samples per second.
    band_hz
        Lowest and highest frequency that count; `tap_band_hz` when None.
    noise_power
        Mean square of the white noise in each tap, scalar or shape ``(n,)``. When given, its expected share
        is taken off the spectrum before the centroid is formed. When None, nothing is taken off, and
        the noise for `snr_db` and `decay_time_s` is estimated from the last part of each tap.

    Returns
    -------
    TapFeatures
        One row per tap; rows that are silent or not finite are NaN.

    Raises
    ------
    ValueError
        When `taps` is not two-dimensional, or the band or the rate is not positive and ordered.

    Examples
    --------
    >>> t = np.arange(4800) / 48000.0
    >>> tap = np.exp(-0.02 * 2 * np.pi * 3000 * t) * np.sin(2 * np.pi * 3000 * np.sqrt(1 - 0.02**2) * t)
    >>> features = tap_features(tap[None], 48000.0)
    >>> float(features.peak_hz[0].round(1)), float(features.damping_ratio[0].round(4))
    (2999.4, 0.02)
    """
    keep_freed_memory()
    batch = _as_batch(taps)
    n = len(batch)
    layout = _layout(batch.shape[1], sample_rate_hz, band_hz)
    noise = None if noise_power is None else np.broadcast_to(np.asarray(noise_power, dtype=np.float64), (n,))
    table = np.full((n, _FEATURES), np.nan)
    if batch.shape[1] >= 4:
        for first in range(0, n, _ROWS):
            part = slice(first, first + _ROWS)
            _measure(batch[part], layout, None if noise is None else noise[part], table[part])
    columns = np.ascontiguousarray(table.T)
    return TapFeatures(
        centroid_hz=columns[_CENTROID],
        peak_hz=columns[_PEAK],
        damping_ratio=columns[_DAMPING],
        decay_time_s=columns[_DECAY],
        level_db=columns[_LEVEL],
        snr_db=columns[_SNR],
        band_hz=layout.band_hz,
    )


_CENTROID, _PEAK, _DAMPING, _DECAY, _LEVEL, _SNR, _FEATURES = range(7)


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """What is the same for every tap of a batch."""

    n_samples: int
    sample_rate_hz: float
    band_hz: tuple[float, float]
    bins: slice  # bins whose frequency is in the band
    frequency_hz: "NDArray[np.float64]"  # of those bins
    gain: "NDArray[np.float64]"  # of the band filter, for every bin
    block: int
    flanks: tuple[slice, slice]  # bins that the band filter changes


def _as_batch(taps: "ArrayLike") -> "NDArray[np.floating]":
    batch = np.asarray(taps)
    if batch.ndim != 2:
        msg = f"taps must have shape (n, samples), not {batch.shape}"
        raise ValueError(msg)
    return batch if batch.dtype in (np.float32, np.float64) else batch.astype(np.float64)


def _layout(n_samples: int, sample_rate_hz: float, band_hz: tuple[float, float] | None) -> _Layout:
    if not sample_rate_hz > 0:
        msg = f"sample_rate_hz must be positive, not {sample_rate_hz}"
        raise ValueError(msg)
    lowest, highest = band_hz or tap_band_hz(sample_rate_hz)
    if not 0 <= lowest < highest:
        msg = f"band_hz must be (lowest, highest) with 0 <= lowest < highest, not {(lowest, highest)}"
        raise ValueError(msg)
    n_bins = n_samples // 2 + 1
    width_hz = sample_rate_hz / max(n_samples, 1)
    frequency_hz = np.arange(n_bins, dtype=np.float64) * width_hz
    first = int(np.searchsorted(frequency_hz, lowest * (1 - 1e-12)))
    last = max(int(np.searchsorted(frequency_hz, highest * (1 + 1e-12), side="right")), first + 1)
    gain = _band_gain(frequency_hz, lowest, highest)
    first, last = min(first, n_bins - 1), min(last, n_bins)
    return _Layout(
        n_samples=n_samples,
        sample_rate_hz=sample_rate_hz,
        band_hz=(float(lowest), float(highest)),
        bins=slice(first, last),
        frequency_hz=frequency_hz[first:last],
        gain=gain,
        block=min(max(1, round(_BLOCK_S * sample_rate_hz)), max(n_samples, 1)),
        flanks=(slice(0, first), slice(last, n_bins)),
    )


def _band_gain(frequency_hz: "NDArray[np.float64]", lowest: float, highest: float) -> "NDArray[np.float64]":
    """One in the band, falling to zero within an octave outside it along a squared cosine."""
    flank = 2.0  # an octave: a steeper filter would ring for longer than a well damped tap
    rise = np.ones_like(frequency_hz)
    if lowest > 0:
        rise = ((frequency_hz - lowest / flank) / (lowest - lowest / flank)).clip(0, 1)
    fall = ((highest * flank - frequency_hz) / (highest * flank - highest)).clip(0, 1)
    return np.asarray(np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2)


def _measure(
    taps: "NDArray[np.floating]",
    layout: _Layout,
    noise: "NDArray[np.float64] | None",
    table: "NDArray[np.float64]",
) -> None:
    """Fill the rows of `table` from some hundred taps.

    What touches every sample runs over a few taps at a time, within the cache; what is left of each tap
    after that is small and is worked for all together.
    """
    n = len(taps)
    count = max(layout.n_samples // layout.block, 1)
    rest = _Rest(
        loud=np.empty(n),
        peak_bin=np.empty(n, dtype=np.intp),
        half_width=np.empty(n, dtype=np.intp),
        bins=np.empty((n, LINE_BINS), dtype=np.complex128),
        energy=np.empty((n, count), dtype=taps.dtype),
        peak=np.empty(n),
        length=np.empty(n, dtype=np.intp),
        exponent=np.zeros(n, dtype=np.intp),
        floor=None if noise is None else np.empty(n),
    )
    rows = max(1, _CHUNK_BYTES // (layout.n_samples * taps.itemsize))
    with np.errstate(all="ignore"):
        for first in range(0, n, rows):
            part = slice(first, first + rows)
            table[part, _CENTROID] = _transform(taps[part], layout, noise, rest, part)
        _finish(layout, rest, table)
    silent = ~(rest.loud > 1e-12 * layout.n_samples) | ~np.isfinite(rest.loud)
    table[silent] = np.nan


@dataclass(frozen=True, slots=True, eq=False)
class _Rest:
    """What is left of taps once their samples have been gone through; one row per tap."""

    loud: "NDArray[np.float64]"  # power in the whole band
    peak_bin: "NDArray[np.intp]"
    half_width: "NDArray[np.intp]"
    bins: "NDArray[np.complex128]"  # about the peak
    energy: "NDArray[np.floating]"  # mean square in blocks of time
    peak: "NDArray[np.float64]"
    length: "NDArray[np.intp]"
    exponent: "NDArray[np.intp]"
    floor: "NDArray[np.float64] | None"  # expected noise power in a bin


def _transform(
    taps: "NDArray[np.floating]",
    layout: _Layout,
    noise: "NDArray[np.float64] | None",
    rest: _Rest,
    part: slice,
) -> "NDArray[np.float64]":
    """Go through the samples of a few taps; fill their rows of `rest` and return their centroids."""
    from scipy import fft

    taps, rest.length[part], rest.exponent[part] = _prepare(taps)
    spectrum = fft.rfft(taps, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    in_band = power[:, layout.bins]
    floor = None
    if noise is not None and rest.floor is not None:
        rest.floor[part] = noise[part] * 4.0 ** -rest.exponent[part] * rest.length[part]
        floor = rest.floor[part]
    rest.peak_bin[part], rest.half_width[part] = _peak(in_band, layout)
    rest.bins[part] = line_bins(spectrum, rest.peak_bin[part])
    rest.loud[part] = in_band.sum(axis=1)
    for flank in layout.flanks:
        spectrum[:, flank] *= layout.gain[flank].astype(power.dtype)
    filtered = fft.irfft(spectrum, n=layout.n_samples, axis=1, overwrite_x=True)
    blocks = filtered[:, : rest.energy.shape[1] * layout.block].reshape(len(taps), rest.energy.shape[1], -1)
    rest.energy[part] = np.einsum("nbi,nbi->nb", blocks, blocks)
    rest.peak[part] = np.maximum(filtered.max(axis=1), -filtered.min(axis=1))
    return _centroid(in_band, layout.frequency_hz, floor)


def _finish(layout: _Layout, rest: _Rest, table: "NDArray[np.float64]") -> None:
    """Turn what is left of the taps into features."""
    doublings_db = 20 * np.log10(2.0) * rest.exponent
    pole = fit_line(rest.bins, rest.peak_bin, layout.n_samples, rest.half_width)
    _, table[:, _DAMPING] = pole_to_mode(pole, layout.sample_rate_hz)
    turns = np.where(np.isnan(pole.imag), rest.peak_bin / layout.n_samples, pole.imag / (2 * np.pi))
    table[:, _PEAK] = turns * layout.sample_rate_hz
    table[:, _DECAY], noise_rms = _decay(layout, rest)
    table[:, _LEVEL] = 20 * np.log10(rest.peak) + doublings_db
    table[:, _SNR] = 20 * np.log10(rest.peak / np.maximum(noise_rms, _QUIETEST * rest.peak))


def _prepare(
    taps: "NDArray[np.floating]",
) -> "tuple[NDArray[np.floating], NDArray[np.intp], NDArray[np.intp]]":
    """Level the part of each tap before its padding, and scale tiny and huge taps to a peak near 1.

    They are scaled by a power of two, which changes no digit, so that no square overflows and gain leaves
    every ratio as it is.
    """
    n_samples = taps.shape[1]
    highest = np.maximum(taps.max(axis=1), -taps.min(axis=1))
    exponent = np.frexp(np.where(np.isfinite(highest), highest, 1.0))[1].astype(np.intp)
    exponent[(exponent > -20) & (exponent < 20)] = 0
    if exponent.any():
        taps = np.ldexp(taps, -exponent[:, None]).astype(taps.dtype)
    length = np.full(len(taps), n_samples)
    for row in np.flatnonzero(taps[:, -1] == 0):
        sounding = np.flatnonzero(taps[row])
        length[row] = sounding[-1] + 1 if sounding.size else n_samples
    padded = np.flatnonzero((length < n_samples) & (length > n_samples // 10))  # a lone click has no offset
    if padded.size:
        taps = taps.copy()
        for row in padded:
            taps[row, : length[row]] -= taps[row, : length[row]].mean(dtype=np.float64)
    return taps, length, exponent


def _centroid(
    power: "NDArray[np.floating]",
    frequency_hz: "NDArray[np.float64]",
    floor: "NDArray[np.float64] | None",
) -> "NDArray[np.float64]":
    """Magnitude-weighted mean frequency; bins under thrice the noise (95 % of pure noise) count as empty."""
    if floor is not None:
        level = floor[:, None].astype(power.dtype)
        power = np.where(power > 3 * level, power - level, 0)
    magnitude = np.sqrt(power)
    unit = frequency_hz[-1] or 1.0
    weighted = np.einsum("nk,k->n", magnitude, (frequency_hz / unit).astype(power.dtype))
    return np.asarray(weighted.astype(np.float64) * unit / magnitude.sum(axis=1, dtype=power.dtype))


def _peak(in_band: "NDArray[np.floating]", layout: _Layout) -> "tuple[NDArray[np.intp], NDArray[np.intp]]":
    """Bin of the strongest line in the band, and its half width.

    A broad line is taken at its middle over five bins, lest a spike of noise on it be taken for the line.
    """
    n, bins = in_band.shape
    peak = np.argmax(in_band, axis=1)
    if bins < 16:
        return peak + layout.bins.start, np.ones(n, dtype=np.intp)
    for row in np.flatnonzero((peak < 2) | (peak >= bins - 2)):
        inner = in_band[row, 2:-2]  # a flank that runs out of the band is no line
        tops = (inner >= in_band[row, 1:-3]) & (inner > in_band[row, 3:-1])
        if tops.any():
            peak[row] = 2 + np.argmax(np.where(tops, inner, -1))
    middle = peak.clip(2, bins - 3)
    width = _half_power_bins(in_band, middle)
    for row in np.flatnonzero(width > 10):
        first = max(middle[row] - width[row], 2)
        about = _about(in_band[row : row + 1], np.arange(first, min(middle[row] + width[row], bins - 3) + 1))
        peak[row] = first + np.argmax(about)
    return peak + layout.bins.start, width


def _about(in_band: "NDArray[np.floating]", middle: "NDArray[np.intp]") -> "NDArray[np.floating]":
    """Power in five bins about each of `middle`, shape (k,) or (n, k), two bins off the band's ends."""
    rows = np.arange(len(in_band))[:, None]
    two = in_band[rows, middle - 2] + in_band[rows, middle - 1]
    return np.asarray(two + (in_band[rows, middle] + in_band[rows, middle + 1]) + in_band[rows, middle + 2])


def _half_power_bins(in_band: "NDArray[np.floating]", peak: "NDArray[np.intp]") -> "NDArray[np.intp]":
    """Bins from the peak to where the power has fallen to half, on the narrower side; at most 256."""
    half = _about(in_band, peak[:, None]) / 2
    runs = []
    for sign in (-1, 1):
        bins = (peak[:, None] + sign * _STEPS).clip(2, in_band.shape[1] - 3)
        low = _about(in_band, bins) < half
        low[:, -1] = True
        runs.append(_STEPS[np.argmax(low, axis=1)])
    return np.asarray(np.minimum(*runs))


def _decay(layout: _Layout, rest: _Rest) -> "tuple[NDArray[np.float64], NDArray[np.float64]]":
    """Decay time, and root mean square of the noise, of the band-filtered taps."""
    count, block = rest.energy.shape[1], layout.block
    # A zero-phase filter rings before the onset too, which the transform wraps round to the end of the frame.
    ringing_s = min(4 / max(layout.band_hz[0], _LOWEST_HZ), 0.15 * layout.n_samples / layout.sample_rate_hz)
    in_blocks = np.maximum((rest.length - round(ringing_s * layout.sample_rate_hz)) // block, 1)
    share = float(np.mean(layout.gain**2))
    independent = max(block * share, 0.1)
    energy = rest.energy / block
    if rest.floor is None:
        noise = tail_power(energy, in_blocks, independent)
    else:
        noise = rest.floor / rest.length * share
    energy = np.where(np.arange(count) < in_blocks[:, None], energy, noise[:, None])
    decay_s = decay_time(energy, noise, in_blocks, block / layout.sample_rate_hz, independent)
    return decay_s, np.sqrt(noise)
