"""What an A-scan says of the laminate under the probe: front surface, first echo inside, back wall.

Decision rules
--------------
Pulse and levels are learned from up to 1,024 traces spread evenly over the zone, by medians, so that a third
of the zone may be damaged: the pulse from its front-surface echoes, the noise from the samples before them.

Front surface: the first high crest of the pulse's correlation, of the front surface's own polarity, after
it first reaches a part of the trace's largest: three fifths of what is usual in the zone, 12 to 45 %. A
contact probe's transmit pulse at the very start counts as one.

Echoes inside: picked one by one where what is left of the trace correlates best with the pulse, up to four.
Loss makes the half-waves of an echo alike, so that the next one, half a cycle off and upside down, may be the
larger: one of the polarity that back walls have wins unless the other is larger as clearly as in the pulse.
Only where two of them, or one and the front-surface echo, overlap are they refined together by least
squares. An echo counts when it exceeds six times the noise of its own trace; what the zone sends back at
that time after the front surface (1.5 times the crest of what is alike everywhere, plies and the pulse's
tail, and 5.3 standard deviations about it, pores and grain); 3 % of the front-surface echo; and, beside a
stronger echo, what the pulse misfits there (2.5 times the usual and four standard deviations, more the
closer they overlap).

Back wall and first echo inside: see `deciding`.

How much loss of back wall is suspect is for screening to say.
"""

import mmap
from collections import deque
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, fields
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.errors import TapscanError
from tapscan.signals.checking import require_axes, require_rate, require_real
from tapscan.signals.echoes.candidates import Candidates, Pattern, candidates
from tapscan.signals.echoes.kernels import LEAST_SAMPLES
from tapscan.signals.echoes.learning import SAMPLE, learn
from tapscan.signals.echoes.quality import prepared
from tapscan.signals.echoes.sampling import spread_evenly
from tapscan.signals.memory import keep_freed_memory
from tapscan.signals.walls.deciding import AScanFeatures, decided, unread
from tapscan.signals.walls.lost import with_lost_walls

__all__ = ["AScanFeatures", "AScanSettings", "Workers", "depth_mm", "measure_ascans", "measure_volume"]

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]

_BLOCK = 32_768  # traces measured together at most: bounds the memory, changes no result
_AHEAD = 2  # blocks given out for each worker: while one is measured, the next one waits
_SAMPLED = 32  # traces copied before their pages are let go


@dataclass(frozen=True, slots=True, eq=False)
class AScanSettings:
    """What is known beforehand. None is learned from the traces.

    `expected_tof_s` is the sound laminate's time of flight, there and back; `centre_frequency_hz` the
    probe's. `bonded`, (stations, positions), marks where something is bonded behind the laminate, and the
    echo that follows its own may be the stronger. On a tube the last position is beside the first.
    """

    expected_tof_s: float | None = None
    centre_frequency_hz: float | None = None
    bonded: NDArray[np.bool_] | None = None
    is_tube: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Workers:
    """Who measures the blocks of a volume: a pool, which may be other machines, and how many work in it."""

    pool: Executor
    count: int


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
    >>> from tapscan.signals.echoes.sampling import delayed
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
    return AScanFeatures(*(getattr(features, field.name)[0] for field in fields(features)))


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
    grid, total = (volume.shape[0], volume.shape[1]), volume.shape[0] * volume.shape[1]
    traces = volume.reshape(total, volume.shape[2])
    settings = settings or AScanSettings()
    bonded = np.zeros(grid, dtype=bool) if settings.bonded is None else settings.bonded
    if bonded.shape != grid:
        where, what = "bonded", f"has shape {bonded.shape}, the traces are {grid[0]} × {grid[1]}"
        raise TapscanError(where, what, "mark every point of the grid, or give none")
    sample = _sampled(traces, volume)
    pattern = learn(sample, sample_rate_hz, settings.expected_tof_s, settings.centre_frequency_hz)
    if pattern is None:
        return _unread(traces, grid)
    found = _measured(traces, pattern, volume, progress, workers)
    threads = workers.count if isinstance(workers, Workers) else max(1, workers)
    prior = settings.expected_tof_s, settings.is_tube
    features, surface = decided(found, pattern, bonded, sample_rate_hz, prior, threads)
    closed = settings.is_tube
    known = surface, pattern, sample_rate_hz
    return with_lost_walls(features, traces, known, bonded=bonded, closed=closed)


def _sampled(traces: NDArray[Any], volume: NDArray[Any]) -> NDArray[Any]:
    """Copy traces spread evenly over the zone; a few at a time, since each may map a stretch of the file."""
    rows = spread_evenly(len(traces), SAMPLE)
    sample = np.empty((len(rows), traces.shape[1]), dtype=traces.dtype)
    for start in range(0, len(rows), _SAMPLED):
        sample[start : start + _SAMPLED] = traces[rows[start : start + _SAMPLED]]
        _let_go(volume)
    return sample


def _unread(traces: NDArray[Any], grid: tuple[int, ...]) -> AScanFeatures:
    """Say of each trace why nothing can be measured."""
    fault = np.full(len(traces), "too short", dtype="U10")
    if traces.size and traces.shape[1] >= LEAST_SAMPLES:
        for start in range(0, len(traces), _BLOCK):
            fault[start : start + _BLOCK] = prepared(np.asarray(traces[start : start + _BLOCK]))[2]
        fault[fault == ""] = "no echo"
    return unread(fault.reshape(grid))


def _measured(
    traces: NDArray[Any],
    pattern: Pattern,
    volume: NDArray[Any],
    progress: Progress | None,
    workers: int | Workers,
) -> Candidates:
    """Measure all traces block by block, in threads or elsewhere, never more than a few blocks ahead."""
    total, done = len(traces), 0
    parts: list[Candidates] = []
    waiting: deque[Future[Candidates]] = deque()
    opened: AbstractContextManager[Executor]
    if isinstance(workers, Workers):
        count, opened = workers.count, nullcontext(workers.pool)
    else:
        count, opened = max(1, workers), ThreadPoolExecutor(max(1, workers))
    size = _block_size(total, count)
    with opened as pool:
        starts = iter(range(0, total, size))
        while done < total:
            for start in islice(starts, _AHEAD * count - len(waiting)):
                block = np.asarray(traces[start : start + size])
                waiting.append(pool.submit(candidates, block, pattern))
            parts.append(waiting.popleft().result())
            done = min(total, done + size)
            if progress is not None:
                progress(done, total)
            if len(parts) % (_AHEAD * count) == 0:  # blocks at work map their pages anew
                _let_go(volume)
    return Candidates(
        *(np.concatenate([getattr(part, of.name) for part in parts]) for of in fields(Candidates))
    )


def _block_size(total: int, workers: int) -> int:
    """So many traces that, where one block is not enough, every worker has as many to do as the others."""
    turns = -(-total // (_BLOCK * workers))
    return total if total <= _BLOCK else -(-total // (turns * workers))


def _let_go(volume: NDArray[Any]) -> None:
    """Hand the pages of a mapped file that were read back to the system, which would keep them all mapped."""
    base = volume.base
    if isinstance(base, mmap.mmap) and getattr(volume, "mode", "") == "r" and hasattr(base, "madvise"):
        base.madvise(mmap.MADV_DONTNEED)
