"""Fitting shifted copies of one pulse to many traces at once, through their cross-correlation alone.

With a known pulse p and white noise, everything that least squares needs of a trace x is its correlation
with the pulse, c(t) = Σ x(n) p(n - t), and of the pulse its autocorrelation r: the model Σ aₖ p(n - tₖ)
explains the energy 2 aᵀc - aᵀR a, R_jk = r(tⱼ - tₖ). Both are band-limited, so a few samples about tₖ give
them anywhere between samples. One transform per trace, and every further step of the fit costs the same few
dozen operations however long it is.

Maximum likelihood: Kay 1993, section 3.11 (from memory). Orthogonal matching pursuit: Pati, Rezaiifar and
Krishnaprasad 1993 (from memory).
"""

from typing import Any

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from tapscan.signals.echoes.kernels import STEPS, TAPS, Kernel

__all__ = [
    "HOPEFUL",
    "misfits",
    "pursue",
    "quiet_part",
    "refined",
    "solved",
    "stretches",
    "subtracted",
    "take_out",
    "vertex",
]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.intp]
Mask = NDArray[np.bool_]
State = tuple[Floats, Floats, Floats, Floats, Floats, Floats]
Pair = tuple[NDArray[Any], NDArray[Any]]
Limits = tuple[Floats32, float, Floats]  # noise (n,) in the correlation, times that an echo has, and misfits

_FRACTIONS = 512  # fractions of a grid step at which echoes are evaluated
_ROUNDS = 8  # Gauss-Newton steps at most
_STILL = 5e-3  # grid steps below which an echo is left alone: some 0.05 ns
_STUCK = 1e4  # damping beyond which no step helps
_RIDGE = 1e-9  # keeps two echoes at one time solvable
_RESOLVED = 1 / 6  # of a cycle: nearer than that two echoes are one
HOPEFUL = 0.7  # of the least size: a smaller crest cannot become an echo by being refined
_TOUCHING = 0.1  # of the autocorrelation: where it is less, two echoes hardly move each other's crests
_MOST_SWELLING = 50.0  # times its own size that an echo may swell with what overlaps it
_SEVEN_TENTHS = 0.3095  # mean square of the smallest seven tenths of normal values


def pursue(
    c: Floats32, kernel: Kernel, count: int, limits: Limits, weights: tuple[float, float] = (1.0, 1.0)
) -> tuple[Floats, Floats]:
    """Find up to `count` echoes in each row of correlations (n, grid).

    The largest crest of what is left is taken as an echo, all echoes of the row are refined together by least
    squares, and they are taken out; an echo is kept when the energy that it explains is more than noise's,
    and when each is larger than what the pulse misfits the others there. `limits` are the noise (n,), how
    many times it an echo has at least, and `misfits`; `weights` are what crests and troughs count for.

    Returns
    -------
    tuple of ndarray
        Times in grid steps and amplitudes, (n, count), in the order found; NaN where there is no echo.
    """
    noise, times, misfit = limits[0].copy(), *limits[1:]
    at, amplitude = np.full((2, len(c), count), np.nan)
    live, energy, left = np.arange(len(c)), np.zeros(len(c)), c
    for k in range(count):
        if k:  # what was taken out no longer hides how quiet the rest is
            noise[live] = np.minimum(noise[live], quiet_part(left[:, :: kernel.stride]))
        guess, height = _largest(left, weights)
        loud = np.abs(height) > HOPEFUL * times * noise[live]
        live, energy, c, guess = (_where(loud, of) for of in (live, energy, c, guess))
        if not len(live):
            break
        start = np.column_stack([at[live, :k], guess])
        unsure, other = _best_pairs(c, start, amplitude[live, :k], kernel) if k else (live[:0], start[:0])
        new_at, new_amplitude, new_energy = refined(c, start, kernel)
        if len(unsure):
            tried = refined(c[unsure], other, kernel)
            better = tried[2] > new_energy[unsure]
            for old, fresh in zip((new_at, new_amplitude, new_energy), tried, strict=True):
                old[unsure[better]] = fresh[better]
        left = subtracted(c, new_at, new_amplitude, kernel)
        rms = np.sqrt(np.einsum("ij,ij->i", left, left) / np.float32(left.shape[1]))
        keep = new_energy - energy > (times * np.minimum(rms, noise[live])) ** 2
        keep &= _stand_out(new_at, new_amplitude, kernel, misfit)
        live, energy, c, left = (_where(keep, of) for of in (live, new_energy, c, left))
        at[live, : k + 1], amplitude[live, : k + 1] = new_at[keep], new_amplitude[keep]
    return at, amplitude


