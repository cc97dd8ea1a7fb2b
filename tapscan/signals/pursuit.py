"""Fitting shifted copies of one pulse to many traces at once, through their cross-correlation alone.

With a known pulse p and white noise, everything that least squares needs of a trace x is its correlation
with the pulse, c(t) = Σ x(n) p(n − t), and of the pulse its autocorrelation r: the model Σ aₖ p(n − tₖ)
explains the energy 2 aᵀc − aᵀR a, R_jk = r(tⱼ − tₖ). Both are band-limited, so a few samples about tₖ give
them anywhere between samples. One transform per trace, and every further step of the fit costs the same few
dozen operations however long it is.

Matched filter and maximum likelihood: Kay, Fundamentals of Statistical Signal Processing I (1993), section
3.11 (from memory). Orthogonal matching pursuit: Pati, Rezaiifar and Krishnaprasad (1993) (from memory).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

__all__ = [
    "STEPS",
    "Kernel",
    "correlate",
    "correlate_whole",
    "interpolated",
    "likeness",
    "make_kernel",
    "refined",
    "solve",
    "subtracted",
]

Floats = NDArray[np.float64]

STEPS = 64  # fractions of a grid step at which the autocorrelation is tabulated
_FRACTIONS = 512  # fractions of a grid step at which the weights of the polynomial below are tabulated
_TAPS = 8  # points of the local polynomial between grid samples
_PER_CYCLE = 8.0  # grid samples per cycle of the highest frequency that matters: error below 1e-4 of r there
_BAND_FLOOR = 1e-7  # relative power below which the pulse is taken to carry nothing
_TOP_FLOOR = 0.003  # relative power at the highest frequency that matters for reading between grid points
_LOW_END = 0.1  # of the root-mean-square frequency: what lies below is offset and drift
_STILL = 1e-4  # grid steps below which nothing moves any more
_RIDGE = 1e-9  # keeps two echoes at one time solvable
_SUPPORT_FLOOR = 3e-4  # fraction of the root energy that may lie outside the pulse's counted length


@dataclass(frozen=True, slots=True, eq=False)
class Kernel:
    """A pulse made ready for traces of one length.

    Grid points lie `up` to a sample; grid point 0 is `lead` samples before the trace's first. `filter`
    (frequencies,) turns a trace's spectrum into its correlation on the grid, scaled so that r(0) = 1: a
    correlation is then an amplitude in units of the pulse's root energy. `r` (2·reach + 1,) is the
    autocorrelation, lag 0 in the middle; `shifted` (steps + 1, 2·reach + 1)
    is r for an echo that sits a fraction of a grid step late. `bandwidth` is the root-mean-square frequency
    in cycles per grid step. `grid` counts the times at which the whole pulse lies inside the trace. `dense`
    (3, points) holds r and its two derivatives per grid step at every fraction that `shifted` knows.
    """

    samples: int
    lead: int
    size: int
    up: int
    length: int
    grid: int
    filter: NDArray[np.complex128]
    energy: float
    reach: int
    r: Floats
    shifted: Floats
    dense: Floats
    bandwidth: float


def make_kernel(
    pulse: Floats,
    samples: int,
    lead: int = 0,
    top_floor: float = _TOP_FLOOR,
    support_floor: float = _SUPPORT_FLOOR,
) -> Kernel:
    """Prepare a pulse for traces of a length.

    Parameters
    ----------
    pulse
        Shape (length,), finite, not all zero.
    samples
        Length of the traces.
    lead
        How many samples before the trace an echo may begin.
    top_floor
        Relative power at the highest frequency that matters for reading between grid points.
    support_floor
        Fraction of the root energy that the end of the trace may cut off an echo.
    """
    length, needed = _support(pulse, _SUPPORT_FLOOR), _support(pulse, support_floor)
    size = fft.next_fast_len(samples + lead, real=True)
    fine = fft.next_fast_len(4 * length + 4 * _TAPS, real=True)
    spectrum, power = fft.rfft(pulse[:length], size), np.abs(fft.rfft(pulse[:length], fine)) ** 2
    strongest = power.max()
    frequency = np.arange(len(power)) / fine
    top = float(frequency[power > top_floor * strongest].max())
    up = int(2 ** max(0, np.ceil(np.log2(_PER_CYCLE * max(top, 1e-9)))))
    low = _LOW_END * float(np.sqrt((power * frequency**2).sum() / power.sum()))
    power = np.where((power > _BAND_FLOOR * strongest) & (frequency >= low), power, 0.0)
    weight = np.full(len(power), 2.0)
    weight[0] = 1.0
    if fine % 2 == 0:
        weight[-1] = 1.0
    energy = float((weight * power).sum() / fine)
    rate = 2j * np.pi * frequency / up
    reach = min(length * up + _TAPS, fine * up // 2 - 1)
    late = np.exp(-rate * (np.arange(STEPS + 1) / STEPS)[:, None])
    shifted = [_lag_table(power * rate**k / energy * late, fine, up, reach) for k in range(3)]
    kept = (np.abs(spectrum) ** 2 > _BAND_FLOOR * strongest) & (np.arange(len(spectrum)) >= low * size)
    lag = np.exp(-2j * np.pi * np.arange(len(spectrum)) / size * lead)
    return Kernel(
        samples=samples,
        lead=lead,
        size=size,
        up=up,
        length=length,
        grid=max(0, (samples + lead - needed) * up + 1),
        filter=np.where(kept, np.conj(spectrum) * lag, 0.0) / np.sqrt(energy),
        energy=energy,
        reach=reach,
        r=shifted[0][0],
        shifted=shifted[0],
        # An echo that sits s steps late reads r(lag - s): the rows in reverse run forward in time.
        dense=np.stack([table[-1:0:-1].T.ravel() for table in shifted]),
        bandwidth=float(np.sqrt((weight * power * frequency**2).sum() / (weight * power).sum()) / up),
    )


def _support(pulse: Floats, floor: float) -> int:
    """Count the samples from the first on that hold all but a fraction of the root energy."""
    tail = np.sqrt(np.cumsum(pulse[::-1] ** 2)[::-1] / np.sum(pulse**2))
    return int(np.flatnonzero(tail > floor)[-1]) + 1


def _lag_table(spectrum: NDArray[Any], size: int, up: int, reach: int) -> Floats:
    """Turn a spectrum into a function of lag, −reach to reach."""
    full = fft.irfft(spectrum, size * up, axis=-1) * up
    return np.concatenate([full[..., -reach:], full[..., : reach + 1]], axis=-1)


def correlate(traces: NDArray[Any], kernel: Kernel) -> NDArray[Any]:
    """Correlate traces (n, samples) with the pulse: (n, grid), in the traces' precision, r(0) = 1."""
    return correlate_whole(traces, kernel)[:, : kernel.grid]


