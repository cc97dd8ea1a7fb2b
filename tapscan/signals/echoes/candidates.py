"""Everything that could be an echo in each A-scan of a zone: one forward and one inverse transform per trace.

A block of traces is correlated with the zone's own pulse. The front-surface echo is found and taken out, the
stretch after it is cut out, and the largest remaining crest is taken as an echo and taken out, again and
again. Only where two echoes overlap are they refined together. No step looks at another trace of the block,
and none uses a matrix product over the block, so that the result is the same to the bit however the zone is
cut into blocks.
"""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.physics.waves import UNRESOLVED_CYCLES
from tapscan.signals.echoes.kernels import Kernel, correlate_whole
from tapscan.signals.echoes.pursuit import HOPEFUL, misfits, pursue, stretches, take_out, vertex
from tapscan.signals.echoes.quality import prepared
from tapscan.signals.echoes.sampling import detrended

__all__ = [
    "CANDIDATES",
    "FRONT_FRACTION",
    "NOISE_FACTOR",
    "Candidates",
    "Pattern",
    "candidates",
    "make_pattern",
    "noise_of",
    "some",
]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.intp]

CANDIDATES = 4  # echoes after the front surface that are kept for each trace until the zone has decided
NOISE_FACTOR = 6.0  # an echo is this many standard deviations above its trace's noise
FRONT_FRACTION = (
    0.12  # of the trace's largest correlation: acrylic over laminate returns 0.2 of a lossless wall
)
_TILE = 2048  # traces worked together: a transform's worth of them fits the cache; changes no result
_KEPT = 4096  # traces looked at more closely together, not less than a tile: bounds the memory likewise
_OVERLAP = 0.02  # correlation of two echoes above which they are refined together
USUAL_FRONT = (
    0.55,
    1.6,
)  # times the zone's usual front-surface echo: coupling varies by 3 dB


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """What is looked for in a zone: its pulse, and where.

    `dead` and `window` bound the stretch after the front-surface echo, in grid steps; `front_fraction` is the
    part of the trace's largest correlation that the front-surface echo reaches at least, `crest` the fraction
    that a crest must have of the largest near the first rise to be the front-surface echo's, `rise` how far
    to look; `overlap` is the lag below which two echoes disturb each other, `least` that below which they are
    one. `quiet` is the stretch of samples that holds least, `colour` how much stronger its noise is in the
    pulse's band than white noise would be, `hush` what it usually holds there. `scatter` (window,) and
    `misfit` (2·reach + 1,) are the least amplitudes that count, relative to the front-surface echo at that
    time after it, and relative to a stronger echo at that time from it. `step` is the digitiser's, 0 when
    unknown. `usual` is the zone's usual front-surface echo, with the sign of its back walls; 0 while that is
    not known, and where it is far stronger than they are. `weights` are what crests count for when the
    largest is looked for, positive and negative ones, unless it is within `beside` of the window's start,
    where the front-surface echo's own half-waves are.
    """

    kernel: Kernel
    centre: float
    dead: int
    window: int
    rise: int
    crest: float
    front_fraction: float
    overlap: int
    half: int
    least: float
    quiet: slice
    colour: float
    hush: float
    step: float
    scatter: Floats32
    misfit: Floats
    usual: float = 0.0
    weights: tuple[float, float] = (1.0, 1.0)
    beside: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Echoes before the zone has decided, one row per trace, NaN where there is none.

    `front` is in grid steps from the grid's start, `after` (n, CANDIDATES) in grid steps after the
    front-surface echo, in the order in which they were found. `height`, `amplitude` and `noise` are
    correlations. `lacking` counts the samples that are missing at the trace's end.
    """

    front: Floats32
    height: Floats32
    after: Floats32
    amplitude: Floats32
    noise: Floats32
    lacking: Floats32
    fault: NDArray[np.str_]


def make_pattern(
    kernel: Kernel, centre: float, window: int, step: float, front_fraction: float = FRONT_FRACTION
) -> Pattern:
    """Derive from a pulse everything that is looked up for each trace."""
    from scipy.ndimage import maximum_filter1d

    middle = kernel.reach
    period = 1.0 / kernel.bandwidth
    quarter = max(1, round(period / 4))
    size = maximum_filter1d(np.abs(kernel.r), 2 * quarter + 1, mode="wrap")[middle:]
    overlap = int(np.flatnonzero(size > _OVERLAP)[-1]) + 1
    lobe = float(kernel.r[middle + round(0.6 * period) : middle + round(1.5 * period)].max(initial=0.0))
    wide = int(np.flatnonzero(size > 0.9 * front_fraction)[-1])
    dead = max(2, round(0.5 * period))
    half = min(kernel.reach, overlap + quarter)
    window = max(8, min(window, kernel.grid - 1))
    return Pattern(
        kernel=kernel,
        centre=centre,
        dead=dead,
        window=window,
        rise=wide + round(0.4 * period),
        front_fraction=front_fraction,
        crest=0.5 * (1 + min(max(lobe, 0.2), 0.9)),
        overlap=overlap,
        half=half,
        least=UNRESOLVED_CYCLES * period,
        quiet=slice(0, kernel.samples),
        colour=1.0,
        hush=0.0,
        step=step,
        scatter=np.zeros(window, dtype=np.float32),
        misfit=misfits(kernel, 0.0, UNRESOLVED_CYCLES),
    )


def candidates(
    traces: NDArray[Any], pattern: Pattern, count: int = CANDIDATES, *, is_fitted: bool = True
) -> Candidates:
    """Measure one block of traces (n, samples), a tile at a time so that each stays in the processor's cache.

    Only the correlations of traces whose echoes overlap, or whose front-surface echo is unusual, are kept
    until there are enough to be fitted together.
    """
    total = len(traces)
    each, several = np.full((4, total), np.float32(np.nan)), np.full((2, total, count), np.float32(np.nan))
    fault = np.full(total, "", "U10")
    found = Candidates(each[0], each[1], several[0], several[1], each[2], each[3], fault)
    kept: list[tuple[Ints, Floats32]] = []
    for start in range(0, total, _TILE):
        tile = slice(start, min(total, start + _TILE))
        c, part = _picked(np.asarray(traces[tile]), pattern, count)
        crowded = _crowded(part, pattern)
        _drop_misfits(part, pattern, crowded)
        crowded = crowded[_crowded(some(part, crowded), pattern)]
        closer = np.union1d(crowded, _unusual(part, pattern))
        for field in fields(Candidates):
            getattr(found, field.name)[tile] = getattr(part, field.name)
        if is_fitted:
            kept.append((start + closer, c[closer]))
        if kept and (tile.stop == total or sum(len(rows) for rows, _ in kept) > _KEPT):
            _fit(found, pattern, *map(np.concatenate, zip(*kept, strict=True)))
            kept = []
    _drop_weak(found, pattern)
    bad = (found.fault != "") | ~np.isfinite(found.height)
    found.fault[bad & (found.fault == "")] = "not finite"
    for array in (found.front, found.height, found.after, found.amplitude):
        array[bad] = np.nan
    return found


def _picked(traces: NDArray[Any], pattern: Pattern, count: int) -> tuple[Floats32, Candidates]:
    """Correlate traces with the pulse and pick their echoes one by one."""
    values, lacking, fault = prepared(traces, pattern.step)
    if pattern.kernel.lead:
        values = detrended(values)
    noise = noise_of(values, pattern)
    whole = correlate_whole(values, pattern.kernel)
    c = whole[:, : pattern.kernel.grid]
    # The largest of rows that are one stretch of memory is found in a third of the time.
    start = _front(c, np.minimum(np.argmax(whole, axis=1), c.shape[1] - 1), pattern)
    fraction, height = vertex(c, np.arange(len(c)), start)
    rest = _after_front(c, start, fraction, height, pattern)
    after, amplitude = _crests(rest, height, noise, pattern, count)
    after += (np.float32(pattern.dead) - fraction)[:, None]
    front = (start + fraction).astype(np.float32)
    return c, Candidates(front, height, after, amplitude, noise, lacking, fault)


def _fit(found: Candidates, pattern: Pattern, rows: Ints, c: Floats32) -> None:
    """Fit all echoes of some rows together, in place, given the correlations (rows, grid) of just those.

    The first echo as large as front-surface echoes of the zone are is the front-surface echo: a stronger one
    right behind it, its ringing or their sum may have been taken for it.
    """
    if not len(rows):
        return
    before, width = 2 * pattern.overlap, 2 * pattern.overlap + pattern.window
    start = np.rint(found.front[rows]).astype(np.intp) - before
    padded = np.pad(c, ((0, 0), (before, width)), mode="edge")
    near = stretches(padded, width)[np.arange(len(rows)), np.clip(start + before, 0, c.shape[1])]
    limits = found.noise[rows].astype(float), NOISE_FACTOR, pattern.misfit
    at, amplitude = pursue(near, pattern.kernel, found.after.shape[1] + 1, limits, pattern.weights)
    at += start[:, None]
    largest = np.nanmax(np.abs(amplitude), axis=1, initial=0.0)
    least = USUAL_FRONT[0] * abs(pattern.usual) if pattern.usual else pattern.front_fraction * largest
    with np.errstate(invalid="ignore"):
        # Before the trace nothing was recorded: the edge is only continued there.
        is_front = (amplitude >= np.broadcast_to(least, largest.shape)[:, None]) & (at > 0)
    front = np.where(is_front, at, np.inf).min(axis=1)
    good = np.flatnonzero(np.isfinite(front))
    rows, at, amplitude, front = rows[good], at[good], amplitude[good], front[good]
    found.front[rows] = front
    found.height[rows] = np.where(at == front[:, None], amplitude, -np.inf).max(axis=1)
    with np.errstate(invalid="ignore"):
        inside = at > front[:, None] + pattern.least
        inside &= at < front[:, None] + pattern.dead + pattern.window
    order = np.argsort(np.where(inside, -np.abs(amplitude), np.inf), axis=1)[:, : found.after.shape[1]]
    for out, values in ((found.after, at - front[:, None]), (found.amplitude, amplitude)):
        out[rows] = np.take_along_axis(np.where(inside, values, np.nan), order, axis=1)


def some(found: Candidates, rows: Ints | slice) -> Candidates:
    """Take some rows."""
    return Candidates(*(getattr(found, field.name)[rows] for field in fields(Candidates)))


def _crowded(found: Candidates, pattern: Pattern) -> Ints:
    """Rows that hold two echoes, the front-surface echo being one, so close that they disturb each other."""
    with np.errstate(invalid="ignore"):
        doubtful = (found.after[:, 0] < pattern.overlap) | np.isfinite(found.after[:, 1:]).any(axis=1)
        suspects = np.flatnonzero(doubtful)
        times = np.sort(np.pad(found.after[suspects], ((0, 0), (1, 0))), axis=1)
        return suspects[(np.diff(times, axis=1) < pattern.overlap).any(axis=1)]


def _unusual(found: Candidates, pattern: Pattern) -> Ints:
    """Rows whose front-surface echo is far from what the zone has, where stronger echoes may hide it."""
    if not pattern.usual:
        return np.empty(0, dtype=np.intp)
    share = found.height / np.float32(abs(pattern.usual))
    return np.flatnonzero((share < USUAL_FRONT[0]) | (share > USUAL_FRONT[1]))


def _drop_weak(found: Candidates, pattern: Pattern) -> None:
    """Forget, in place, what is no more than noise or the zone's backscatter."""
    row, column = np.nonzero(np.isfinite(found.after))
    size = np.abs(found.amplitude[row, column])
    index = np.clip(np.rint(found.after[row, column]).astype(np.intp), 0, pattern.window - 1)
    weak = size < np.float32(NOISE_FACTOR) * found.noise[row]
    weak |= size < pattern.scatter[index] * found.height[row]
    found.after[row[weak], column[weak]] = np.nan
    found.amplitude[row[weak], column[weak]] = np.nan


