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
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from tapscan.signals.hidden import USUAL_FRONT, uncovered
from tapscan.signals.kernels import STEPS, Kernel, correlate_whole
from tapscan.signals.pulses import detrended
from tapscan.signals.pursuit import refined

__all__ = [
    "CANDIDATES",
    "FRONT_FRACTION",
    "NOISE_FACTOR",
    "Candidates",
    "Pattern",
    "candidates",
    "make_pattern",
    "noise_of",
    "prepared",
]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

CANDIDATES = 4  # echoes after the front surface that are kept for each trace until the zone has decided
NOISE_FACTOR = 6.0  # an echo stands this many standard deviations out of its trace's noise
FRONT_FRACTION = (
    0.12  # of the trace's largest correlation: acrylic over laminate returns 0.2 of a lossless wall
)
_TILE = 2048  # traces worked together: a transform's worth of them fits the cache; changes no result
_KEPT = 4096  # traces looked at more closely together, not less than a tile: bounds the memory likewise
_OVERLAP = 0.02  # correlation of two echoes above which they are refined together
_ROUNDS = 5  # Gauss-Newton steps where echoes overlap
_STILL = 5e-3  # grid steps below which they are left alone: some 0.05 ns
_LEAST_FLAT = 3  # equal samples in a row at the very top that no smooth echo makes


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """What is looked for in a zone: its pulse, and where.

    `dead` and `window` bound the stretch after the front-surface echo, in grid steps; `front_fraction` is the
    part of the trace's largest correlation that the front-surface echo reaches at least, `crest` the fraction
    that a crest must have of the largest near the first rise to be the front-surface echo's, `rise` how far
    to look; `overlap` is the lag below which two echoes disturb each other, `least` that below which they are
    one. `quiet` is the stretch of samples that holds least, `colour` how much stronger its noise is in the
    pulse's band than white noise would be, `hush` what it usually holds there. `scatter` (window,) and
    `misfit` (2·half + 1,) are the least amplitudes that count, relative to the front-surface echo at that
    time after it, and relative to a stronger echo at that time from it. `tail` and `shape` are the pulse's
    autocorrelation at fractional lags, after `dead` and in full. `step` is the digitiser's, 0 when unknown.
    `usual` is the zone's usual front-surface echo, with the sign of its back walls; 0 while that is not
    known, and where it is far stronger than they are. `weights` are what crests count for when the largest
    is looked for, positive and negative ones, unless it lies within `beside` of the window's start, where the
    front-surface echo's own half-waves are.
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
    tail: Floats32
    shape: Floats32
    step: float
    scatter: Floats32
    misfit: Floats32
    swelling: Floats32
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


def _no_candidates(total: int, count: int) -> Candidates:
    """Make room for the candidates of so many traces."""
    each, several = np.full(total, np.nan, np.float32), np.full((total, count), np.nan, np.float32)
    return Candidates(
        each, each.copy(), several, several.copy(), each.copy(), each.copy(), np.full(total, "", "U10")
    )


def make_pattern(
    kernel: Kernel, centre: float, window: int, step: float, front_fraction: float = FRONT_FRACTION
) -> Pattern:
    """Derive from a pulse everything that is looked up for each trace."""
    middle = kernel.reach
    period = 1.0 / kernel.bandwidth
    quarter = max(1, round(period / 4))
    size = np.maximum.reduce([np.roll(np.abs(kernel.r), k) for k in range(-quarter, quarter + 1)])[middle:]
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
        least=0.35 * period,
        quiet=slice(0, kernel.samples),
        colour=1.0,
        hush=0.0,
        tail=np.ascontiguousarray(kernel.shifted[:, middle + dead : middle + half + 1], dtype=np.float32),
        shape=np.ascontiguousarray(kernel.shifted[:, middle - half : middle + half + 1], dtype=np.float32),
        step=step,
        scatter=np.zeros(window, dtype=np.float32),
        misfit=np.zeros(2 * half + 1, dtype=np.float32),
        swelling=(1 / np.maximum(1 - np.concatenate([size[half:0:-1], size[: half + 1]]) ** 2, 0.15)).astype(
            np.float32
        ),
    )


def prepared(traces: NDArray[Any], step: float = 0.0) -> tuple[Floats32, Floats32, NDArray[np.str_]]:
    """Bring traces to single precision and say what each lacks at its end and what is wrong with it.

    Missing samples at a trace's end only make it shorter; anywhere else the trace is not finite. A faulty row
    becomes 0.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        values = np.asarray(traces, dtype=np.float32)
    fault = np.full(len(values), "", dtype="U10")
    lacking = np.zeros(len(values), dtype=np.float32)
    crest, trough = np.argmax(values, axis=1), np.argmin(values, axis=1)  # of a row with NaN, the NaN
    rows = np.arange(len(values))
    broken = ~np.isfinite(values[rows, crest] - values[rows, trough])
    if broken.any():
        values = values.copy()
        for row in np.flatnonzero(broken):
            values[row], lacking[row] = _without_tail(values[row])
            if lacking[row] == values.shape[1]:
                fault[row] = "not finite"
        crest, trough = np.argmax(values, axis=1), np.argmin(values, axis=1)
    span = values[rows, crest] - values[rows, trough]
    fault[(fault == "") & (span == 0)] = "silent"
    # Where the digitiser tells fewer than 32 levels apart, an honest crest may look flat.
    flat = (_rests(values, crest) | _rests(values, trough)) & (span > 32 * np.float32(step))
    fault[flat & (fault == "")] = "saturated"
    return values, lacking, fault


