"""What a zone's A-scans have in common: the pulse, the noise, the backscatter of sound laminate.

Learned from traces spread evenly over the zone, by medians, so that a third of the zone may be damaged.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tapscan.physics.waves import UNRESOLVED_CYCLES
from tapscan.signals.echoes.candidates import (
    FRONT_FRACTION,
    Candidates,
    Pattern,
    candidates,
    make_pattern,
    noise_of,
)
from tapscan.signals.echoes.kernels import LEAST_SAMPLES, Kernel, correlate, make_kernel
from tapscan.signals.echoes.pulses import Pulse, estimate_pulse
from tapscan.signals.echoes.pursuit import misfits, subtracted
from tapscan.signals.echoes.quality import prepared
from tapscan.signals.echoes.sampling import detrended

__all__ = ["SAMPLE", "learn"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

SAMPLE = 1024  # traces that are learned from
_TAIL_FRACTION = 0.03  # of the pulse: what is less is more likely the plies'
_SUPPORT_FLOOR = 0.15  # of the pulse's root energy: an echo that lacks less at the trace's end is kept
_TOP_FLOOR = 0.03  # of the pulse's power: what is above needs no finer grid here
_BACKSCATTER_FACTOR = 5.3  # standard deviations of the zone's backscatter above its usual value
_ALIKE = 0.4  # of the way from what the pulse's own half-waves differ by to none: more alike, and loss did it
_BESIDE_CYCLES = 2.0  # after the front-surface echo: its own half-waves, and what it misfits, are there
_WEAK_FRONT = 0.5  # times it the back wall has: behind so weak a front surface a shallow echo can hide it
_USUAL_FACTOR = 1.5  # times what the plies send back everywhere alike
_USUAL_MISFIT_FACTOR = 2.5  # times what the pulse misfits a stronger echo everywhere alike
_MISFIT_FACTOR = 4.0  # standard deviations of the pulse's misfit to a stronger echo, above its usual value
_LEAST_RELATIVE = 0.03  # of a stronger echo within reach: no pulse fits better than that


def learn(
    traces: NDArray[Any],
    sample_rate_hz: float,
    expected_tof_s: float | None,
    centre_frequency_hz: float | None,
) -> Pattern | None:
    """Learn what to look for from a sample of a zone's traces (n, samples); None when they hold no pulse.

    `SAMPLE` traces spread evenly over the zone are enough.
    """
    if traces.shape[1] < LEAST_SAMPLES or not len(traces):
        return None
    values, _, fault = prepared(traces)
    step = _digitiser_step(values[fault == ""][:64])
    values = detrended(values[fault == ""])
    if not len(values):
        return None
    due = 0.0 if expected_tof_s is None else expected_tof_s * sample_rate_hz
    pulse = estimate_pulse(values, sample_rate_hz, centre_frequency_hz, _TAIL_FRACTION)
    return None if pulse is None else _pattern_of(values, pulse, step, due)


def _pattern_of(values: Floats32, pulse: Pulse, step: float, due: float) -> Pattern | None:
    """Learn everything but the pulse; `due` is when the back wall is expected, in samples, 0 if unknown."""
    if len(pulse.samples) > values.shape[1]:
        return None
    kernel = _kernel(values, pulse, step)
    if kernel is None:
        return None
    pattern = _with_noise(make_pattern(kernel, pulse.centre, kernel.grid, step), values)
    found = candidates(values, pattern, 1, is_fitted=False)
    c = correlate(values, kernel)
    args = (_window(found, pattern, due * kernel.up), step, _front_fraction(c, found))
    pattern = _with_weights(_with_noise(make_pattern(kernel, pulse.centre, *args), values), values)
    found = candidates(values, pattern, 1)
    scatter, misfit = _levels(c, found, pattern)
    half = pattern.half
    return replace(
        pattern,
        usual=_usual_front(found),
        scatter=np.maximum(scatter, _LEAST_RELATIVE).astype(np.float32),
        misfit=misfits(
            kernel, np.pad(np.maximum(misfit, _LEAST_RELATIVE), kernel.reach - half), UNRESOLVED_CYCLES
        ),
    )


def _front_fraction(c: Floats32, found: Candidates) -> float:
    """Return the part of a trace's largest correlation that shows its front-surface echo.

    Three fifths of the usual: above the side lobes of a front-surface echo that is the largest, below the
    crest of one that is not (behind a delay line of nearly the laminate's impedance).
    """
    usual = float(np.median(found.height / c.max(axis=1)))
    return float(np.clip(0.6 * usual, FRONT_FRACTION, 0.45))


def _usual_front(found: Candidates) -> float:
    """Return the usual front-surface echo with the back wall's sign; 0 where nothing hides it."""
    share = _typical(found.amplitude[:, 0] / found.height)
    return float(np.copysign(_typical(found.height), share)) if abs(share) > _WEAK_FRONT else 0.0


def _typical(values: Floats32) -> float:
    """Median of what is finite; 0 of nothing."""
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else 0.0


def _with_weights(pattern: Pattern, values: Floats32) -> Pattern:
    """Say what positive and negative crests count for, by the polarity that back walls have.

    What is inside and returns much is air, as behind the back wall, and turns the pulse over as that one
    does. Loss makes an echo's half-waves alike: the wrong one, half a cycle off and the other way up, may be
    the larger. So it counts for less, though for more than the pulse's own next half-wave. Delay lines
    and couplants are softer than the laminate, so that back walls are turned against the front-surface
    echo unless they clearly are not.
    """
    cycle = 1.0 / pattern.kernel.bandwidth
    beside = slice(pattern.kernel.reach + round(0.3 * cycle), pattern.kernel.reach + round(0.8 * cycle))
    next_wave = min(1.0, float(np.abs(pattern.kernel.r[beside]).max(initial=0.0)))
    less = next_wave + _ALIKE * (1 - next_wave)
    pattern = replace(pattern, weights=(less, 1.0), beside=round(_BESIDE_CYCLES * cycle) - pattern.dead)
    largest = candidates(values, pattern, 1, is_fitted=False).amplitude
    turned_as_front = np.count_nonzero(largest > 0) > np.count_nonzero(largest < 0)
    return replace(pattern, weights=(1.0, less)) if turned_as_front else pattern


def _kernel(values: Floats32, pulse: Pulse, step: float) -> Kernel | None:
    """Make the kernel; where front-surface echoes begin with the trace, with a lead before it."""
    lead = 0
    for _ in range(2):
        kernel = make_kernel(pulse.samples, values.shape[1], lead, _TOP_FLOOR, _SUPPORT_FLOOR)
        if kernel.grid < LEAST_SAMPLES:
            return None
        if lead:
            break
        front = candidates(
            values, make_pattern(kernel, pulse.centre, kernel.grid, step), 1, is_fitted=False
        ).front
        early = float(np.quantile(front, 0.02)) / kernel.up
        if early > 2.0 / (kernel.bandwidth * kernel.up):
            break
        lead = int(np.ceil(pulse.centre)) + 2
    return kernel


def _window(found: Candidates, pattern: Pattern, due: float) -> int:
    """How far after the front-surface echo to look, in grid steps.

    Far enough for the back wall and what follows it, yet short of its second round trip where that is apart.
    """
    seen = found.after[np.isfinite(found.after)]
    due = max(due, float(np.median(seen)) if len(seen) else 0.0)
    if not due > 0:
        return pattern.kernel.grid
    return round(max(1.22 * due, min(1.3 * due + pattern.half, 2 * due - pattern.half)))


def _with_noise(pattern: Pattern, values: Floats32) -> Pattern:
    """Say where the traces are quiet, and what their noise is like."""
    found = candidates(values, pattern, 1, is_fitted=False)
    pattern = replace(pattern, quiet=_quietest(values, found, pattern.kernel))
    pattern = replace(pattern, colour=_colour(values[:, pattern.quiet], pattern.kernel))
    return replace(pattern, hush=float(np.median(noise_of(values, pattern))))


def _digitiser_step(values: NDArray[np.float32]) -> float:
    """Return the smallest difference between two levels: the digitiser's step, or next to nothing."""
    levels = np.unique(values)
    return float(np.diff(levels).min()) if len(levels) > 1 else 0.0


def _quietest(values: NDArray[np.float32], found: Candidates, kernel: Kernel) -> slice:
    """Return the samples that hold only noise: before the front surface, else where traces hold least."""
    before = int(np.nanquantile(found.front, 0.02) / kernel.up) - kernel.lead - 2
    if before >= LEAST_SAMPLES:
        return slice(0, before)
    width = min(values.shape[1], max(LEAST_SAMPLES, values.shape[1] // 10))
    high = np.cumsum(np.concatenate([[0.0], np.quantile(np.abs(values), 0.9, axis=0)]))
    start = int(np.argmin(high[width:] - high[:-width]))
    return slice(start, start + width)


def _colour(quiet: NDArray[np.float32], kernel: Kernel) -> float:
    """Return how many times stronger this noise is in the correlation than white noise of the same power.

    The variance behind a filter is the sum of the noise's autocorrelation times the filter's.
    """
    rest = quiet - quiet.mean(axis=1)[:, None]
    rest = rest[rest.any(axis=1)].astype(float)
    if not len(rest):
        return 1.0
    rest /= np.sqrt((rest**2).mean(axis=1))[:, None]
    length = rest.shape[1]
    lags = min(length, kernel.reach // kernel.up)
    size = fft.next_fast_len(2 * length, real=True)
    power = (np.abs(fft.rfft(rest, size, axis=1)) ** 2).mean(axis=0)
    noise = fft.irfft(power, size)[:lags] / length
    pulse = kernel.r[kernel.reach :: kernel.up][:lags]
    return float(np.sqrt(max(1.0, noise[0] * pulse[0] + 2 * (noise[1:] * pulse[1:]).sum())))


def _levels(c: NDArray[Any], found: Candidates, pattern: Pattern) -> tuple[Floats, Floats]:
    """Learn what is left in most traces when the front-surface echo and the strongest echo are taken out.

    Estimated by the median over the traces and the scatter about it, which a third of damaged ones does not
    move: the
    median is what plies and the pulse's misfit leave everywhere alike, the scatter what is left by chance.
    """
    kernel, half, window = pattern.kernel, pattern.half, pattern.window
    read = np.isfinite(found.front)
    c, front, height = c[read], found.front[read].astype(float), found.height[read].astype(float)
    after, amplitude = found.after[read, 0].astype(float), found.amplitude[read, 0].astype(float)
    rest = subtracted(
        c, np.stack([front, front + after], axis=1), np.stack([height, amplitude], axis=1), kernel
    )
    padded = np.full((len(c), half + kernel.grid + window + half), np.nan)
    padded[:, half : half + kernel.grid] = rest
    index = half + np.rint(front).astype(int)[:, None] + np.arange(window)
    scatter = np.take_along_axis(padded, index, axis=1) / height[:, None]
    lag = np.arange(window) - after[:, None]
    scatter[np.abs(lag) < half] = np.nan  # what the strongest echo leaves is added below
    echoing = np.isfinite(after)
    centre = np.rint(front[echoing] + after[echoing]).astype(int)
    beside = np.take_along_axis(padded[echoing], centre[:, None] + np.arange(2 * half + 1), axis=1)
    cycle = 1.0 / kernel.bandwidth
    return (
        _limit(scatter, 3.0 * cycle, _USUAL_FACTOR, _BACKSCATTER_FACTOR),
        _limit(beside / amplitude[echoing][:, None], cycle, _USUAL_MISFIT_FACTOR, _MISFIT_FACTOR),
    )


def _limit(values: Floats, width: float, times: float, deviations: float) -> Floats:
    """Return the least value that counts, per column: so many standard deviations above the usual crest.

    Over a width the root mean square counts: a crest may have any phase, and a median scatters itself. Where
    little is known, as about the back wall, what is before it counts: its own ringing comes after.
    """
    from scipy.ndimage import uniform_filter1d

    known = np.flatnonzero(2 * np.isfinite(values).sum(axis=0) >= max(1, len(values)))
    if not len(known):
        return np.zeros(values.shape[1])
    usual = np.nanmedian(values[:, known], axis=0)
    spread = 1.4826 * np.nanmedian(np.abs(values[:, known] - usual), axis=0)
    before = np.maximum(np.searchsorted(known, np.arange(values.shape[1]), side="right") - 1, 0)
    size = 2 * max(1, round(0.5 * width)) + 1
    usual, spread = (
        np.sqrt(uniform_filter1d(of[before] ** 2, size, mode="nearest")) for of in (usual, spread)
    )
    return np.asarray(times * np.sqrt(2) * usual + deviations * spread)
