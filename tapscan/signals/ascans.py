"""What an A-scan says of the laminate under the probe: front surface, first echo inside, back wall.

Decision rules
--------------
Pulse and levels are learnt from up to 1,024 traces spread evenly over the zone, by medians, so that a third
of the zone may be damaged: the pulse from its front-surface echoes, the noise from the samples before them.

Front surface: the first high crest of the pulse's correlation, of the front surface's own polarity, after
it first reaches a part of the trace's largest: three fifths of what is usual in the zone, 12 to 45 %. A
contact probe's transmit pulse at the very start counts as one.

Echoes inside: picked one by one where what is left of the trace correlates best with the pulse, up to four.
Only where two of them, or one and the front-surface echo, overlap are they refined together by least
squares. An echo counts when it exceeds six times the noise of its own trace; what the zone sends back at
that time after the front surface (1.5 times the crest of what is alike everywhere, plies and the pulse's
tail, and 5.3 standard deviations about it, pores and grain); 3 % of the front-surface echo; and, beside a
stronger echo, what the pulse misfits there (2.5 times the usual and four standard deviations, more the
closer they overlap).

Back wall: the largest echo near the time of flight that is due there. That time is what the caller expects
within 20 %, or else what the zone's largest echoes have in common; then narrowed, by a smooth surface
through the zone and what whole stations or positions share, to four standard deviations of the zone about
it, 2.5 to 10 %. One that comes half a cycle off and upside down is the back wall on the pulse's neighbouring
half-wave, and is put right. An echo at twice or three times the time of a stronger one above it is that one's
next round trip and not the back wall.

First echo inside: the earliest that counts before the back wall, or, where that is lost, before it is due.
A trace that shows neither, or nothing well before the back wall is due, and ends too early for that one, is
too short to be read.

How much loss of back wall is suspect is for screening to say.
"""

import mmap
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, fields, replace
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.signals.backwalls import back_wall_trend, spread_about
from tapscan.signals.candidates import (
    NOISE_FACTOR,
    Candidates,
    Pattern,
    candidates,
    no_candidates,
    prepared,
)
from tapscan.signals.checking import require_axes, require_rate, require_real
from tapscan.signals.learning import LEAST_SAMPLES, SAMPLE, learn
from tapscan.signals.memory import keep_freed_memory

__all__ = ["AScanFeatures", "AScanSettings", "Workers", "depth_mm", "measure_ascans", "measure_volume"]

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]

_BLOCK = 16_384  # traces measured together: bounds the memory, changes no result
_AHEAD = 2  # blocks given out for each worker: while one is measured, the next one waits
_SAMPLED = 32  # traces copied before their pages are let go
_DECIDED = 65_536  # traces decided together
_TOLERANCE = 0.2  # of the expected time of flight, before the zone has narrowed it
_NARROW = 0.025  # the same, once it has
_WIDE = 0.10
_FEW_TURNED = 0.02  # of the traces: fewer than this on the wrong half-wave pull no expected time along
_ENOUGH_TURNED = 5  # traces on the wrong half-wave whose middle tells how far it lies off


@dataclass(frozen=True, slots=True)
class AScanSettings:
    """What is known beforehand. None is learnt from the traces.

    `expected_tof_s` is the sound laminate's time of flight, there and back; `centre_frequency_hz` the
    probe's.
    """

    expected_tof_s: float | None = None
    centre_frequency_hz: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Workers:
    """Who measures the blocks of a volume: a pool, which may be other machines, and how many work in it."""

    pool: Executor
    count: int


@dataclass(frozen=True, slots=True, eq=False)
class AScanFeatures:
    """One value per trace, of shape (n,) or (stations, positions); NaN where there is none.

    `front_s` and `backwall_s` count from the first sample to the echo's envelope peak, `tof_s` and `echo_s`
    from the front-surface echo. Amplitudes are of the pulse's largest half-wave, in
    the traces' own units, and signed: the front-surface echo is positive, one of opposite polarity
    negative. `backwall_db` and `echo_db` are relative to the front-surface echo;
    `snr_db` is the front-surface echo over the noise. `fault` is empty or says why the trace cannot be read:
    ``not finite``, ``silent``, ``saturated``, ``too short``, ``no echo``.
    """

    front_s: Floats
    front_amplitude: Floats
    backwall_s: Floats
    backwall_amplitude: Floats
    tof_s: Floats
    echo_s: Floats
    echo_amplitude: Floats
    backwall_db: Floats
    echo_db: Floats
    snr_db: Floats
    fault: NDArray[np.str_]


