"""What an A-scan says of the laminate under the probe: front surface, first echo inside, back wall.

Decision rules
--------------
Front surface: the first echo of the zone's pulse that reaches 45 % of the trace's largest.

Echoes inside: picked one by one where what is left of the trace correlates best with the zone's own front-surface
pulse. An echo counts when it stands out of the noise of its own trace, out of the misfit of the pulse to stronger
echoes beside it, and out of the zone's own backscatter (plies, pores, the tail of the front-surface echo) at the
same time after the front surface. That level is the median over the zone, so a third of the zone may be damaged.

Back wall: the strongest echo near the time of flight that is expected there: what the caller expects, or else what
most of the zone shows. An echo that could be the second or third round trip of a stronger one above it is not taken
for the back wall: its back wall is lost. How much loss is suspect is for screening to say.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.errors import TapscanError
from tapscan.signals.pulses import detrended, estimate_pulse
from tapscan.signals.pursuit import Kernel, correlate, make_kernel, refined, subtracted

__all__ = ["AScanFeatures", "AScanSettings", "depth_mm", "measure_ascans", "measure_volume"]

Floats = NDArray[np.float64]

_CANDIDATES = 4  # echoes after the front surface that are kept for each trace until the zone has decided
_SAMPLE = 2048  # traces from which a zone's pulse and levels are learnt
_BLOCK = 2048  # traces measured together: bounds the memory, changes no result
_FRONT_FRACTION = 0.45
_NOISE_FACTOR = 5.0  # an echo stands this many standard deviations out of its trace's noise
_BACKSCATTER_FACTOR = 4.5  # and of the zone's backscatter at that time
_MISMATCH = 0.06  # misfit of the pulse to a stronger echo beside, relative to it
_TOLERANCE = 0.2  # of the expected time of flight, before the zone has narrowed it
_LEAST_TRACE = 16


@dataclass(frozen=True, slots=True)
class AScanSettings:
    """What is known beforehand. None is learnt from the traces.

    `expected_tof_s` is the sound laminate's time of flight, there and back; `centre_frequency_hz` the probe's.
    """

    expected_tof_s: float | None = None
    centre_frequency_hz: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class AScanFeatures:
    """One value per trace, of shape (n,) or (stations, positions); NaN where there is none.

    `front_s` and `backwall_s` count from the first sample to the echo's envelope peak, `tof_s` and `echo_s` from
    the front-surface echo. Amplitudes are signed, the largest half-wave of the front-surface echo being positive,
    in the traces' own units. `backwall_db` and `echo_db` are relative to the front-surface echo; `snr_db` is the
    front-surface echo over the noise. `fault` is empty or says why the trace cannot be read: ``not finite``,
    ``silent``, ``saturated``, ``too short``, ``no echo``.
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


@dataclass(frozen=True, slots=True, eq=False)
class _Zone:
    """What was learnt of a zone: the pulse, and the backscatter `level` per grid step after the front echo."""

    kernel: Kernel
    centre: float
    level: Floats
    window: int
    dead: int


@dataclass(frozen=True, slots=True, eq=False)
class _Candidates:
    """Echoes of each trace before the zone has decided: times in grid steps, amplitudes in units of the pulse."""

    front: Floats
    front_amplitude: Floats
    after: Floats
    amplitude: Floats
    noise: Floats
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
    if values.ndim != 2:
        raise TapscanError("traces", f"have {values.ndim} axes, not (n, samples)", "reshape the array")
    features = measure_volume(values[None], sample_rate_hz, settings)
    return _map(features, lambda array: array[0])