def _where(mask: Mask, values: NDArray[Any]) -> NDArray[Any]:
    """Take the rows of a mask; no copy where it takes all."""
    return values if mask.all() else values[mask]


def _largest(left: Floats32, weights: tuple[float, float]) -> tuple[Floats, Floats32]:
    """Time and height (n,) of the largest local extremum, crests and troughs weighted; the ends are none."""
    rows, high, low = np.arange(len(left)), np.argmax(left, axis=1), np.argmin(left, axis=1)
    up, down = np.float32(weights[0]), np.float32(weights[1])
    best = np.where(up * left[rows, high] >= -down * left[rows, low], high, low)
    cut = np.flatnonzero((best == 0) | (best == left.shape[1] - 1))
    if len(cut):
        size = np.abs(left[cut])
        peak = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] >= size[:, 2:])
        best[cut] = 1 + np.argmax(np.where(peak, size[:, 1:-1], -1.0), axis=1)
    offset, height = vertex(left, rows, best)
    return (best + offset).astype(float), height


def _best_pairs(c: Floats32, at: Floats, amplitude: Floats, kernel: Kernel) -> tuple[Ints, Floats]:
    """Search all pairs of times for the newest echo and the one it overlaps, an eighth of a cycle apart.

    The first pick of two overlapping echoes may be a whole cycle off or between them, and least squares
    cannot step over a cycle. Two echoes at lag d explain (c₁² + c₂² - 2 r(d) c₁ c₂) / (1 - r(d)²).
    What is better goes into `at`. So coarse a search takes a little from a strong echo: rows whose best pair
    is elsewhere, though it explains less, are returned, to be tried as well.
    """
    stride = kernel.stride
    r = kernel.r[kernel.reach :: stride].astype(np.float32)
    farthest = int(np.flatnonzero(np.abs(r) > _TOUCHING)[-1])
    gap = np.abs(at[:, :-1] - at[:, -1:])
    partner = np.argmin(gap, axis=1)
    rows = np.flatnonzero(gap[np.arange(len(at)), partner] <= farthest * stride)
    if not len(rows):
        return rows, at[rows]
    partner, local = partner[rows], np.arange(len(rows))
    others = at[rows, :-1]
    others[local, partner] = np.nan
    rest = subtracted(c[rows], others, amplitude[rows], kernel) if others.shape[1] > 1 else c[rows]
    reach = round(farthest / 2 + 1 / (kernel.bandwidth * stride))
    centre = np.rint(0.5 * (at[rows, partner] + at[rows, -1])).astype(np.intp)
    index = centre + stride * np.arange(-reach, reach + 1)[:, None]
    inside = (index >= 0) & (index < c.shape[1])
    near = np.where(inside, rest[local, np.clip(index, 0, c.shape[1] - 1)], np.float32(0))
    first, second, gain = _best_of_grid(near, r[: farthest + 1])
    pair = np.column_stack([at[rows, partner], at[rows, -1]])
    found = centre[:, None] + stride * (np.column_stack([first, second]) - reach)
    found = np.clip(found, 0, c.shape[1] - 1)
    is_better = gain > _state(rest, local, pair, kernel)[1]
    is_elsewhere = (np.abs(np.sort(pair, axis=1) - found) > 0.25 / kernel.bandwidth).any(axis=1)
    other = at[rows]
    other[local, partner], other[:, -1] = found.T
    at[rows[is_better]] = other[is_better]
    unsure = is_elsewhere & ~is_better
    return rows[unsure], other[unsure]