def depth_mm(time_s: ArrayLike, velocity_m_s: float) -> Floats:
    """Return the depth of a reflector from its echo's time after the front-surface echo, there and back.

    Pulse-echo thickness, ASTM E797: half of velocity times transit time.

    Examples
    --------
    >>> float(depth_mm(2e-6, 3000.0))
    3.0
    """
    return np.asarray(time_s, dtype=float) * velocity_m_s * 1e3 / 2


def measure_ascans(
    traces: ArrayLike, sample_rate_hz: float, settings: AScanSettings | None = None
) -> AScanFeatures:
    """Measure a batch of traces of one zone.

    Parameters
    ----------
    traces
        Shape (n, samples), any real dtype, NaN allowed.
    sample_rate_hz
        Sampling rate.
    settings
        What is known beforehand.

    Returns
    -------
    AScanFeatures
        Arrays of shape (n,).

    Raises
    ------
    TapscanError
        For an array of the wrong shape or type, or a rate that means nothing.

    Examples
    --------
    >>> from tapscan.signals.pulses import delayed
    >>> t = np.arange(60) / 100e6
    >>> pulse = np.exp(-(((t - 0.3e-6) / 0.12e-6) ** 2)) * np.cos(2 * np.pi * 5e6 * (t - 0.3e-6))
    >>> traces = delayed(pulse, [100, 110.5], 400) - 0.5 * delayed(pulse, [208.5, 219], 400)
    >>> features = measure_ascans(traces, 100e6)
    >>> (features.tof_s * 1e6).round(3), features.backwall_db.round(1)
    (array([1.085, 1.085]), array([-6., -6.]))
    """
    values = np.asarray(traces)
    require_axes("traces", values, (2,), "(n, samples)")
    features = measure_volume(values[None], sample_rate_hz, settings)
    return AScanFeatures(*(getattr(features, name)[0] for name in _names(features)))


def measure_volume(
    volume: NDArray[Any],
    sample_rate_hz: float,
    settings: AScanSettings | None = None,
    progress: Callable[[int, int], None] | None = None,
    workers: int | Workers = 2,
) -> AScanFeatures:
    """Measure a whole zone, block by block, so that a memory-mapped volume never has to fit in memory.

    Parameters
    ----------
    volume
        Shape (stations, positions, samples), any real dtype, NaN allowed.
    sample_rate_hz
        Sampling rate.
    settings
        What is known beforehand.
    progress
        Called with (traces done, traces in all).
    workers
        Threads, or a pool of other processes. The result does not depend on them.

    Returns
    -------
    AScanFeatures
        Arrays of shape (stations, positions).

    Raises
    ------
    TapscanError
        For an array of the wrong shape or type, or a rate that means nothing.
    """
    require_axes("volume", volume, (3,), "(stations, positions, samples)")
    require_real("volume", volume)
    require_rate(sample_rate_hz)
    keep_freed_memory()
    grid, total = volume.shape[:2], volume.shape[0] * volume.shape[1]
    traces = volume.reshape(total, volume.shape[2])
    settings = settings or AScanSettings()
    sample = _sampled(traces, volume)
    pattern = learn(sample, sample_rate_hz, settings.expected_tof_s, settings.centre_frequency_hz)
    if pattern is None:
        return _unread(traces, grid)
    found = _measured(traces, pattern, volume, progress, workers)
    return _decided(found, pattern, grid, sample_rate_hz, settings)