def _without_tail(trace: Floats32) -> tuple[Floats32, int]:
    """Fill missing samples at the end with the mean of the rest, and count them; all when others lack too."""
    finite = np.isfinite(trace)
    length = int(np.flatnonzero(finite)[-1]) + 1 if finite.any() else 0
    filled = np.zeros_like(trace)
    if length < 2 or not finite[:length].all() or not np.isnan(trace[length:]).all():
        return filled, len(trace)
    filled[:length] = detrended(trace[None, :length])[0]
    return filled, len(trace) - length


def _rests(values: Floats32, at: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether a trace stays for three samples at its extreme, as no smooth echo does."""
    rests = np.zeros(len(values), dtype=bool)
    rows = np.flatnonzero(at + _LEAST_FLAT <= values.shape[1])
    for ahead in range(1, _LEAST_FLAT):
        rows = rows[values[rows, at[rows] + ahead] == values[rows, at[rows]]]
    rests[rows] = True
    return rests


def candidates(traces: NDArray[Any], pattern: Pattern, count: int = CANDIDATES) -> Candidates:
    """Measure one block of traces (n, samples), a tile at a time so that each stays in the processor's cache.

    Only the correlations of traces whose echoes overlap, or whose front-surface echo is unusual, are kept
    until there are enough to be looked at together.
    """
    total = len(traces)
    found = _no_candidates(total, count)
    kept, rows = np.empty((min(total, _KEPT), pattern.kernel.grid), np.float32), np.empty(0, np.intp)
    for start in range(0, total, _TILE):
        tile = slice(start, min(total, start + _TILE))
        c, part = _picked(np.asarray(traces[tile]), pattern, count)
        crowded = _crowded(part, pattern)
        _drop_misfits(part, pattern, crowded, is_refined=False)
        crowded = crowded[_crowded(_rows(part, crowded), pattern)]
        closer = np.union1d(crowded, _unusual(part, pattern))
        for field in fields(Candidates):
            getattr(found, field.name)[tile] = getattr(part, field.name)
        if len(rows) + len(closer) > len(kept):  # the room is used up
            _look_closer(found, pattern, rows, kept[: len(rows)])
            rows = rows[:0]
        kept[len(rows) : len(rows) + len(closer)] = c[closer]
        rows = np.concatenate([rows, start + closer])
    _look_closer(found, pattern, rows, kept[: len(rows)])
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
    fraction, height = _vertex(c, np.arange(len(c)), start)
    rest = _after_front(c, start, fraction, height, pattern)
    after, amplitude = _crests(rest, height, noise, pattern, count)
    after += (np.float32(pattern.dead) - fraction)[:, None]
    front = (start + fraction).astype(np.float32)
    return c, Candidates(front, height, after, amplitude, noise, lacking, fault)


def _look_closer(found: Candidates, pattern: Pattern, rows: NDArray[np.intp], c: Floats32) -> None:
    """Put right, in place, rows whose echoes overlap or whose front-surface echo is unusual.

    `c` holds the correlations of just those.
    """
    if not len(rows):
        return
    _untangle(found, pattern, rows, c)
    _uncover(found, pattern, rows, c)


def _untangle(found: Candidates, pattern: Pattern, rows: NDArray[np.intp], c: Floats32) -> None:
    """Tell apart, in place, the echoes of the rows that overlap, given the correlations of just those.

    Fitted together with a misfit, echoes swell and a true one may seem small beside them: where one would be
    dropped after all, the weakest as picked goes instead and the others are fitted anew.
    """
    picked = _rows(found, rows)
    still = _crowded(picked, pattern)
    _refine(c, found, pattern, rows, still)
    _drop_misfits(found, pattern, rows[still], is_refined=True)
    again = np.flatnonzero((np.isnan(found.after[rows]) & np.isfinite(picked.after)).any(axis=1))
    if not len(again):
        return
    at = rows[again]
    found.front[at], found.height[at] = picked.front[again], picked.height[again]
    found.after[at], found.amplitude[at] = picked.after[again], picked.amplitude[again]
    size = np.where(np.isnan(picked.after[again]), np.inf, np.abs(picked.amplitude[again]))
    weakest = np.argmin(size, axis=1)
    found.after[at, weakest] = found.amplitude[at, weakest] = np.nan
    again = again[_crowded(_rows(found, at), pattern)]
    _refine(c, found, pattern, rows, again)
    _drop_misfits(found, pattern, rows[again], is_refined=True)


def _uncover(found: Candidates, pattern: Pattern, rows: NDArray[np.intp], c: Floats32) -> None:
    """Put front-surface echoes right, in place, where a crest beside a stronger echo was taken for one."""
    lags = np.arange(int(np.ceil(pattern.least)), min(pattern.window, 2 * pattern.overlap))
    if not (pattern.usual and len(lags)):
        return
    sign = np.sign(pattern.usual)
    front = found.front[rows, None].astype(float)
    at, amplitude, is_better = uncovered(
        c * c.dtype.type(sign),
        np.hstack([front, front + found.after[rows]]),
        pattern.usual,
        lags,
        pattern.kernel,
    )
    rows, at, amplitude = rows[is_better], at[is_better], sign * amplitude[is_better]
    found.front[rows], found.height[rows] = at[:, 0], amplitude[:, 0]
    found.after[rows], found.amplitude[rows] = at[:, 1:] - at[:, :1], amplitude[:, 1:]


def _rows(found: Candidates, rows: NDArray[np.intp]) -> Candidates:
    return Candidates(*(getattr(found, field.name)[rows] for field in fields(Candidates)))


def _crowded(found: Candidates, pattern: Pattern) -> NDArray[np.intp]:
    """Rows that hold two echoes, the front-surface echo being one, so close that they disturb each other."""
    with np.errstate(invalid="ignore"):
        doubtful = found.after[:, 0] < pattern.overlap
        for later in found.after.T[1:]:
            doubtful |= later < np.inf
        suspects = np.flatnonzero(doubtful)
        times = np.sort(np.concatenate([np.zeros((len(suspects), 1)), found.after[suspects]], axis=1), axis=1)
        return suspects[(np.diff(times, axis=1) < pattern.overlap).any(axis=1)]


def _unusual(found: Candidates, pattern: Pattern) -> NDArray[np.intp]:
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


def _drop_misfits(found: Candidates, pattern: Pattern, rows: NDArray[np.intp], *, is_refined: bool) -> None:
    """Forget, in place, what is no more than the misfit of the pulse to a stronger echo beside it.

    The level is lower for echoes that are yet to be refined, and for those that are it swells with their
    overlap, as their amplitudes do. Closer than a third of a cycle nothing can be told apart.
    """
    share = np.float32(1.0 if is_refined else 0.7)
    at = np.concatenate([np.zeros((len(rows), 1), dtype=np.float32), found.after[rows]], axis=1)
    size = np.concatenate([np.abs(found.height[rows, None]), np.abs(found.amplitude[rows])], axis=1)
    with np.errstate(invalid="ignore"):
        near = np.abs(at[:, 1:, None] - at[:, None, :]) <= pattern.half
        near &= size[:, 1:, None] < size[:, None, :]
        row, echo, other = np.nonzero(near)  # few of all pairs
    lag = at[row, echo + 1] - at[row, other]
    level = pattern.misfit[np.rint(lag).astype(np.intp) + pattern.half] * size[row, other]
    if is_refined:
        level *= pattern.swelling[np.rint(lag).astype(np.intp) + pattern.half]
    index = np.clip(np.rint(at[row, echo + 1]).astype(np.intp), 0, pattern.window - 1)
    level = share * np.hypot(level, pattern.scatter[index] * size[row, 0])
    level[np.abs(lag) < pattern.least] = np.inf
    small = found.after[rows] < pattern.least
    is_small = size[row, echo + 1] < level
    small[row[is_small], echo[is_small]] = True
    row, column = np.nonzero(small)
    found.after[rows[row], column] = np.nan
    found.amplitude[rows[row], column] = np.nan


def noise_of(values: Floats32, pattern: Pattern) -> Floats32:
    """Noise (n,) that the correlation will have, told from where the zone's traces are quiet."""
    few = values[:, pattern.quiet]
    count = few.shape[1]
    few = few - (np.einsum("ij->i", few) / np.float32(count))[:, None]
    power = np.einsum("ij,ij->i", few, few) / np.float32(max(1, count - 1))
    return np.asarray(np.maximum(np.float32(pattern.colour) * np.sqrt(power), np.float32(pattern.hush)))


def _front(c: Floats32, top: NDArray[np.intp], pattern: Pattern) -> NDArray[np.intp]:
    """Grid point (n,) of the front-surface echo: the first high crest after the first rise.

    `top` (n,) is where the correlations are largest.
    """
    n, grid = c.shape
    rows = np.arange(n)
    # The rise comes before the largest value: beyond the last of those nothing need be looked at.
    low = np.float32(pattern.front_fraction) * c[rows, top]
    if pattern.usual:  # beside an echo that is many times as strong, only its own size tells it
        low = np.minimum(low, np.float32(USUAL_FRONT[0] * abs(pattern.usual)))
    first = np.argmax(c[:, : int(top.max(initial=0)) + 1] >= low[:, None], axis=1)
    width = min(pattern.rise + 2, grid)
    first = np.clip(first - 1, 0, grid - width)
    near = _stretches(c, width)[rows, first]
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


def _stretches(rows: Floats32, width: int) -> Floats32:
    """View (n, samples) as all stretches of a width, (n, samples - width + 1, width).

    NumPy's own view of this kind takes ten times as long to make, a hundredth of what a tile takes.
    """
    n, samples = rows.shape
    along, across = rows.strides
    return as_strided(rows, (n, samples - width + 1, width), (along, across, across))


def _vertex(c: Floats32, rows: NDArray[np.intp], at: NDArray[np.intp]) -> tuple[Floats32, Floats32]:
    """Crests of some rows by the parabola through three points: offset from `at` in steps, and height."""
    left, mid, right = c[rows, at - 1], c[rows, at], c[rows, at + 1]
    bend = left - 2 * mid + right
    slope = np.float32(0.5) * (left - right)
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = np.where(bend != 0, slope / bend, np.float32(0.0))
    offset = np.minimum(np.maximum(offset, np.float32(-1.0)), np.float32(1.0))
    return offset, mid - np.float32(0.5) * slope * offset


def _after_front(
    c: Floats32, start: NDArray[np.intp], fraction: Floats32, height: Floats32, pattern: Pattern
) -> Floats32:
    """Cut out the stretch after the front-surface echo, less that echo, with room for shapes at both ends."""
    n, grid = c.shape
    room, window = pattern.half, pattern.window
    begin = start + (pattern.dead - room)
    before = max(0, -int(begin.min(initial=0)))
    behind = max(0, int(begin.max(initial=0)) + window + 2 * room - grid)
    padded = np.pad(c, ((0, 0), (before, behind))) if before or behind else c
    rest = _stretches(padded, window + 2 * room)[np.arange(n), begin + before]
    rest[:, :room] = rest[:, room + window :] = 0
    whole, row = _split(fraction)
    # An offset below zero is a whole step less and the rest of the step later.
    length = min(pattern.tail.shape[1] - 1, window)
    late = _stretches(pattern.tail, length)[row, (whole < 0).astype(np.intp)]
    late *= height[:, None]
    rest[:, room : room + length] -= late
    return rest


def _split(offset: Floats32) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Split offsets into whole grid steps and rows of the table of fractional lags."""
    whole = np.floor(offset)
    row = np.rint((offset - whole) * np.float32(STEPS)).astype(np.intp)
    return whole.astype(np.intp), row


def _crests(
    rest: Floats32, front: Floats32, noise: Floats32, pattern: Pattern, count: int
) -> tuple[Floats32, Floats32]:
    """Take the largest crest as an echo and take it out, `count` times or until nothing that counts is left.

    Times (n, count) in grid steps from the start of the stretch.
    """
    room, window = pattern.half, pattern.window
    at = np.full((len(rest), count), np.nan, dtype=np.float32)
    amplitude = np.full((len(rest), count), np.nan, dtype=np.float32)
    live = np.arange(len(rest))
    inside = rest[:, room : room + window]
    about = _stretches(rest, 2 * room + 1)
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
        offset, height = _vertex(rest, live, best + room)
        inner = (best > 0) & (best < window - 1) & (np.abs(offset) < 1)
        at[live, k] = np.where(inner, best + offset, np.nan)
        amplitude[live, k] = np.where(inner, height, np.nan)
        if k + 1 < count:
            whole, row = _split(offset)
            echo = pattern.shape.take(row, axis=0)
            echo *= height[:, None]
            about[live, np.clip(best + whole, 0, window - 1)] -= echo
    return at, amplitude


def _largest(rest: Floats32, pattern: Pattern) -> NDArray[np.intp]:
    """Index (n,) of the largest crest; of those not beside the front-surface echo, by their weights."""
    rows, high, low = np.arange(len(rest)), np.argmax(rest, axis=1), np.argmin(rest, axis=1)
    crest, trough = rest[rows, high], -rest[rows, low]
    up, down = np.float32(pattern.weights[0]), np.float32(pattern.weights[1])
    best = np.where(up * crest >= down * trough, high, low)
    return np.asarray(np.where(best < pattern.beside, np.where(crest >= trough, high, low), best))


def _refine(
    c: Floats32, found: Candidates, pattern: Pattern, rows: NDArray[np.intp], still: NDArray[np.intp]
) -> None:
    """Refine together, in place, the front-surface echo and all candidates of ``rows[still]``.

    `c` holds the correlations of `rows`.
    """
    number = np.isfinite(found.after[rows[still]]).sum(axis=1)
    for k in range(1, found.after.shape[1] + 1):
        own = still[number == k]
        if not len(own):
            continue
        at_rows = rows[own]
        which = np.argsort(np.isnan(found.after[at_rows]), axis=1, kind="stable")[:, :k]
        guess = np.take_along_axis(found.after[at_rows], which, axis=1)
        guess = np.concatenate([np.zeros((len(own), 1)), guess], axis=1) + found.front[at_rows, None]
        at, amplitude, _ = refined(c[own], guess, pattern.kernel)
        found.front[at_rows], found.height[at_rows] = at[:, 0], amplitude[:, 0]
        found.after[at_rows[:, None], which] = at[:, 1:] - at[:, :1]
        found.amplitude[at_rows[:, None], which] = amplitude[:, 1:]