def _drop_misfits(found: Candidates, pattern: Pattern, rows: Ints) -> None:
    """Forget, in place, what is less than the misfit of the pulse to a stronger echo beside it, or is one."""
    at = np.concatenate([np.zeros((len(rows), 1), dtype=np.float32), found.after[rows]], axis=1)
    size = np.concatenate([np.abs(found.height[rows, None]), np.abs(found.amplitude[rows])], axis=1)
    reach = pattern.kernel.reach
    with np.errstate(invalid="ignore"):
        near = np.abs(at[:, 1:, None] - at[:, None, :]) <= reach
        near &= size[:, 1:, None] < size[:, None, :]
        row, echo, other = np.nonzero(near)  # few of all pairs
    lag = np.rint(at[row, echo + 1] - at[row, other]).astype(np.intp)
    level = np.float32(HOPEFUL) * pattern.misfit[lag + reach] * size[row, other]
    small = found.after[rows] < pattern.least
    is_small = size[row, echo + 1] < level
    small[row[is_small], echo[is_small]] = True
    row, column = np.nonzero(small)
    found.after[rows[row], column] = np.nan
    found.amplitude[rows[row], column] = np.nan


def noise_of(values: Floats32, pattern: Pattern) -> Floats32:
    """Noise (n,) that the correlation will have, estimated where the zone's traces are quiet."""
    few = values[:, pattern.quiet]
    count = few.shape[1]
    few = few - (np.einsum("ij->i", few) / np.float32(count))[:, None]
    power = np.einsum("ij,ij->i", few, few) / np.float32(max(1, count - 1))
    return np.asarray(np.maximum(np.float32(pattern.colour) * np.sqrt(power), np.float32(pattern.hush)))