def _best_of_grid(near: Floats32, r: Floats32) -> tuple[Ints, Ints, Floats32]:
    """Return the two rows of correlations (points, n) that explain most together, and how much, each (n,)."""
    power, room = near**2, np.empty_like(near)
    gains = np.empty((len(r), near.shape[1]), np.float32)
    gains[:2] = 0  # as good as one echo
    for lag in range(2, len(r)):
        value = np.multiply(near[:-lag], near[lag:], out=room[lag:])
        value *= -2 * r[lag]
        value += power[:-lag]
        value += power[lag:]
        np.max(value, axis=0, out=gains[lag])
        gains[lag] /= 1 - r[lag] ** 2
    best = np.argmax(gains, axis=0)
    first = np.empty(len(best), np.intp)
    for lag in np.unique(best):
        own = np.flatnonzero(best == lag)
        one, other = near[: len(near) - lag, own], near[lag:, own]
        first[own] = np.argmax(one**2 + other**2 - 2 * r[lag] * one * other, axis=0)
    return first, first + best, gains.max(axis=0)


def misfits(kernel: Kernel, share: float | Floats, apart: float = _RESOLVED) -> Floats:
    """Least size that counts beside a stronger echo, relative to it, at every lag (2·reach + 1,).

    A pulse that differs by `share`, one for all lags or (2·reach + 1,), from the one in the trace leaves so
    much; fitted together, two echoes take up a misfit with amplitudes that swell with their overlap. Infinite
    where they are less than `apart` cycles apart, and one.
    """
    lag = np.abs(np.arange(-kernel.reach, kernel.reach + 1))
    slope = np.gradient(kernel.r) / (2 * np.pi * kernel.bandwidth)
    alike = np.minimum(kernel.r**2 + slope**2, 1.0)
    level = share / np.maximum(1 - alike, 1 / _MOST_SWELLING)
    level[lag >= kernel.length * kernel.up] = 0.0
    level[lag <= apart / kernel.bandwidth] = np.inf
    return np.asarray(level)


def _stand_out(at: Floats, amplitude: Floats, kernel: Kernel, misfit: Floats) -> Mask:
    """Whether every echo of each row (n, k) is more than the misfit of the pulse to the others."""
    is_kept = np.ones(len(at), dtype=bool)
    size = np.abs(amplitude)
    for one in range(at.shape[1]):
        for other in range(one):
            lag = np.rint(at[:, one] - at[:, other]).astype(np.intp)
            level = misfit[np.clip(lag, -kernel.reach, kernel.reach) + kernel.reach]
            larger = np.maximum(size[:, one], size[:, other])
            is_kept &= np.minimum(size[:, one], size[:, other]) > level * larger
    return is_kept


def quiet_part(c: Floats32) -> Floats32:
    """Noise (n,) from the smallest seven tenths of each row, which few echoes do not reach."""
    count = max(1, round(0.7 * c.shape[1]))
    small = np.sort(c**2, axis=1)[:, :count]
    return np.asarray(np.sqrt(small.mean(axis=1) / np.float32(_SEVEN_TENTHS)))


def stretches(rows: NDArray[Any], width: int) -> NDArray[Any]:
    """View (n, samples) as all stretches of a width, (n, samples - width + 1, width).

    NumPy's own view of this kind takes ten times as long to make, a hundredth of what a tile takes.
    """
    n, samples = rows.shape
    along, across = rows.strides
    return as_strided(rows, (n, samples - width + 1, width), (along, across, across))


def vertex(c: NDArray[Any], rows: Ints, at: Ints) -> tuple[NDArray[Any], NDArray[Any]]:
    """Crests of some rows by the parabola through three points: offset from `at` in steps, and height."""
    left, mid, right = c[rows, at - 1], c[rows, at], c[rows, at + 1]
    bend, slope = left - 2 * mid + right, (left - right) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = np.where(bend != 0, slope / bend, bend)
    offset = np.minimum(np.maximum(offset, -1), 1)
    return offset, mid - slope * offset / 2


