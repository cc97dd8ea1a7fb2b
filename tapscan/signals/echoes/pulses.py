"""The transmitted pulse: where it is in a trace, and what it looks like."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tapscan.signals.echoes.sampling import cut_out, spread_evenly

__all__ = [
    "Pulse",
    "centre_frequency_hz",
    "deconvolved",
    "estimate_pulse",
    "two_kinds",
]

Floats = NDArray[np.float64]

# An echo this large, relative to the largest, is the front surface's: half of what acrylic on laminate
# returns over a back wall that loses nothing, 0.19 of 0.96 (3.15 and 4.63 MRayl); all of it in loud noise.
_FRONT_FRACTION = (0.1, 0.2)
_LOUD = 5.0  # times the median of a trace's envelope: no noise gets there
_TAIL_FRACTION = 0.003  # the pulse is cut where its envelope has fallen to this fraction of its peak
_LEAD = 2.5  # periods before an echo's crest at which its window begins
_ALONE = 1.5  # periods after its crest: there the pulse has most of its energy
_RIDES_WITHIN = 4.5  # periods after its crest: what comes later does not ride on the front-surface echo
_TWO_KINDS = 0.15  # of the echo's root energy: two shapes that differ by less pass for one
_TWO_CROWDS = 3.5  # times the scatter within either: normal values halved are 2.7 apart, even ones 3.5
_MOST_TRACES = 512  # more traces than this add nothing to an averaged pulse


@dataclass(frozen=True, slots=True, eq=False)
class Pulse:
    """One pulse: `samples` (length,), and `centre` its envelope's peak, in samples from the first one."""

    samples: Floats
    centre: float
    sample_rate_hz: float


def _envelope(traces: NDArray[Any]) -> NDArray[Any]:
    """Return the magnitude of the analytic signal, along the last axis."""
    from scipy.signal import hilbert

    return np.asarray(np.abs(hilbert(traces)))


def centre_frequency_hz(traces: NDArray[Any], sample_rate_hz: float) -> float:
    """Return the centroid of the traces' mean power spectrum within 10 dB of its peak; NaN for silence.

    Parameters
    ----------
    traces
        Shape (n, samples), finite.
    sample_rate_hz
        Sampling rate.

    Examples
    --------
    >>> t = np.arange(400) / 100e6
    >>> tone = np.exp(-(((t - 2e-6) / 0.3e-6) ** 2)) * np.cos(2 * np.pi * 5e6 * t)
    >>> round(centre_frequency_hz(tone[None], 100e6) / 1e6, 1)
    5.0
    """
    if traces.size == 0:
        return float("nan")
    length = 4 * traces.shape[-1]
    power = (np.abs(fft.rfft(traces, length, axis=-1)) ** 2).mean(axis=0)
    power[0] = 0.0
    if not power.max() > 0:
        return float("nan")
    frequency = np.arange(len(power)) * sample_rate_hz / length
    strong = power >= 0.1 * power.max()
    return float((frequency * power)[strong].sum() / power[strong].sum())


def estimate_pulse(
    traces: NDArray[Any],
    sample_rate_hz: float,
    frequency_hz: float | None = None,
    tail_fraction: float = _TAIL_FRACTION,
) -> Pulse | None:
    """Estimate the pulse from the front-surface echoes of a batch, aligned between samples and averaged.

    The first echo within 14 dB of each trace's largest is cut out, aligned by cross-correlation and combined
    by the median, which leaves out what comes at another time in each trace. The pulse ends where its
    envelope first turns up again or has fallen into the noise.

    Parameters
    ----------
    traces
        Shape (n, samples), finite, free of offset. Traces of nothing are left out.
    sample_rate_hz
        Sampling rate.
    frequency_hz
        The probe's centre frequency; estimated when None.
    tail_fraction
        The pulse is cut where its envelope has fallen to this fraction of its peak.

    Returns
    -------
    Pulse or None
        As the front-surface echo shows it, its largest half-wave 1 or -1; None where no trace holds anything.

    Examples
    --------
    >>> t = np.arange(300) / 100e6
    >>> trace = np.exp(-(((t - 1.2345e-6) / 0.15e-6) ** 2)) * np.cos(2 * np.pi * 5e6 * (t - 1.2345e-6))
    >>> pulse = estimate_pulse(trace[None], 100e6)
    >>> round(float(np.ptp(pulse.samples)), 2)
    1.67
    """
    chosen = np.asarray(traces[spread_evenly(len(traces), _MOST_TRACES)], dtype=float)
    chosen = chosen[np.ptp(chosen, axis=1) > 0] if chosen.size else chosen
    frequency_hz = frequency_hz or centre_frequency_hz(chosen, sample_rate_hz)
    if not frequency_hz > 0:
        return None
    period = sample_rate_hz / frequency_hz
    windows = _fronts(chosen, period)
    noise = _noise_of_average(chosen, windows)
    model = _typical(windows, round((_LEAD + _ALONE) * period))
    return _trimmed(
        model / np.abs(model).max(),
        round(_LEAD * period),
        period,
        (noise / np.abs(model).max(), tail_fraction),
        sample_rate_hz,
    )