def correlate_whole(traces: NDArray[Any], kernel: Kernel) -> NDArray[Any]:
    """Correlate as `correlate` does, with zeros behind the grid that make rows one stretch of memory."""
    spectrum = fft.rfft(traces, kernel.size, axis=1)
    scale = kernel.up
    spectrum *= (kernel.filter * scale).astype(spectrum.dtype)
    whole: NDArray[Any] = fft.irfft(spectrum, kernel.size * kernel.up, axis=1, overwrite_x=True)
    whole[:, kernel.grid :] = 0
    return whole


def _weights() -> tuple[Floats, Floats]:
    """Lagrange's weights of the eight neighbours, for value and derivative, at fractions 0 to 1 of a step."""
    nodes = np.arange(_TAPS) - (_TAPS // 2 - 1)
    matrix = np.linalg.inv(np.vander(nodes.astype(float), increasing=True))
    mu = np.linspace(0, 1, _FRACTIONS + 1)[:, None]
    power = np.arange(_TAPS)
    return mu**power @ matrix, (power[1:] * mu ** power[:-1]) @ matrix[1:]


_VALUE, _SLOPE = _weights()
_NEIGHBOURS = np.arange(_TAPS)


def interpolated(c: NDArray[Any], rows: NDArray[np.intp], at: Floats) -> tuple[Floats, Floats]:
    """Evaluate some rows of correlations (n, grid), and their derivative per grid step, at `at` (rows, k).

    Eight-point Lagrange. Times are held inside the grid, where the outermost are read a little less exactly.
    """
    base = np.minimum(np.maximum(np.floor(at).astype(np.intp) - (_TAPS // 2 - 1), 0), c.shape[1] - _TAPS)
    step = np.minimum(np.maximum(at - base - (_TAPS // 2 - 1), 0.0), 1.0) * _FRACTIONS
    low = np.minimum(step.astype(np.intp), _FRACTIONS - 1)
    part = (step - low)[..., None]
    taken = c[rows[:, None, None], base[..., None] + _NEIGHBOURS]
    pair = []
    for table in (_VALUE, _SLOPE):
        weights = table[low]
        weights += part * (table[low + 1] - weights)
        weights *= taken
        pair.append(weights.sum(axis=-1))
    return pair[0], pair[1]


def _lagged(kernel: Kernel, lag: Floats, orders: int) -> Floats:
    """Read r, and its derivatives when `orders` is 3, at any lag: (orders, ...); 0 out of reach."""
    step = np.minimum(np.maximum((lag + (kernel.reach + 1)) * STEPS, 0.0), kernel.dense.shape[1] - 2.0)
    low = step.astype(np.intp)
    tables = kernel.dense[:orders]
    value: Floats = tables[:, low]
    value = value + (step - low) * (tables[:, low + 1] - value)
    return np.where(np.abs(lag) < kernel.reach - 1, value, 0.0)


def likeness(kernel: Kernel, lag: Floats) -> Floats:
    """Return the autocorrelation's squared envelope at lags in grid steps: 1 where two echoes are one."""
    r, slope, _ = _lagged(kernel, lag, 3)
    return np.asarray(np.minimum(r**2 + (slope / (2 * np.pi * kernel.bandwidth)) ** 2, 1.0))


def solve(c: NDArray[Any], at: Floats, kernel: Kernel) -> tuple[Floats, Floats]:
    """Best amplitudes (n, k) for echoes at `at` (n, k), and the energy (n,) they explain."""
    state = _state(c, np.arange(len(c)), at, kernel)
    return state[0], state[1]


def _state(
    c: NDArray[Any], rows: NDArray[np.intp], at: Floats, kernel: Kernel
) -> tuple[Floats, Floats, Floats, Floats]:
    """Amplitudes (rows, k), explained energy (rows,), correlation's slope there (rows, k), and r, r', r''."""
    right, rise = interpolated(c, rows, at)
    lagged = _lagged(kernel, at[:, :, None] - at[:, None, :], 3)
    amplitude = np.linalg.solve(lagged[0] + _RIDGE * np.eye(at.shape[1]), right[..., None])[..., 0]
    return amplitude, (amplitude * right).sum(axis=1), rise, lagged


def refined(
    c: NDArray[Any], at: Floats, kernel: Kernel, rounds: int = 12, still: float = _STILL
) -> tuple[Floats, Floats, Floats]:
    """Move echoes jointly to the nearest least-squares optimum: Gauss-Newton with Levenberg's damping.

    Parameters
    ----------
    c
        Correlations, (n, grid).
    at
        First guess in grid steps, (n, k).
    rounds
        Most steps.
    still
        Grid steps below which nothing moves any more.

    Returns
    -------
    tuple of ndarray
        Times (n, k) in grid steps, amplitudes (n, k), explained energy (n,).
    """
    live = np.arange(len(at))
    at = at.astype(float)
    state = _state(c, live, at, kernel)
    damping = np.full(len(at), 1e-3)
    cap = 0.15 / kernel.bandwidth
    for _ in range(rounds):
        step = _step(state[0][live], state[2][live], state[3][:, live], damping[live])
        step = np.minimum(np.maximum(step, -cap), cap)
        trial = np.minimum(np.maximum(at[live] + step, 0.0), kernel.grid - 1.0)
        new = _state(c, live, trial, kernel)
        better = new[1] >= state[1][live]
        won = live[better]
        at[won] = trial[better]
        for old, fresh in zip(state[:3], new[:3], strict=True):
            old[won] = fresh[better]
        state[3][:, won] = new[3][:, better]
        damping[live] *= np.where(better, 0.2, 10.0)
        live = live[(np.abs(step).max(axis=1) > still) & (damping[live] < 1e6)]
        if not len(live):
            break
    return at, state[0], state[1]


def _step(amplitude: Floats, rise: Floats, lagged: Floats, damping: Floats) -> Floats:
    """Gauss-Newton step in time (n, k), the amplitudes eliminated."""
    r, slope, bend = lagged
    unit = np.eye(amplitude.shape[1])
    # With p_k' = ∂p(n − t_k)/∂t_k: <x, p_k'> = c'(t_k), <p_j, p_k'> = −r'(t_j − t_k), <p_j', p_k'> = −r''.
    gradient = amplitude * (rise + (amplitude[:, :, None] * slope).sum(axis=1))
    cross = -slope * amplitude[:, None, :]
    block = -bend * amplitude[:, :, None] * amplitude[:, None, :]
    schur = block - np.swapaxes(cross, 1, 2) @ np.linalg.solve(r + _RIDGE * unit, cross)
    scale = np.einsum("nkk->nk", block)
    ridge = damping[:, None] * scale + 1e-12 * scale.max(axis=1, keepdims=True) + 1e-300
    step: Floats = np.linalg.solve(schur + ridge[:, :, None] * unit, gradient[..., None])[..., 0]
    return step


def subtracted(c: NDArray[Any], at: Floats, amplitude: Floats, kernel: Kernel) -> NDArray[Any]:
    """Take echoes at `at` (n, k) out of the correlations; NaN times are left alone. Returns a new array."""
    n, grid = c.shape
    pad = 2 * kernel.reach + 2
    out = np.zeros((n, grid + 2 * pad), dtype=c.dtype)
    out[:, pad : pad + grid] = c
    view = np.lib.stride_tricks.sliding_window_view(out, 2 * kernel.reach + 1, axis=1, writeable=True)
    for echo in range(at.shape[1]):
        rows = np.flatnonzero(np.isfinite(at[:, echo]))
        time = at[rows, echo]
        whole = np.floor(time).astype(np.intp)
        step = (time - whole) * STEPS
        low = np.minimum(step.astype(np.intp), STEPS - 1)
        part = (step - low)[:, None]
        shape = kernel.shifted[low] * (1 - part) + kernel.shifted[low + 1] * part
        view[rows, whole + pad - kernel.reach] -= (amplitude[rows, echo][:, None] * shape).astype(c.dtype)
    return out[:, pad : pad + grid]