def take_out(
    padded: Floats32, room: int, rows: Ints, echoes: tuple[NDArray[Any], NDArray[Any]], kernel: Kernel
) -> None:
    """Take an echo out of each of some rows, in place; `echoes` are when (rows,), and how large.

    `padded` are correlations with `room` points more at both ends, within which an echo is taken out.
    """
    at, amplitude = echoes
    whole = np.floor(at)
    table = kernel.shifted[:, kernel.reach - room : kernel.reach + room + 1]
    shape = table.take(np.rint((at - whole) * STEPS).astype(np.intp), axis=0)
    shape *= amplitude.astype(np.float32)[:, None]
    stretches(padded, 2 * room + 1)[rows, whole.astype(np.intp)] -= shape


def subtracted(c: NDArray[Any], at: Floats, amplitude: Floats, kernel: Kernel) -> Floats32:
    """Take echoes at `at` (n, k) out of the correlations; NaN times are left alone. Returns a new array."""
    room = kernel.reach
    rest = np.zeros((len(c), c.shape[1] + 2 * room), dtype=np.float32)
    rest[:, room:-room] = c
    for echo in range(at.shape[1]):
        # What is outside of the grid leaves nothing in it.
        rows = np.flatnonzero((at[:, echo] >= 0) & (at[:, echo] <= c.shape[1] - 1))
        take_out(rest, room, rows, (at[rows, echo], amplitude[rows, echo]), kernel)
    return rest[:, room:-room]