def _sampled(traces: NDArray[Any], volume: NDArray[Any]) -> NDArray[Any]:
    """Copy traces spread evenly over the zone; a few at a time, since each may map a stretch of the file."""
    rows = np.arange(0, len(traces), max(1, -(-len(traces) // SAMPLE)))
    sample = np.empty((len(rows), traces.shape[1]), dtype=traces.dtype)
    for start in range(0, len(rows), _SAMPLED):
        sample[start : start + _SAMPLED] = traces[rows[start : start + _SAMPLED]]
        _let_go(volume)
    return sample


def _features(none: Floats, fault: NDArray[np.str_]) -> AScanFeatures:
    """Features that are all `none`, each in its own array, with their faults."""
    names = [name for name in _names(AScanFeatures) if name != "fault"]
    return AScanFeatures(**{name: none.copy() for name in names}, fault=fault)


def _unread(traces: NDArray[Any], grid: tuple[int, ...]) -> AScanFeatures:
    """Say of each trace why nothing can be measured."""
    fault = np.full(len(traces), "too short", dtype="U10")
    if traces.size and traces.shape[1] >= LEAST_SAMPLES:
        for start in range(0, len(traces), _BLOCK):
            fault[start : start + _BLOCK] = prepared(np.asarray(traces[start : start + _BLOCK]))[2]
        fault[fault == ""] = "no echo"
    none = np.full(grid, np.nan)
    return _features(none, fault.reshape(grid))


def _measured(
    traces: NDArray[Any],
    pattern: Pattern,
    volume: NDArray[Any],
    progress: Progress | None,
    workers: int | Workers,
) -> Candidates:
    """Measure all traces block by block, in threads or elsewhere, never more than a few blocks ahead."""
    total, done = len(traces), 0
    out = no_candidates(total)
    waiting: deque[Future[Candidates]] = deque()
    opened: AbstractContextManager[Executor]
    if isinstance(workers, Workers):
        count, opened = workers.count, nullcontext(workers.pool)
    else:
        count, opened = max(1, workers), ThreadPoolExecutor(max(1, workers))
    with opened as pool:
        starts = iter(range(0, total, _BLOCK))
        while done < total:
            for start in islice(starts, _AHEAD * count - len(waiting)):
                block = np.asarray(traces[start : start + _BLOCK])
                waiting.append(pool.submit(candidates, block, pattern))
            part = waiting.popleft().result()
            for name in _names(out):
                getattr(out, name)[done : done + _BLOCK] = getattr(part, name)
            done = min(total, done + _BLOCK)
            if progress is not None:
                progress(done, total)
            if done // _BLOCK % (_AHEAD * count) == 0:  # blocks at work map their pages anew
                _let_go(volume)
    return out


def _names(record: Any) -> Iterator[str]:
    return (field.name for field in fields(record))


def _let_go(volume: NDArray[Any]) -> None:
    """Hand the pages of a mapped file that were read back to the system, which would keep them all mapped."""
    base = volume.base
    if isinstance(base, mmap.mmap) and getattr(volume, "mode", "") == "r" and hasattr(base, "madvise"):
        base.madvise(mmap.MADV_DONTNEED)


def _decided(
    found: Candidates, pattern: Pattern, grid: tuple[int, int], sample_rate_hz: float, settings: AScanSettings
) -> AScanFeatures:
    """Say which candidate is the back wall and which the first echo inside, with the whole zone in view."""
    kernel, total = pattern.kernel, len(found.front)
    rate_hz = kernel.up * sample_rate_hz
    weak = (found.fault == "") & ~(found.height > NOISE_FACTOR * found.noise)
    fault = np.where(weak, "no echo", found.fault)
    real = np.isfinite(found.after) & ~weak[:, None]
    due = None if settings.expected_tof_s is None else settings.expected_tof_s * rate_hz
    expected, slack = _expected(found, real, pattern, grid, due)
    found = _on_the_right_lobe(found, real, expected, pattern)
    out = _features(np.full(total, np.nan), fault)
    for span in _spans(total):
        part, good = _part(found, span), fault[span] == ""
        backwall = _backwall(part, real[span], expected[span], slack, pattern)
        echo = _first_inside(part, real[span], backwall, expected[span], slack)
        short = good & (backwall < 0) & _ends_early(part, echo, expected[span], pattern)
        fault[span][short] = "too short"
        _fill(out, span, part, (backwall, echo), np.flatnonzero(good & ~short))
    unit = 1 / np.sqrt(kernel.energy)
    offset_s = (pattern.centre - kernel.lead) / sample_rate_hz
    return _in_units(out, grid, rate_hz, unit, offset_s)


def _spans(total: int) -> Iterator[slice]:
    return (slice(start, min(total, start + _DECIDED)) for start in range(0, total, _DECIDED))


def _part(found: Candidates, span: slice) -> Candidates:
    return Candidates(*(getattr(found, name)[span] for name in _names(found)))


def _expected(
    found: Candidates, real: NDArray[np.bool_], pattern: Pattern, grid: tuple[int, int], due: float | None
) -> tuple[Floats, float]:
    """Return the expected back-wall time (n,) in grid steps, and how far the back wall may lie from it."""
    total = len(found.front)
    times, heights = np.empty(total), np.empty(total)
    for span in _spans(total):
        part, rows = _part(found, span), np.arange(span.stop - span.start)
        if due is None:
            best = _largest(part, real[span])
            known = real[span][rows, best]
        else:
            best = _backwall(part, real[span], np.full(len(rows), due), _TOLERANCE * due, pattern)
            known = best >= 0
        times[span] = np.where(known, part.after[rows, best], np.nan)
        heights[span] = np.where(known, part.amplitude[rows, best], 0.0)
    if due is None:
        due = float(np.nanmedian(times)) if np.isfinite(times).any() else np.nan
    times[_half_a_cycle_off(times, heights, grid, 1.0 / pattern.kernel.bandwidth)] = np.nan
    trend = back_wall_trend(times.reshape(grid), min(grid) > 1)
    spread = spread_about(times.reshape(grid), trend)
    slack = float(np.clip(4 * spread, _NARROW * due, _WIDE * due)) if np.isfinite(due) else 0.0
    return np.where(np.isfinite(trend), trend, due).ravel(), slack


def _half_a_cycle_off(
    times: Floats, heights: Floats, grid: tuple[int, int], cycle: float
) -> NDArray[np.bool_]:
    """Which times were taken on the pulse's neighbouring half-wave: upside down, half a cycle off the rest.

    Where most of a station is, the rest of the zone must say where its back wall lies.
    """
    usual = np.sign(heights.sum())
    turned = np.isfinite(times) & (heights * usual < 0)
    if not _FEW_TURNED * len(times) < np.count_nonzero(turned) < 0.5 * len(times):
        return np.zeros(len(times), dtype=bool)
    trend = back_wall_trend(np.where(turned, np.nan, times).reshape(grid), min(grid) > 1).ravel()
    off = np.abs(times - trend)
    with np.errstate(invalid="ignore"):
        return np.asarray(turned & (off > 0.25 * cycle) & (off < 0.75 * cycle))


def _largest(part: Candidates, real: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the largest echo among the candidates; of any where there is none."""
    return np.asarray(np.argmax(np.where(real, np.abs(part.amplitude), -1.0), axis=1))


def _on_the_right_lobe(
    found: Candidates, real: NDArray[np.bool_], expected: Floats, pattern: Pattern
) -> Candidates:
    """Put back-wall echoes that were taken on the pulse's neighbouring half-wave on the right one.

    Loss turns a pulse's half-waves into others of nearly the same size; the wrong one comes half a cycle off
    and upside down. An echo of the polarity that back walls have in this zone is never touched, so that a
    delamination just above the back wall, which turns the pulse over as the back wall does, stays one.
    """
    cycle = 1.0 / pattern.kernel.bandwidth
    rows = np.arange(len(expected))
    best = np.concatenate([_largest(_part(found, span), real[span]) for span in _spans(len(rows))])
    off, amplitude = found.after[rows, best] - expected, found.amplitude[rows, best]
    with np.errstate(invalid="ignore"):
        is_due = real[rows, best] & (np.abs(off) < 0.25 * cycle)
        usual = np.sign(amplitude[is_due].sum())
        wrong = real[rows, best] & (amplitude * usual < 0)
        wrong &= (np.abs(off) > 0.25 * cycle) & (np.abs(off) < 0.75 * cycle)
    if not wrong.any():
        return found
    at, column = rows[wrong], best[wrong]
    after, turned = found.after.copy(), found.amplitude.copy()
    # Loss makes half-waves longer: where there are enough of them, they tell how far apart they lie.
    step = np.median(np.abs(off[wrong])) if len(at) >= _ENOUGH_TURNED else 0.5 * cycle
    after[at, column] -= np.copysign(step, off[wrong]).astype(np.float32)
    turned[at, column] *= -1
    return replace(found, after=after, amplitude=turned)


def _backwall(
    part: Candidates, real: NDArray[np.bool_], expected: Floats, slack: float, pattern: Pattern
) -> NDArray[np.intp]:
    """Index of the back-wall echo among the candidates, -1 where it is lost.

    An echo at twice or three times the time of a stronger one above it is that one's next round trip.
    """
    size = np.abs(part.amplitude)
    with np.errstate(invalid="ignore"):
        there = real & (np.abs(part.after - expected[:, None]) <= slack)
    several = np.flatnonzero(real[:, 1:].any(axis=1))
    near = 0.5 / pattern.kernel.bandwidth
    there[several] &= ~_repeats(part.after[several], size[several], real[several], near)
    best = np.argmax(np.where(there, size, -1.0), axis=1)
    return np.where(there[np.arange(len(best)), best], best, -1)


def _repeats(
    after: NDArray[Any], size: NDArray[Any], real: NDArray[np.bool_], near: float
) -> NDArray[np.bool_]:
    """Whether each echo may be the second or third round trip of a stronger one above it."""
    repeat = np.zeros(after.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        for parent in range(after.shape[1]):
            stronger = real[:, parent : parent + 1] & (size[:, parent : parent + 1] > size)
            for trips in (2, 3):
                repeat |= stronger & (np.abs(after - trips * after[:, parent : parent + 1]) < near)
    return repeat


def _first_inside(
    part: Candidates, real: NDArray[np.bool_], backwall: NDArray[np.intp], expected: Floats, slack: float
) -> NDArray[np.intp]:
    """Index of the first echo before the back wall, or before where it is due; -1 where there is none."""
    rows = np.arange(len(expected))
    with np.errstate(invalid="ignore"):
        limit = np.where(
            backwall >= 0, part.after[rows, backwall], np.nan_to_num(expected, nan=np.inf) - slack
        )
        inside = real & (part.after < limit[:, None])
    first = np.argmin(np.where(inside, part.after, np.inf), axis=1)
    return np.where(inside[rows, first], first, -1)


def _ends_early(
    part: Candidates, echo: NDArray[np.intp], expected: Floats, pattern: Pattern
) -> NDArray[np.bool_]:
    """Whether the pulse that is due from the back wall lies not inside the trace, and nothing well before it.

    What is left of a back wall at the trace's end passes for an echo a little above it.
    """
    last = pattern.kernel.grid - 1 - part.lacking * pattern.kernel.up
    with np.errstate(invalid="ignore"):
        is_late = ~(part.after[np.arange(len(echo)), echo] < (1 - _WIDE) * expected)
        return np.asarray((part.front + expected > last) & ((echo < 0) | is_late))


def _fill(
    out: AScanFeatures,
    span: slice,
    part: Candidates,
    chosen: tuple[NDArray[np.intp], ...],
    good: NDArray[np.intp],
) -> None:
    """Write one span of results, still in grid steps and correlations."""
    backwall, echo = (np.where(index >= 0, index, 0)[good] for index in chosen)
    lost = [(index < 0)[good] for index in chosen]
    with np.errstate(divide="ignore", invalid="ignore"):
        values = {
            "front_s": part.front[good],
            "front_amplitude": part.height[good],
            "tof_s": np.where(lost[0], np.nan, part.after[good, backwall]),
            "backwall_amplitude": np.where(lost[0], np.nan, part.amplitude[good, backwall]),
            "echo_s": np.where(lost[1], np.nan, part.after[good, echo]),
            "echo_amplitude": np.where(lost[1], np.nan, part.amplitude[good, echo]),
            "snr_db": 20 * np.log10(part.height[good] / part.noise[good]),
        }
        values["backwall_s"] = values["front_s"] + values["tof_s"]
        values["backwall_db"] = 20 * np.log10(np.abs(values["backwall_amplitude"] / part.height[good]))
        values["echo_db"] = 20 * np.log10(np.abs(values["echo_amplitude"] / part.height[good]))
    for name, column in values.items():
        getattr(out, name)[span][good] = column


def _in_units(
    out: AScanFeatures, grid: tuple[int, int], rate_hz: float, unit: float, offset_s: float
) -> AScanFeatures:
    """Turn grid steps into seconds and correlations into amplitudes, and give the zone its shape."""
    for name in ("front_s", "backwall_s", "tof_s", "echo_s"):
        getattr(out, name)[:] /= rate_hz
    for name in ("front_s", "backwall_s"):
        getattr(out, name)[:] += offset_s
    for name in ("front_amplitude", "backwall_amplitude", "echo_amplitude"):
        getattr(out, name)[:] *= unit
    out.snr_db[:] += 20 * np.log10(unit)
    return AScanFeatures(*(getattr(out, name).reshape(grid) for name in _names(out)))
