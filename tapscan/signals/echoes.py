"""Echoes of a known or estimated pulse in A-scan traces: when they come and how strong they are."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.errors import TapscanError
from tapscan.signals.checking import require_axes, require_rate, require_real
from tapscan.signals.pulses import Pulse, deconvolved, detrended, estimate_pulse, two_kinds
from tapscan.signals.pursuit import Kernel, correlate, likeness, make_kernel, refined, subtracted
from tapscan.signals.sampling import spread_evenly

__all__ = ["Echoes", "find_echoes"]

Floats = NDArray[np.float64]

_FALSE_ALARM = 1e-3  # chance that noise alone passes one test
_RESOLVED = 1 / 6  # of a cycle
_SEVEN_TENTHS = 0.3095  # mean square of the smallest seven tenths of normal values
_BLOCK = 2048  # traces fitted together: bounds the memory, changes no result
_GIVEN_MISMATCH = 0.01  # how far a pulse that was handed in may differ from the one in the trace
_ESTIMATED_MISMATCH = 0.06  # the same for a pulse that was estimated
_GUESSED_MISMATCH = 0.2  # the same for one that was seen in a few traces only
_DECONVOLVED = 512  # traces from which the pulse is estimated anew once their echoes are known
_ROUNDS = 8  # how often: where every trace's echoes overlap, each halves what the overlap left in the pulse
_NEARLY_ALL = 0.97  # of the traces must a pulse explain: few are clear, where most overlap alike
_AS_GOOD = 1.15  # times what another pulse leaves of them: no worse
_FEWER = 0.98  # times its echoes: fewer
_LEAST_TRACES = 8  # fewer hold too little to tell the pulse from what follows it
_LEAST_SAMPLES = 16  # fewer grid points than this leave nothing to fit


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
        nothing tells an overlap that is the same in every row from the pulse.
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
    >>> from tapscan.signals.pulses import delayed
    >>> t = np.arange(60) / 100e6
    >>> pulse = np.exp(-(((t - 0.3e-6) / 0.12e-6) ** 2)) * np.cos(2 * np.pi * 5e6 * t)
    >>> trace = delayed(pulse, 100.3, 400) - 0.5 * delayed(pulse, 140.5, 400)
    >>> echoes = find_echoes(trace, 100e6, pulse)
    >>> (echoes.time_s * 1e6).round(3) + 0.0
    array([[1.003, 1.405,   nan]])
    >>> echoes.amplitude.round(3)
    array([[ 1. , -0.5,  nan]])
    """
    values = _checked(traces, sample_rate_hz, n_echoes)
    given = None if pulse is None else _given(pulse, sample_rate_hz)
    time = np.full((len(values), n_echoes), np.nan)
    amplitude = np.full((len(values), n_echoes), np.nan)
    usable = _usable(values)
    if not len(usable):
        return Echoes(time, amplitude)
    flat = detrended(values[usable])
    scale = np.abs(flat).max(axis=1, keepdims=True)
    flat /= scale
    model = given or _estimated(flat, sample_rate_hz, n_echoes)
    if model is None or len(model.samples) > values.shape[1]:
        return Echoes(time, amplitude)
    kernel = make_kernel(
        model.samples, values.shape[1], 0 if pulse is not None else int(np.ceil(model.centre))
    )
    if kernel.grid < _LEAST_SAMPLES:
        return Echoes(time, amplitude)
    mismatch = _GIVEN_MISMATCH if pulse is not None else _mismatch(len(usable))
    for start in range(0, len(usable), _BLOCK):
        at, height = _pursue(flat[start : start + _BLOCK], kernel, n_echoes, mismatch)
        rows = usable[start : start + _BLOCK]
        time[rows] = (at / kernel.up - kernel.lead + model.centre) / sample_rate_hz
        amplitude[rows] = height * scale[start : start + _BLOCK] / np.sqrt(kernel.energy)
    order = np.argsort(time, axis=1)
    return Echoes(np.take_along_axis(time, order, axis=1), np.take_along_axis(amplitude, order, axis=1))


def _usable(values: Floats) -> NDArray[np.intp]:
    """Rows that are finite and not one value throughout."""
    if not values.size:
        return np.zeros(0, dtype=np.intp)
    top, bottom = values.max(axis=1), values.min(axis=1)  # NaN where there is one
    return np.flatnonzero(np.isfinite(top) & np.isfinite(bottom) & (top > bottom))


def _checked(traces: ArrayLike, sample_rate_hz: float, n_echoes: int) -> Floats:
    values = np.asarray(traces)
    require_real("traces", values)
    require_axes("traces", values, (1, 2), "(n, samples)")
    require_rate(sample_rate_hz)
    if n_echoes < 1:
        where = "n_echoes"
        raise TapscanError(where, f"is {n_echoes}", "ask for 1 or more")
    return np.atleast_2d(values).astype(float)


def _given(pulse: ArrayLike, sample_rate_hz: float) -> Pulse:
    samples = np.asarray(pulse, dtype=float)
    if samples.ndim != 1 or not np.isfinite(samples).all() or not np.any(samples):
        where, what = "pulse", "is not a finite row of numbers that are not all 0"
        raise TapscanError(where, what, "give one pulse")
    return Pulse(samples, 0.0, sample_rate_hz)