def _front(c: Floats32, top: Ints, pattern: Pattern) -> Ints:
    """Grid point (n,) of the front-surface echo: the first high crest after the first rise.

    `top` (n,) is where the correlations are largest.
    """
    n, grid = c.shape
    rows = np.arange(n)
    # The rise comes before the largest value: beyond the last of those nothing need be looked at.
    low = np.float32(pattern.front_fraction) * c[rows, top]
    if pattern.usual:  # beside an echo that is many times as strong, only its own size shows it
        low = np.minimum(low, np.float32(USUAL_FRONT[0] * abs(pattern.usual)))
    first = np.argmax(c[:, : int(top.max(initial=0)) + 1] >= low[:, None], axis=1)
    width = min(pattern.rise + 2, grid)
    first = np.clip(first - 1, 0, grid - width)
    near = stretches(c, width)[rows, first]
    crest = near >= np.float32(pattern.crest) * near.max(axis=1)[:, None]
    crest[:, 0] = crest[:, -1] = False
    # All rows end to end: row by row, so short ones would cost several times as much.
    values, inner = near.ravel(), crest.ravel()[1:-1]
    inner &= values[1:-1] >= values[:-2]
    inner &= values[1:-1] > values[2:]
    best = np.argmax(crest, axis=1)
    # Without a crest inside (the echo sits at the very start or end) the largest value has to do.
    none = np.flatnonzero(~crest[rows, best])
    best[none] = np.argmax(near[none], axis=1)
    return np.asarray(np.clip(first + best, 1, grid - 2))