def two_kinds(traces: NDArray[Any], sample_rate_hz: float) -> NDArray[np.bool_] | None:
    """Separate traces whose front-surface echoes are of two shapes; None where all are much alike.

    Where many echoes ride on the front-surface echo at the same lag, what most traces show is not the pulse.
    The echoes, aligned and of one energy, are split along the direction in which they differ most (principal
    component; Jolliffe 2002, from memory) where that leaves least scatter within the halves (Otsu 1979, from
    memory).

    Parameters
    ----------
    traces
        Shape (n, samples), finite, free of offset, none of them all 0.
    sample_rate_hz
        Sampling rate.

    Returns
    -------
    ndarray or None
        Which traces (n,) are of the one kind.

    Examples
    --------
    >>> t = np.arange(300.0)
    >>> pulse = np.exp(-(((t - 100) / 9) ** 2)) * np.cos(0.3 * (t - 100))
    >>> two_kinds(np.stack([pulse, pulse, pulse - np.roll(pulse, 25)]), 100e6).tolist()
    [False, False, True]
    """
    frequency_hz = centre_frequency_hz(traces, sample_rate_hz)
    if not frequency_hz > 0 or len(traces) < 2:
        return None
    period = sample_rate_hz / frequency_hz
    windows = _fronts(traces, period)[:, : round((_LEAD + _RIDES_WITHIN) * period)]
    windows /= np.maximum(np.sqrt((windows**2).sum(axis=1, keepdims=True)), np.finfo(float).tiny)
    windows *= np.where(windows @ _typical(windows) < 0, -1.0, 1.0)[:, None]
    directions, sizes, _ = np.linalg.svd(windows - windows.mean(axis=0), full_matrices=False)
    along = directions[:, 0] * sizes[0]
    sums, below, total = np.cumsum(np.sort(along)), np.arange(1, len(along)), len(along)
    cut = int(np.argmax((below / total * sums[-1] - sums[:-1]) ** 2 / (below * (total - below))))
    is_second = along > np.sort(along)[cut]
    if not is_second.any():
        return None
    between = along[is_second].mean() - along[~is_second].mean()
    within = np.sqrt(np.mean((along - between * is_second - along[~is_second].mean()) ** 2))
    return is_second if between > max(_TWO_KINDS, _TWO_CROWDS * within) else None


def _fronts(traces: NDArray[Any], period: float) -> Floats:
    """Cut out each trace's front-surface echo, (n, length), aligned, `_LEAD` periods before its crest."""
    from scipy.ndimage import uniform_filter1d

    # Averaged over half a period, so that noise on a rising flank makes no crest.
    size = uniform_filter1d(_envelope(traces), max(1, round(0.5 * period)), mode="nearest")
    top, usual = size.max(axis=1, keepdims=True), np.median(size, axis=1, keepdims=True)
    loud = size >= np.clip(_LOUD * usual, *(share * top for share in _FRONT_FRACTION))
    front = np.argmax(loud & (np.diff(size, axis=1, append=-np.inf) < 0), axis=1).astype(float)
    lead, length = round(_LEAD * period), round(10.0 * period)
    # A stronger back wall close behind, which is thicker here and thinner there, must not align them.
    alone = round((_LEAD + _ALONE) * period)
    for _ in range(3):
        windows = cut_out(traces, front - lead, alone)
        front += _lags(windows, _typical(windows), period)
    return cut_out(traces, front - lead, length)