def _estimated(traces: Floats, sample_rate_hz: float, n_echoes: int) -> Pulse | None:
    """Estimate the pulse; its largest half-wave is made positive, since a sign needs a convention.

    Where the traces begin with echoes of two shapes, one of them may be the pulse and the other two echoes on
    top of each other: of what all traces say and what either kind does, the pulse that explains them with
    the fewest echoes stands, among those that leave little.
    """
    chosen = traces[spread_evenly(len(traces), _DECONVOLVED)]
    kinds = two_kinds(chosen, sample_rate_hz) if len(chosen) >= 2 * _LEAST_TRACES else None
    groups = [traces] if kinds is None else [traces, chosen[kinds], chosen[~kinds]]
    best, fewest, least = None, np.inf, np.inf
    for group in groups:
        pulse = estimate_pulse(group, sample_rate_hz)
        tried = None if pulse is None else _refined_pulse(chosen, pulse, n_echoes)
        if tried is None:
            continue
        pulse, left, count = tried
        is_better = left < least / _AS_GOOD or (left < least * _AS_GOOD and count < _FEWER * fewest)
        if best is None or is_better:
            best, fewest, least = pulse, count, left
    if best is None:
        return None
    return replace(best, samples=best.samples / best.samples[np.argmax(np.abs(best.samples))])


def _refined_pulse(traces: Floats, pulse: Pulse, n_echoes: int) -> tuple[Pulse, float, float] | None:
    """Estimate a pulse anew from all echoes that it tells; with what that leaves, and echoes per trace.

    None where the pulse is as long as the traces.
    """
    left, count = np.inf, np.inf
    for _ in range(_ROUNDS if len(traces) >= _LEAST_TRACES else 0):
        if len(pulse.samples) > traces.shape[1]:
            return None
        kernel = make_kernel(pulse.samples, traces.shape[1], int(np.ceil(pulse.centre)))
        if kernel.grid < _LEAST_SAMPLES:
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


def _pursue(traces: Floats, kernel: Kernel, n_echoes: int, mismatch: float) -> tuple[Floats, Floats]:
    """Return times in grid steps and amplitudes (n, n_echoes), unordered, NaN where there is no echo."""
    c = correlate(traces, kernel)
    total = (traces**2).sum(axis=1)
    background = _quiet_part(traces)
    at = np.full((len(traces), n_echoes), np.nan)
    amplitude = at.copy()
    energy = np.zeros(len(traces))
    live = np.arange(len(traces))
    for k in range(n_echoes):
        rest = subtracted(c[live], at[live, :k], amplitude[live, :k], kernel)
        guess = np.column_stack([at[live, :k], _pick(rest)])
        new_at, new_amplitude, new_energy = refined(c[live], guess, kernel)
        new_at, new_amplitude, new_energy = _searched(c[live], new_at, new_amplitude, new_energy, kernel)
        left = subtracted(c[live], new_at, new_amplitude, kernel)
        white = _white_noise(total[live] - new_energy, background[live], kernel, 2 * (k + 1))
        keep = new_energy - energy[live] > _least_gain(white, rest, left, kernel)
        keep &= _stands_out(new_at, new_amplitude, kernel, mismatch) & _apart(new_at, kernel)
        live = live[keep]
        at[live, : k + 1], amplitude[live, : k + 1] = new_at[keep], new_amplitude[keep]
        energy[live] = new_energy[keep]
        if not len(live):
            break
    return at, amplitude


def _pick(rest: Floats) -> Floats:
    """Grid position (n,) of the largest local extremum; the ends are no extremum."""
    size = np.abs(rest)
    peak = np.zeros(size.shape, dtype=bool)
    peak[:, 1:-1] = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] >= size[:, 2:])
    return np.asarray(np.argmax(np.where(peak, size, -1.0), axis=1).astype(float))


def _searched(
    c: Floats, at: Floats, amplitude: Floats, energy: Floats, kernel: Kernel
) -> tuple[Floats, Floats, Floats]:
    """Search among all pairs of times for the newest echo and the one it overlaps; keep what explains more.

    The first pick of two overlapping echoes may sit a whole cycle off or between them, and least squares
    cannot step over a cycle.
    """
    if at.shape[1] < 2:
        return at, amplitude, energy
    gap = np.abs(at[:, :-1] - at[:, -1:])
    partner = np.argmin(gap, axis=1)
    rows = np.flatnonzero(gap[np.arange(len(at)), partner] < kernel.length * kernel.up)
    if not len(rows):
        return at, amplitude, energy
    partner, guess = partner[rows], at[rows].copy()
    others, local = at[rows].copy(), np.arange(len(rows))
    others[local, partner] = others[:, -1] = np.nan
    rest = subtracted(c[rows], others, amplitude[rows], kernel)
    guess[local, partner], guess[:, -1] = _best_pair(
        rest, 0.5 * (guess[local, partner] + guess[:, -1]), kernel
    )
    tried = refined(c[rows], guess, kernel)
    better = (tried[2] > energy[rows]) & _apart(tried[0], kernel)
    at, amplitude, energy = at.copy(), amplitude.copy(), energy.copy()
    for old, new in zip((at, amplitude, energy), tried, strict=True):
        old[rows[better]] = new[better]
    return at, amplitude, energy