def _weights() -> tuple[Floats32, Floats32]:
    """Lagrange's weights of the eight neighbours, for value and derivative, at fractions 0 to 1 of a step."""
    nodes = np.arange(TAPS) - (TAPS // 2 - 1)
    matrix = np.linalg.inv(np.vander(nodes.astype(float), increasing=True))
    mu = np.linspace(0, 1, _FRACTIONS + 1)[:, None]
    power = np.arange(TAPS)
    slope = (power[1:] * mu ** power[:-1]) @ matrix[1:]
    return (mu**power @ matrix).astype(np.float32), slope.astype(np.float32)


_VALUE, _SLOPE = _weights()
_NEIGHBOURS = np.arange(TAPS)


def _interpolated(c: NDArray[Any], rows: Ints, at: Floats) -> tuple[Floats, Floats]:
    """Evaluate some rows of correlations (n, grid), and their derivative per grid step, at `at` (rows, k).

    Eight-point Lagrange, at multiples of 1/512 of a step. Times are kept inside the grid.
    """
    base = np.minimum(np.maximum(np.floor(at).astype(np.intp) - (TAPS // 2 - 1), 0), c.shape[1] - TAPS)
    part = np.rint((at - base - (TAPS // 2 - 1)) * _FRACTIONS).astype(np.intp)
    part = np.minimum(np.maximum(part, 0), _FRACTIONS)
    taken = c[rows[:, None, None], base[..., None] + _NEIGHBOURS]
    value, slope = (np.einsum("nkt,nkt->nk", taken, table[part]) for table in (_VALUE, _SLOPE))
    return value.astype(float), slope.astype(float)


def _lagged(kernel: Kernel, at: Floats) -> tuple[Floats, Floats, Floats]:
    """Read r and its two derivatives at the lags between echoes (n, k): (n, k, k) each."""
    n, k = at.shape
    out = np.zeros((3, n, k, k))
    middle = kernel.dense[:, (kernel.reach + 1) * STEPS]
    out[:, :, range(k), range(k)] = middle[:, None, None]
    for one in range(k):
        for other in range(one):
            lag = at[:, one] - at[:, other]
            step = np.minimum(
                np.maximum((lag + (kernel.reach + 1)) * STEPS, 0.0), kernel.dense.shape[1] - 2.0
            )
            low = step.astype(np.intp)
            value = kernel.dense[:, low]
            value += (step - low) * (kernel.dense[:, low + 1] - value)
            value *= np.abs(lag) < kernel.reach - 1
            out[:, :, one, other] = value
            out[:, :, other, one] = value * np.array([[1.0], [-1.0], [1.0]])
    return out[0], out[1], out[2]


def solved(c: NDArray[Any], at: Floats, kernel: Kernel) -> Floats:
    """Give the least-squares amplitudes (n, k) of echoes at `at` (n, k), in grid steps."""
    return _state(c, np.arange(len(c)), at, kernel)[0]


def _state(c: NDArray[Any], rows: Ints, at: Floats, kernel: Kernel) -> State:
    """Amplitudes (rows, k), explained energy (rows,), correlation's slope there (rows, k), and r, r', r''."""
    right, rise = _interpolated(c, rows, at)
    r, slope, bend = _lagged(kernel, at)
    amplitude = np.linalg.solve(r + _RIDGE * np.eye(at.shape[1]), right[..., None])[..., 0].astype(float)
    return amplitude, (amplitude * right).sum(axis=1), rise, r, slope, bend


def refined(c: NDArray[Any], at: Floats, kernel: Kernel) -> tuple[Floats, Floats, Floats]:
    """Move echoes jointly to the nearest least-squares optimum: Gauss-Newton with Levenberg's damping.

    Parameters
    ----------
    c
        Correlations, (n, grid).
    at
        First guess in grid steps, (n, k).

    Returns
    -------
    tuple of ndarray
        Times (n, k) in grid steps, amplitudes (n, k), explained energy (n,).
    """
    live, last, cap = np.arange(len(at)), c.shape[1] - 1.0, 0.15 / kernel.bandwidth
    now = np.rint(at * _FRACTIONS) / _FRACTIONS
    state, damping = _state(c, live, now, kernel), np.full(len(at), 1e-3)
    out = np.empty_like(now), np.empty_like(now), np.empty(len(at))
    for turn in range(_ROUNDS + 1):
        step = np.clip(_step(state, damping), -cap, cap)
        still = (np.abs(step).max(axis=1) <= _STILL) | (damping > _STUCK) | (turn == _ROUNDS)
        if still.any():
            at_rest = np.where(np.abs(step) <= _STILL, now + step, now)
            for whole, part in zip(out, (at_rest, *state[:2]), strict=True):
                whole[live[still]] = part[still]
            live, now, step, damping = (of[~still] for of in (live, now, step, damping))
            state = _chosen(~still, state)
        if not len(live):
            break
        trial = np.clip(np.rint((now + step) * _FRACTIONS) / _FRACTIONS, 0.0, last)
        new = _state(c, live, trial, kernel)
        better = new[1] > state[1]
        if better.all():
            now, state = trial, new
        else:
            now[better] = trial[better]
            for old, fresh in zip(state, new, strict=True):
                old[better] = fresh[better]
        damping = damping * np.where(better, 0.2, 10.0)
    return np.clip(out[0], 0.0, last), out[1], out[2]


def _chosen(rows: Mask, state: State) -> State:
    first, second, third, fourth, fifth, sixth = (of[rows] for of in state)
    return first, second, third, fourth, fifth, sixth


def _step(state: State, damping: Floats) -> Floats:
    """Gauss-Newton step in time (n, k), the amplitudes eliminated."""
    amplitude, _, rise, r, slope, bend = state
    unit = np.eye(amplitude.shape[1])
    # With p_k' = ∂p(n - t_k)/∂t_k: <x, p_k'> = c'(t_k), <p_j, p_k'> = -r'(t_j - t_k), <p_j', p_k'> = -r''.
    gradient = amplitude * (rise + (amplitude[:, :, None] * slope).sum(axis=1))
    cross = -slope * amplitude[:, None, :]
    block = -bend * amplitude[:, :, None] * amplitude[:, None, :]
    schur = block - np.swapaxes(cross, 1, 2) @ np.linalg.solve(r + _RIDGE * unit, cross)
    scale = np.einsum("nkk->nk", block)
    ridge = damping[:, None] * scale + 1e-12 * scale.max(axis=1, keepdims=True) + 1e-300
    step: Floats = np.linalg.solve(schur + ridge[:, :, None] * unit, gradient[..., None])[..., 0]
    return step