def deconvolved(traces: NDArray[Any], start: Floats, amplitude: Floats, pulse: Pulse) -> Pulse:
    """Estimate the pulse anew from traces whose echoes are known, by least squares in the frequency domain.

    Every echo of every trace takes part, overlapping ones too, so that what follows the front-surface echo at
    another time in each trace no longer leaks into the pulse.

    Parameters
    ----------
    traces
        Shape (n, samples), finite, free of offset.
    start
        Where each echo's pulse begins, in samples, (n, k); NaN where there is no echo.
    amplitude
        Shape (n, k), in units of `pulse`.
    pulse
        The estimate that the echoes were found with.
    """
    samples, length = traces.shape[1], len(pulse.samples)
    room = max(2, length // 4)
    size = fft.next_fast_len(samples + 2 * length, real=True)
    omega = 2j * np.pi * np.arange(size // 2 + 1) / size
    known = np.isfinite(start)
    times, heights = np.where(known, start - room, 0.0), np.where(known, amplitude, 0.0)
    echoes = sum(heights[:, k, None] * np.exp(-omega * times[:, k, None]) for k in range(start.shape[1]))
    power = (np.abs(echoes) ** 2).sum(axis=0)
    cross = (np.conj(echoes) * fft.rfft(traces, size, axis=1)).sum(axis=0)
    model = fft.irfft(cross / (power + 1e-3 * power.mean()), size)[: length + 2 * room]
    left = traces - fft.irfft(echoes * fft.rfft(model, size), size, axis=1)[:, :samples]
    noise = float(np.median(np.sqrt((left**2).mean(axis=1)))) / np.sqrt(float(power.mean()))
    top = np.abs(model).max()
    period = pulse.sample_rate_hz / centre_frequency_hz(model[None], pulse.sample_rate_hz)
    lead = room + round(pulse.centre)
    return _trimmed(model / top, lead, period, (noise / top, _TAIL_FRACTION), pulse.sample_rate_hz)


def _noise_of_average(traces: Floats, windows: Floats) -> float:
    """Noise left in the median of the windows: that of the quiet half over the root of their number."""
    size = np.sqrt((windows**2).sum(axis=1))
    quiet = 1.4826 * np.median(np.abs(traces), axis=1)[size > 0] / size[size > 0]
    loss = (
        1.25 if len(quiet) > 2 else 1.0
    )  # a median of normal values scatters a quarter more than their mean
    return float(loss * np.median(quiet) / np.sqrt(len(quiet)))


def _typical(windows: Floats, alone: int | None = None) -> Floats:
    """Bring the windows to one energy and sign, that of most of them, and take the sample-wise median.

    Only the first `alone` samples say which sign a window has: a stronger back wall behind them comes half a
    cycle later where the wall is a little thicker.
    """
    size = np.sqrt((windows**2).sum(axis=1))
    usable = windows[size > 0] / size[size > 0][:, None]
    model = usable[0]
    for _ in range(2):
        sign = np.where(usable[:, :alone] @ model[:alone] < 0, -1.0, 1.0)
        sign *= 1.0 if sign.sum() >= 0 else -1.0
        model = np.median(usable * sign[:, None], axis=0)
        if not np.any(model):
            return np.asarray(usable[0])
    return np.asarray(model)


def _lags(windows: Floats, model: Floats, period: float) -> Floats:
    """How far each window is after the model, in samples, within half a period."""
    size = fft.next_fast_len(2 * windows.shape[1], real=True)
    up = 8
    cross = fft.rfft(windows, size, axis=1) * np.conj(fft.rfft(model, size))
    reach = max(1, round(0.5 * period * up))
    # The sum that the real inverse transform is, at no more lags than are looked at.
    turn = 2 * np.pi / (size * up) * np.outer(np.arange(cross.shape[1]), np.arange(-reach, reach + 1))
    near = cross.real @ np.cos(turn) - cross.imag @ np.sin(turn) - 0.5 * cross[:, :1].real
    best = np.argmax(np.abs(near), axis=1)
    inner = np.clip(best, 1, 2 * reach - 1)
    rows = np.arange(len(near))
    left, mid, right = (np.abs(near[rows, inner + k]) for k in (-1, 0, 1))
    bend = left - 2 * mid + right
    vertex = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    return np.asarray((inner - reach + np.clip(vertex, -1, 1)) / up)


def _trimmed(
    model: Floats, lead: int, period: float, floors: tuple[float, float], sample_rate_hz: float
) -> Pulse:
    """Cut the average to the pulse itself, with soft ends, and take the noise out of it.

    `floors` are the model's noise and the fraction of its peak below which the envelope is not the pulse's.
    """
    noise, fraction = floors
    height = _envelope(np.pad(model, len(model)))[len(model) : -len(model)]
    reach = max(1, round(period))
    low = max(0, lead - reach)
    peak = low + int(np.argmax(height[low : lead + reach + 1]))
    floor = max(fraction * height[peak], 2.5 * noise)
    before = np.flatnonzero(height[:peak] < floor)
    first = int(before[-1]) if len(before) else 0
    last = _end_of_tail(height, peak, period, floor)
    cut = model[first : last + 1] * _fade(last + 1 - first, period, first > 0, last < len(model) - 1)
    cut = _denoised(cut, noise)
    cut /= np.abs(cut).max()
    return Pulse(cut, _envelope_peak(cut), sample_rate_hz)


def _fade(length: int, period: float, rises: bool, falls: bool) -> Floats:
    """Half a cosine over a quarter period at each end that was cut."""
    soft = min(max(1, round(0.25 * period)), length // 3)
    ramp = 0.5 * (1 - np.cos(np.pi * (np.arange(soft) + 1) / (soft + 1)))
    fade = np.ones(length)
    if rises:
        fade[:soft] = ramp
    if falls:
        fade[length - soft :] = ramp[::-1]
    return fade


def _denoised(cut: Floats, noise: float) -> Floats:
    """Wiener's filter without phase: each frequency is kept as far as it is above white noise."""
    size = 4 * len(cut)
    spectrum = fft.rfft(cut, size)
    power = np.abs(spectrum) ** 2
    floor = 4.0 * noise**2 * len(cut)
    gain = power / (power + floor) if floor > 0 else np.ones(len(power))
    gain = np.where(power > floor, gain, 0.0) if floor > 0 else gain
    if not gain.any():
        return cut  # nothing is above it: the cut is as good a guess as any
    return np.asarray(fft.irfft(spectrum * gain, size)[: len(cut)])


def _end_of_tail(height: Floats, peak: int, period: float, floor: float) -> int:
    """Where the pulse is over: fallen to the floor, or turned up again by half for good."""
    tail = height[peak:]
    lowest = np.minimum.accumulate(tail)
    over = np.flatnonzero((tail < floor) | ((tail > 1.5 * lowest) & (tail > 0.05 * tail[0])))
    if not len(over):
        return len(height) - 1
    end = peak + max(int(np.argmin(tail[: int(over[0]) + 1])), round(0.5 * period))
    return min(end, len(height) - 1)


def _envelope_peak(pulse: Floats) -> float:
    """Envelope maximum to a fraction of a sample, in samples from the first.

    The top of a noisy envelope is flat and rough: a quartic through all of it above four fifths is neither.
    """
    up, pad = 16, len(pulse)
    height = _envelope(fft.irfft(fft.rfft(np.pad(pulse, pad)), 3 * pad * up) * up)
    best = int(np.argmax(height))
    low = np.flatnonzero(height < 0.8 * height[best])
    left = int(low[low < best].max(initial=0)) + 1
    right = int(low[low > best].min(initial=len(height)))
    span = max(right - left, 1) / 2
    x = (np.arange(left, right) - best) / span
    if len(x) < 8:
        return best / up - pad
    coefficients = np.polynomial.polynomial.polyfit(x, height[left:right], 4)
    fine = np.linspace(x[0], x[-1], 2001)
    top = fine[np.argmax(np.polynomial.polynomial.polyval(fine, coefficients))]
    return float((best + top * span) / up - pad)