def _apart(at: Floats, kernel: Kernel) -> NDArray[np.bool_]:
    """Whether the echoes (n, k) of each trace are told apart: nearer than a sixth of a cycle, two are one."""
    gaps = np.diff(np.sort(at, axis=1), axis=1)
    return np.asarray((gaps > _RESOLVED / kernel.bandwidth).all(axis=1))


def _best_pair(rest: Floats, centre: Floats, kernel: Kernel) -> tuple[Floats, Floats]:
    """Return the pair of times about a centre (n,) that explains most, on a grid of an eighth of a cycle.

    Two echoes at lag d explain (c₁² + c₂² − 2 r(d) c₁ c₂) / (1 − r(d)²).
    """
    stride = max(1, int(1 / (8 * kernel.bandwidth)))
    reach = round((0.5 * kernel.length * kernel.up + 1 / kernel.bandwidth) / stride)
    offsets = stride * np.arange(-reach, reach + 1)
    index = np.rint(centre).astype(np.intp)[:, None] + offsets
    inside = (index >= 0) & (index < rest.shape[1])
    near = np.where(inside, np.take_along_axis(rest, np.clip(index, 0, rest.shape[1] - 1), axis=1), 0.0)
    power = near**2
    best = np.full(len(rest), -1.0)
    first, second = np.zeros(len(rest), dtype=np.intp), np.zeros(len(rest), dtype=np.intp)
    for lag in range(2, len(offsets)):
        r = kernel.r[kernel.reach + lag * stride] if lag * stride <= kernel.reach else 0.0
        gain = (power[:, :-lag] + power[:, lag:] - 2 * r * near[:, :-lag] * near[:, lag:]) / (1 - r * r)
        pick = np.argmax(gain, axis=1)
        top = gain[np.arange(len(rest)), pick]
        better = top > best
        best[better], first[better], second[better] = top[better], pick[better], pick[better] + lag
    start = np.rint(centre)
    last = float(rest.shape[1] - 1)
    return np.clip(start + offsets[first], 0, last), np.clip(start + offsets[second], 0, last)


def _quiet_part(values: Floats) -> Floats:
    """Noise (n,) from the smallest seven tenths of each row, which few echoes do not reach."""
    count = max(1, round(0.7 * values.shape[1]))
    small = np.partition(values**2, count - 1, axis=1)[:, :count]
    return np.asarray(np.sqrt(small.mean(axis=1) / _SEVEN_TENTHS))


def _white_noise(left: Floats, background: Floats, kernel: Kernel, parameters: int) -> Floats:
    """Noise (n,) per sample: what the model leaves over or the trace's quiet part, whichever is less."""
    free = max(1, kernel.samples - parameters - 4)
    return np.minimum(np.sqrt(np.maximum(left, 0.0) / free), background)


def _least_gain(white: Floats, before: Floats, after: Floats, kernel: Kernel) -> Floats:
    """Energy (n,) that the largest of the correlation's noise passes once in a thousand traces.

    Upcrossings of both signs by Rice's formula (1944, from memory): 2 T f_rms exp(−u²/2), widened as
    Student's distribution is for a noise estimated from few values. Noise may be stronger in the pulse's band
    than white noise is, so that what the correlation itself has left, in few independent values, is held
    against it as well.
    """
    squared = 2 * np.log(max(2 * kernel.grid * kernel.bandwidth, 1.0) / _FALSE_ALARM)
    many = max(4.0, kernel.samples - 6.0)
    few = max(4.0, 0.6 * kernel.grid / kernel.up / float((kernel.r[:: kernel.up] ** 2).sum()))
    in_band = np.minimum(np.sqrt((after**2).mean(axis=1)), _quiet_part(before))
    level = np.maximum(_widened(squared, many) * white**2, _widened(squared, few) * in_band**2)
    return np.asarray(np.maximum(level, 1e-9 * (before**2).max(axis=1)))


def _widened(squared: float, free: float) -> float:
    return float(free * np.expm1(min(squared / free, 50.0)))


def _stands_out(at: Floats, amplitude: Floats, kernel: Kernel, mismatch: float) -> NDArray[np.bool_]:
    """Whether every echo is more than the misfit of the pulse to the others in whose reach it lies."""
    if at.shape[1] < 2:
        return np.ones(len(at), dtype=bool)
    lag = at[:, :, None] - at[:, None, :]
    near = (np.abs(lag) < kernel.length * kernel.up) & ~np.eye(at.shape[1], dtype=bool)
    # Fitted together, two echoes take up a misfit with amplitudes that swell with their overlap.
    swelling = 1 / np.maximum(1 - likeness(kernel, lag), 0.02)
    beside = np.where(near, swelling * np.abs(amplitude)[:, None, :], 0.0).max(axis=2)
    return np.asarray((np.abs(amplitude) > mismatch * beside).all(axis=1))