def measure_volume(
    volume: NDArray[Any],
    sample_rate_hz: float,
    settings: AScanSettings | None = None,
    progress: Callable[[int, int], None] | None = None,
    workers: int = 2,
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
        Threads. The result does not depend on them.

    Returns
    -------
    AScanFeatures
        Arrays of shape (stations, positions).

    Raises
    ------
    TapscanError
        For an array of the wrong shape or type, or a rate that means nothing.
    """
    if volume.ndim != 3:
        raise TapscanError(
            "volume", f"has {volume.ndim} axes, not (stations, positions, samples)", "reshape it"
        )
    if volume.dtype.kind not in "fiub":
        raise TapscanError("volume", f"is of type {volume.dtype}, not real numbers", "give a real array")
    if not (np.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise TapscanError("sample_rate_hz", f"is {sample_rate_hz}", "give a rate above 0")
    grid, total = volume.shape[:2], volume.shape[0] * volume.shape[1]
    traces = volume.reshape(total, volume.shape[2])
    zone = _learn(traces, sample_rate_hz)
    parts = []
    with ThreadPoolExecutor(max(1, workers)) as pool:
        for part in pool.map(lambda span: _measure(traces[span[0] : span[1]], zone), _spans(total)):
            parts.append(part)
            if progress is not None:
                progress(min(total, len(parts) * _BLOCK), total)
    found = _joined(parts)
    decided = _decide(found, zone, sample_rate_hz, settings or AScanSettings())
    return _map(decided, lambda array: array.reshape(grid))


def _spans(total: int) -> Iterator[tuple[int, int]]:
    for start in range(0, total, _BLOCK):
        yield start, min(total, start + _BLOCK)


def _map(features: AScanFeatures, change: Callable[[NDArray[Any]], NDArray[Any]]) -> AScanFeatures:
    return AScanFeatures(*(change(getattr(features, name)) for name in AScanFeatures.__slots__))


def _joined(parts: list[_Candidates]) -> _Candidates:
    if not parts:
        none = np.zeros(0)
        return _Candidates(
            none, none, np.zeros((0, _CANDIDATES)), np.zeros((0, _CANDIDATES)), none, np.zeros(0, "U10")
        )
    return _Candidates(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in _Candidates.__slots__)
    )


def _prepared(traces: NDArray[Any]) -> tuple[NDArray[np.float32], Floats, NDArray[np.str_]]:
    """Scale each trace to its own largest value, and say what is wrong with it; a faulty row becomes 0."""
    fault = np.full(len(traces), "", dtype="U10")
    if traces.dtype.kind in "iub" and traces.dtype.itemsize <= 2:
        values = traces.astype(np.float32)
    else:
        values = traces.astype(
            np.float64 if traces.dtype.itemsize > 4 or traces.dtype.kind != "f" else np.float32
        )
    top, bottom = values.max(axis=1), values.min(axis=1)
    finite = np.isfinite(top) & np.isfinite(bottom)
    fault[~finite] = "not finite"
    fault[finite & (top == bottom)] = "silent"
    bad = fault != ""
    middle = np.where(bad, 0, top / 2 + bottom / 2)
    scale = np.where(bad, 1, top / 2 - bottom / 2)
    with np.errstate(invalid="ignore"):
        scaled = ((values - middle[:, None]) / scale[:, None]).astype(np.float32)
    scaled[bad] = 0
    fault[~bad & _is_flat_topped(scaled)] = "saturated"
    return detrended(scaled), scale.astype(float), fault


def _is_flat_topped(scaled: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Three samples in a row at the very top or bottom."""
    flat = np.zeros(len(scaled), dtype=bool)
    for edge in (scaled == scaled.max(axis=1)[:, None], scaled == scaled.min(axis=1)[:, None]):
        rows = np.flatnonzero(np.count_nonzero(edge, axis=1) >= 3)
        few = edge[rows]
        flat[rows] |= (few[:, 2:] & few[:, 1:-1] & few[:, :-2]).any(axis=1)
    return flat


def _learn(traces: NDArray[Any], sample_rate_hz: float) -> _Zone | None:
    """Learn the pulse and the backscatter level from traces spread evenly over the zone."""
    if traces.shape[1] < _LEAST_TRACE or not len(traces):
        return None
    chosen = traces[:: max(1, -(-len(traces) // _SAMPLE))]
    values, _, fault = _prepared(np.asarray(chosen))
    pulse = estimate_pulse(values[fault == ""], sample_rate_hz) if (fault == "").any() else None
    if pulse is None or len(pulse.samples) > traces.shape[1]:
        return None
    kernel = make_kernel(pulse.samples, traces.shape[1])
    if kernel.grid < _LEAST_TRACE:
        return None
    window = kernel.grid
    zone = _Zone(kernel, pulse.centre, np.zeros(window), window, round(0.3 / kernel.bandwidth))
    usable = np.flatnonzero(fault == "")
    c = correlate(values[usable], kernel)
    found = _candidates(c, zone, 2)
    rest = subtracted(
        c,
        np.column_stack([found[0], found[0][:, None] + found[2]]),
        np.column_stack([found[1], found[3]]),
        kernel,
    )
    index = found[0].astype(int)[:, None] + np.arange(window)
    inside = index < kernel.grid
    after = np.take_along_axis(rest, np.minimum(index, kernel.grid - 1), axis=1) / found[1][:, None]
    with np.errstate(all="ignore"):
        count = inside.sum(axis=0)
        size = np.where(inside, np.abs(after), np.nan)
        level = np.array([np.nanmedian(size[:, k]) if count[k] else 0.0 for k in range(window)]) * 1.4826
    smooth = max(1, round(0.5 / kernel.bandwidth))
    padded = np.pad(level, smooth, mode="edge")
    level = np.lib.stride_tricks.sliding_window_view(padded, 2 * smooth + 1).max(axis=1)
    return _Zone(kernel, pulse.centre, level, window, zone.dead)


def _front(c: NDArray[Any], kernel: Kernel) -> Floats:
    """Grid position of the front-surface echo: the first rise to a fraction of the largest, then its crest."""
    start = np.argmax(c >= _FRONT_FRACTION * c.max(axis=1, keepdims=True), axis=1)
    reach = max(2, round(1.0 / kernel.bandwidth))
    index = np.minimum(start[:, None] + np.arange(reach), c.shape[1] - 1)
    return start + np.argmax(np.take_along_axis(c, index, axis=1), axis=1).astype(float)


def _candidates(c: NDArray[Any], zone: _Zone, count: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Front time and amplitude (n,), times after it and amplitudes (n, count), noise (n,)."""
    kernel = zone.kernel
    n = len(c)
    at = np.full((n, count + 1), np.nan)
    amplitude = np.full((n, count + 1), np.nan)
    first, height, _ = refined(c, _front(c, kernel)[:, None], kernel, 4)
    at[:, :1], amplitude[:, :1] = first, height
    noise = np.zeros(n)
    grid = np.arange(kernel.grid)
    for k in range(1, count + 1):
        rest = subtracted(c, at[:, :k], amplitude[:, :k], kernel)
        if k == 1:
            noise = 1.4826 * np.median(np.abs(rest), axis=1)
        size = np.abs(rest)
        peak = np.zeros(size.shape, dtype=bool)
        peak[:, 1:-1] = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] >= size[:, 2:])
        peak &= grid > at[:, :1] + zone.dead
        pick = np.argmax(np.where(peak, size, -1.0), axis=1)
        usable = peak[np.arange(n), pick]
        guess = np.column_stack([at[:, :k], np.where(usable, pick, np.nan)])
        rows = np.flatnonzero(np.isfinite(guess).all(axis=1))
        if not len(rows):
            break
        new_at, new_amplitude, _ = refined(c[rows], guess[rows], kernel, 6)
        at[rows, : k + 1], amplitude[rows, : k + 1] = new_at, new_amplitude
    return at[:, 0], amplitude[:, 0], at[:, 1:] - at[:, :1], amplitude[:, 1:], noise


def _measure(traces: NDArray[Any], zone: _Zone | None) -> _Candidates:
    """Measure one block; nothing here depends on the other traces of the block."""
    values, scale, fault = _prepared(np.asarray(traces)) if traces.shape[1] else (None, None, None)
    n = len(traces)
    none = np.full((n, _CANDIDATES), np.nan)
    if zone is None or values is None:
        short = np.where(fault == "", "too short", fault) if fault is not None else np.full(n, "too short")
        return _Candidates(none[:, 0], none[:, 0], none, none, none[:, 0], short.astype("U10"))
    front, height, after, amplitude, noise = _candidates(correlate(values, zone.kernel), zone, _CANDIDATES)
    unit = scale / np.sqrt(zone.kernel.energy)
    bad = fault != ""
    front, height = np.where(bad, np.nan, front), np.where(bad, np.nan, height * unit)
    after = np.where(bad[:, None], np.nan, after)
    return _Candidates(front, height, after, amplitude * unit[:, None], noise * unit, fault)


def _decide(
    found: _Candidates, zone: _Zone | None, sample_rate_hz: float, settings: AScanSettings
) -> AScanFeatures:
    """Say which candidate is the back wall and which the first echo inside."""
    n = len(found.fault)
    if zone is None or not n:
        none = np.full(n, np.nan)
        return AScanFeatures(*(none,) * 10, found.fault)
    step_s = 1.0 / (zone.kernel.up * sample_rate_hz)
    after = found.after * step_s
    with np.errstate(invalid="ignore"):
        relative = np.abs(found.amplitude / found.front_amplitude[:, None])
        level = zone.level[np.clip(np.nan_to_num(found.after), 0, zone.window - 1).astype(int)]
        real = (np.abs(found.amplitude) > _NOISE_FACTOR * found.noise[:, None]) & (
            relative > _BACKSCATTER_FACTOR * level
        )
        real &= relative > _MISMATCH
        weak_front = ~(found.front_amplitude > _NOISE_FACTOR * found.noise)
    fault = np.where((found.fault == "") & weak_front, "no echo", found.fault).astype("U10")
    real &= (fault == "")[:, None]
    expected = settings.expected_tof_s or _consensus(after, relative, real)
    backwall = _backwall(after, relative, real, expected, 0.5 / zone.kernel.bandwidth * step_s)
    rows = np.arange(n)
    tof = np.where(backwall >= 0, after[rows, backwall], np.nan)
    backwall_amplitude = np.where(backwall >= 0, found.amplitude[rows, backwall], np.nan)
    limit = np.where(backwall >= 0, tof, expected * (1 + _TOLERANCE) if np.isfinite(expected) else np.inf)
    inside = real & (after < limit[:, None] - 1e-12)
    first = np.argmin(np.where(inside, after, np.inf), axis=1)
    has = inside.any(axis=1)
    echo = np.where(has, after[rows, first], np.nan)
    echo_amplitude = np.where(has, found.amplitude[rows, first], np.nan)
    good = fault == ""
    front = np.where(good, (found.front * step_s) + zone.centre / sample_rate_hz, np.nan)
    front_amplitude = np.where(good, found.front_amplitude, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        db = [
            20 * np.log10(np.abs(a / front_amplitude))
            for a in (backwall_amplitude, echo_amplitude, found.noise)
        ]
    return AScanFeatures(
        front,
        front_amplitude,
        front + tof,
        backwall_amplitude,
        tof,
        echo,
        echo_amplitude,
        db[0],
        db[1],
        -db[2],
        fault,
    )


def _consensus(after: Floats, relative: Floats, real: NDArray[np.bool_]) -> float:
    """Median time of each trace's strongest echo."""
    strength = np.where(real, relative, -1.0)
    best = np.argmax(strength, axis=1)
    has = real.any(axis=1)
    return float(np.median(after[np.arange(len(after)), best][has])) if has.any() else float("nan")


def _backwall(
    after: Floats, relative: Floats, real: NDArray[np.bool_], expected: float, slack_s: float
) -> NDArray[np.intp]:
    """Index of the back-wall echo among the candidates, -1 where it is lost."""
    if not np.isfinite(expected) or not after.size:
        return np.full(len(after), -1, dtype=np.intp)
    near = real & (np.abs(after - expected) <= _TOLERANCE * expected)
    for parent in range(after.shape[1]):
        for times in (2, 3):
            multiple = np.abs(after - times * after[:, parent : parent + 1]) < slack_s
            stronger = relative < relative[:, parent : parent + 1]
            near &= ~(multiple & stronger & real[:, parent : parent + 1])
    best = np.argmax(np.where(near, relative, -1.0), axis=1)
    return np.where(near.any(axis=1), best, -1)
