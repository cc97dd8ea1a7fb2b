"""Echoes of a known or estimated pulse in A-scan traces: when they come and how strong they are."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.errors import TapscanError
from tapscan.signals.checking import require_axes, require_rate, require_real
from tapscan.signals.echoes.kernels import LEAST_SAMPLES, Kernel, correlate, make_kernel
from tapscan.signals.echoes.pulses import Pulse, deconvolved, estimate_pulse, two_kinds
from tapscan.signals.echoes.pursuit import misfits, pursue, quiet_part, subtracted
from tapscan.signals.echoes.sampling import detrended, spread_evenly
from tapscan.signals.memory import keep_freed_memory

__all__ = ["Echoes", "find_echoes"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_FALSE_ALARM = 1e-3  # chance that noise alone passes one test
_BLOCK = 512  # traces fitted together: bounds the memory, changes no result
_GIVEN_MISMATCH = 0.01  # how far a pulse that was handed in may differ from the one in the trace
_ESTIMATED_MISMATCH = 0.06  # the same for a pulse that was estimated
_GUESSED_MISMATCH = 0.2  # the same for one that was seen in a few traces only
_LEARNT = 512  # traces from which the pulse is estimated
_ROUNDS = 8  # how often: where every trace's echoes overlap, each halves what the overlap left in the pulse
_NEARLY_ALL = 0.97  # of the traces must a pulse explain: few are clear, where most overlap alike
_AS_GOOD = 1.15  # times what another pulse leaves of them: no worse
_FEWER = 0.98  # times its echoes: fewer
_LEAST_TRACES = 8  # fewer hold too little to separate the pulse from what follows it


@dataclass(frozen=True, slots=True, eq=False)
class Echoes:
    """Echoes in order of time: `time_s`, signed `amplitude`, each (n, n_echoes), NaN where there is none."""

    time_s: Floats
    amplitude: Floats


def find_echoes(
    traces: ArrayLike, sample_rate_hz: float, pulse: ArrayLike | None = None, n_echoes: int = 3
) -> Echoes:
    """Find up to `n_echoes` echoes in each trace, overlapping ones too.

    The model is ``trace = Σ aₖ·pulse(t − tₖ)`` plus white noise and a slow drift. Echoes are picked one
    by one where the rest correlates best with the pulse; after each pick all are refined together by
    least squares, which for white noise is maximum likelihood (Kay 1993, section 3.11, from memory). A
    new echo is kept only if the energy that it explains could be neither noise (one chance in a thousand,
    in the trace or in the pulse's own band) nor the misfit of the pulse to a stronger echo beside it.

    Parameters
    ----------
    traces
        Shape (n, samples) or (samples,), any real dtype. A row that is not finite gives no echoes.
    sample_rate_hz
        Sampling rate.
    pulse
        Shape (length,), at the same rate; it should swing about zero. Without one it is estimated from the
        front-surface echoes of all traces together, and then anew from all their echoes; all rows influence
        each other through it. One row in twenty should then show its front-surface echo clear of others:
        nothing separates an overlap that is the same in every row from the pulse.
    n_echoes
        Most echoes per trace. Where there are more, those that explain most are kept.

    Returns
    -------
    Echoes
        `time_s` counts from the first sample to the pulse's first sample when `pulse` is given, else to its
        envelope's peak. `amplitude` is in units of the pulse given; of an estimated pulse the largest
        half-wave is +1. An echo that the trace's end cuts off is not reported.

    Raises
    ------
    TapscanError
        For a rate, pulse or number of echoes that means nothing, or an array of the wrong shape or type.

    Examples
    --------
    >>> from tapscan.signals.echoes.sampling import delayed
    >>> t = np.arange(60) / 100e6
    >>> pulse = np.exp(-(((t - 0.3e-6) / 0.12e-6) ** 2)) * np.cos(2 * np.pi * 5e6 * t)
    >>> trace = delayed(pulse, 100.3, 400) - 0.5 * delayed(pulse, 140.5, 400)
    >>> echoes = find_echoes(trace, 100e6, pulse)
    >>> (echoes.time_s * 1e6).round(3) + 0.0
    array([[1.003, 1.405,   nan]])
    >>> echoes.amplitude.round(3)
    array([[ 1. , -0.5,  nan]])
    """
    keep_freed_memory()
    values = _checked(traces, sample_rate_hz, n_echoes)
    given = None if pulse is None else _given(pulse, sample_rate_hz)
    time, amplitude = np.full((2, len(values), n_echoes), np.nan)
    some, width = _levelled(values[spread_evenly(len(values), _LEARNT)])
    some = some[np.isfinite(width)]
    model = given or _estimated(some, sample_rate_hz, n_echoes)
    kernel = None if model is None else _kernel(model, values.shape[1], is_given=given is not None)
    if model is None or kernel is None:
        return Echoes(time, amplitude)
    mismatch = _GIVEN_MISMATCH if given else _mismatch(len(some))
    for start in range(0, len(values), _BLOCK):
        rows = slice(start, start + _BLOCK)
        level, width = _levelled(values[rows])
        at, height = _pursue(level, kernel, n_echoes, mismatch)
        time[rows] = (at / kernel.up - kernel.lead + model.centre) / sample_rate_hz
        amplitude[rows] = height * width[:, None] / np.sqrt(kernel.energy)
    order = np.argsort(time, axis=1)
    return Echoes(np.take_along_axis(time, order, axis=1), np.take_along_axis(amplitude, order, axis=1))


def _levelled(values: NDArray[Any]) -> tuple[Floats32, Floats32]:
    """Bring rows to width 1 in single precision, without drift, and return their widths (n,) as they were.

    What is not finite, or one value throughout, becomes 0, and its width NaN.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        level = values.astype(np.float32)
        if not level.size:
            return level, np.full(len(level), np.float32(np.nan))
        top, bottom = level.max(axis=1), level.min(axis=1)
        width = top - bottom
        level -= ((top + bottom) / 2)[:, None]
        level /= width[:, None]
    unusable = ~(np.isfinite(width) & (width > 0))
    level[unusable], width[unusable] = 0.0, np.nan
    return detrended(level), width


def _kernel(pulse: Pulse, samples: int, *, is_given: bool) -> Kernel | None:
    """Make a pulse ready for traces of a length; None where it is longer.

    An estimated one may begin before the trace.
    """
    if len(pulse.samples) > samples:
        return None
    kernel = make_kernel(pulse.samples, samples, 0 if is_given else int(np.ceil(pulse.centre)))
    return kernel if kernel.grid >= LEAST_SAMPLES else None


def _checked(traces: ArrayLike, sample_rate_hz: float, n_echoes: int) -> NDArray[Any]:
    values = np.asarray(traces)
    require_real("traces", values)
    require_axes("traces", values, (1, 2), "(n, samples)")
    require_rate(sample_rate_hz)
    if n_echoes < 1:
        where = "n_echoes"
        raise TapscanError(where, f"is {n_echoes}", "ask for 1 or more")
    return np.atleast_2d(values)


def _given(pulse: ArrayLike, sample_rate_hz: float) -> Pulse:
    samples = np.asarray(pulse, dtype=float)
    if samples.ndim != 1 or not np.isfinite(samples).all() or not np.any(samples):
        where, what = "pulse", "is not a finite row of numbers that are not all 0"
        raise TapscanError(where, what, "give one pulse")
    return Pulse(samples, 0.0, sample_rate_hz)


def _estimated(traces: Floats32, sample_rate_hz: float, n_echoes: int) -> Pulse | None:
    """Estimate the pulse; its largest half-wave is made positive, since a sign needs a convention.

    Where the traces begin with echoes of two shapes, one of them may be the pulse and the other two echoes on
    top of each other: of what all traces say and what either kind does, the pulse that explains them with
    the fewest echoes is kept, among those that leave little.
    """
    kinds = two_kinds(traces, sample_rate_hz) if len(traces) >= 2 * _LEAST_TRACES else None
    groups = [traces] if kinds is None else [traces, traces[kinds], traces[~kinds]]
    best, fewest, least = None, np.inf, np.inf
    for group in groups:
        pulse = estimate_pulse(group, sample_rate_hz)
        tried = None if pulse is None else _refined_pulse(traces, pulse, n_echoes)
        if tried is None:
            continue
        pulse, left, count = tried
        is_better = left < least / _AS_GOOD or (left < least * _AS_GOOD and count < _FEWER * fewest)
        if best is None or is_better:
            best, fewest, least = pulse, count, left
    if best is None:
        return None
    return replace(best, samples=best.samples / best.samples[np.argmax(np.abs(best.samples))])


def _refined_pulse(traces: Floats32, pulse: Pulse, n_echoes: int) -> tuple[Pulse, float, float] | None:
    """Estimate a pulse again from all echoes that it finds; with what that leaves, and echoes per trace.

    None where the pulse is as long as the traces.
    """
    left, count = np.inf, np.inf
    for _ in range(_ROUNDS if len(traces) >= _LEAST_TRACES else 0):
        kernel = _kernel(pulse, traces.shape[1], is_given=False)
        if kernel is None:
            return None
        at, amplitude = _pursue(traces, kernel, n_echoes, _ESTIMATED_MISMATCH)
        if not np.isfinite(at).any():
            break
        rest = subtracted(correlate(traces, kernel), at, amplitude, kernel)
        left = float(np.quantile((rest**2).mean(axis=1), _NEARLY_ALL))
        count = float(np.isfinite(at).sum(axis=1).mean())
        pulse = deconvolved(traces, at / kernel.up - kernel.lead, amplitude / np.sqrt(kernel.energy), pulse)
    return pulse, left, count


def _mismatch(traces: int) -> float:
    """How far a pulse estimated from so many traces may differ from the one in them."""
    return _ESTIMATED_MISMATCH if traces >= _LEAST_TRACES else _GUESSED_MISMATCH


def _pursue(traces: Floats32, kernel: Kernel, n_echoes: int, mismatch: float) -> tuple[Floats, Floats]:
    """Return times in grid steps and amplitudes (n, n_echoes), unordered, NaN where there is no echo."""
    c = correlate(traces, kernel)
    return pursue(
        c,
        kernel,
        n_echoes,
        (quiet_part(c[:, :: kernel.stride]), _times_noise(kernel), misfits(kernel, mismatch)),
    )


def _times_noise(kernel: Kernel) -> float:
    """Give how many standard deviations the correlation's noise passes once in a thousand traces.

    Upcrossings of both signs by Rice's formula (1944, from memory): 2 T f_rms exp(−u²/2), widened as
    Student's distribution is for a noise estimated from few independent values.
    """
    squared = 2 * np.log(max(2 * kernel.grid * kernel.bandwidth, 1.0) / _FALSE_ALARM)
    free = max(4.0, 0.6 * kernel.grid / kernel.up / float((kernel.r[:: kernel.up] ** 2).sum()))
    return float(np.sqrt(free * np.expm1(min(squared / free, 50.0))))