def _after_front(
    c: Floats32, start: Ints, fraction: Floats32, height: Floats32, pattern: Pattern
) -> Floats32:
    """Cut out the stretch from a step before the front-surface echo on, less that echo.

    With room for shapes at both ends.
    """
    room, width = pattern.half, 1 + pattern.dead + pattern.window + 2 * pattern.half
    begin = start - room - 1
    before, behind = (
        max(0, -int(begin.min(initial=0))),
        max(0, int(begin.max(initial=0)) + width - c.shape[1]),
    )
    padded = np.pad(c, ((0, 0), (before, behind))) if before or behind else c
    rows = np.arange(len(c))
    rest = stretches(padded, width)[rows, begin + before]
    take_out(rest, room, rows, (1 + fraction, height), pattern.kernel)
    rest[:, : room + 1 + pattern.dead] = rest[:, width - room :] = 0
    return rest[:, 1 + pattern.dead :]


def _crests(
    rest: Floats32, front: Floats32, noise: Floats32, pattern: Pattern, count: int
) -> tuple[Floats32, Floats32]:
    """Take the largest crest as an echo and take it out, `count` times or until nothing that counts is left.

    Times (n, count) in grid steps from the start of the stretch.
    """
    room, window = pattern.half, pattern.window
    at, amplitude = np.full((2, len(rest), count), np.float32(np.nan))
    live = np.arange(len(rest))
    inside = rest[:, room : room + window]
    for k in range(count):
        if 2 * len(live) > len(rest):  # a few rows too many cost less than a copy of the others
            best = _largest(inside, pattern)[live]
        else:
            best = _largest(inside[live], pattern)
        level = np.maximum(NOISE_FACTOR * noise[live], pattern.scatter[best] * front[live])
        strong = np.abs(inside[live, best]) > np.float32(0.5) * level
        live, best = live[strong], best[strong]
        if not len(live):
            break
        offset, height = vertex(rest, live, best + room)
        inner = (best > 0) & (best < window - 1) & (np.abs(offset) < 1)
        at[live, k] = np.where(inner, best + offset, np.nan)
        amplitude[live, k] = np.where(inner, height, np.nan)
        if k + 1 < count:
            take_out(rest, room, live, (np.clip(best + offset, 0, window - 1), height), pattern.kernel)
    return at, amplitude


def _largest(rest: Floats32, pattern: Pattern) -> Ints:
    """Index (n,) of the largest crest; of those not beside the front-surface echo, by their weights."""
    rows, high, low = np.arange(len(rest)), np.argmax(rest, axis=1), np.argmin(rest, axis=1)
    crest, trough = rest[rows, high], -rest[rows, low]
    up, down = np.float32(pattern.weights[0]), np.float32(pattern.weights[1])
    best = np.where(up * crest >= down * trough, high, low)
    return np.asarray(np.where(best < pattern.beside, np.where(crest >= trough, high, low), best))
