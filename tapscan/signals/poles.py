"""Damped oscillations fitted to the spectrum of a batch of frames, one added at a time, all refined together.

A frame of M samples of ``Re c λⁿ`` has the transform ``½ (c G(λ) + c̄ G(λ̄))`` with ``G(λ) = (1 - λᴹ) / (1
- λ z)``, ``z = exp(-2πi k / M)``, exactly and for whatever is left of it at the end. White noise in the
samples is white in the bins, so least squares over the bins is maximum likelihood; and since an oscillation
is gathered in the bins about its own, a few of them hold nearly all that is known of it.

Each step adds the pole of what rises highest above the rest, or splits a pole beside which the rest
rises above noise, and refines all poles by Levenberg and Marquardt's method on the separable problem
(amplitudes solved for at every step: Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973; Kaufman, BIT 15, 1975;
both from memory). A pole stays when the energy that it explains cannot be noise: one chance in a hundred per
frame, for white noise.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.signals.lines import fit_line, line_bins

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MOST_DAMPED", "Poles", "fit_poles", "is_dull"]

_WINDOW_BINS, _WINDOW_WIDTHS = (
    8,
    6.0,
)  # a pole is read from this many bins plus so many half widths on each side
_LARGEST_WINDOW = 256
_SCALES = ((1, 12.4), (5, 4.4), (17, 2.6))  # bins averaged, and the mean that noise exceeds once in 240 000
_PROVEN = 18.0  # energy explained over noise: four free numbers, thousands of places, one chance in a hundred
MOST_DAMPED = 0.2
_CLEANEST = 1e-9  # noise power in a bin over all power: nothing is searched for 90 dB down
_ROUGH = 1e-2
_ROUGH_STEPS, _FINE_STEPS = 12, 40


@dataclass(frozen=True, slots=True, eq=False)
class Poles:
    """Poles of a batch of frames, NaN where there is none.

    `log_pole` and `amplitude`, both complex, shape ``(n, poles)``: the frame holds the sum of
    ``Re(amplitude * exp(log_pole * sample))``. `noise` is the mean square of the rest per sample, shape
    ``(n,)``.
    """

    log_pole: "NDArray[np.complex128]"
    amplitude: "NDArray[np.complex128]"
    noise: "NDArray[np.float64]"


def fit_poles(
    frames: "NDArray[np.float64]",
    most: int,
    lowest_bin: int,
    begin: "NDArray[np.complex128] | None" = None,
    tolerance: float = 1e-9,
) -> Poles:
    """Fit up to `most` damped oscillations to every frame; each frame by itself.

    Parameters
    ----------
    frames
        Shape ``(n, samples)``, finite.
    most
        Largest number of poles.
    lowest_bin
        First bin in which a pole is looked for.
    begin
        Poles to begin with, shape ``(n, most)`` or wider, NaN after the last; none when None.
    tolerance
        Gain, in units of the noise in a bin, at which the refinement stops.

    Returns
    -------
    Poles
        Shape ``(n, most)`` or that of `begin`, in no particular order.

    Examples
    --------
    >>> n = np.arange(1024)
    >>> x = np.exp(-0.01 * n) * np.cos(0.5 * n) + 0.3 * np.exp(-0.02 * n) * np.cos(0.9 * n)
    >>> fit_poles(x[None], 2, 4).log_pole.round(6)
    array([[-0.01+0.5j, -0.02+0.9j]])
    """
    n, n_samples = frames.shape
    spectrum = np.fft.rfft(frames, axis=1)
    pole = np.full((n, most), np.nan, dtype=complex) if begin is None else begin.copy()
    amplitude = np.full_like(pole, np.nan)
    rest = spectrum.copy()
    growing = np.ones(n, dtype=bool)
    for held in range(most):
        active = np.flatnonzero(growing & (_count(pole) == held))
        if not active.size:
            continue
        growing[active] &= ~is_dull(pole[active])
        active = active[growing[active]]
        if held and active.size:
            _settle(spectrum, rest, pole, amplitude, active, n_samples)
        if not active.size:
            continue
        floor = _noise_floor(rest[active], lowest_bin)
        if (
            not held
        ):  # the one broad mode of a short tap fills most of the spectrum: its quietest part is the noise
            floor = np.repeat(floor[:, lowest_bin:].min(axis=1, keepdims=True), floor.shape[1], axis=1)
        start, found = _next_pole(rest[active], floor, lowest_bin, n_samples)
        growing[active[~found]] = False
        active, start, floor = active[found], start[found], floor[found]
        if active.size:
            grown, proven = _grow(spectrum[active], pole[active, :held], start, floor, n_samples)
            growing[active[~proven]] = False
            pole[active[proven], : held + 1] = grown[proven]
            growing[active] &= ~is_dull(grown)
    for held in range(1, pole.shape[1] + 1):
        rows = np.flatnonzero(_count(pole) == held)
        if rows.size:
            level = _local_floor(_noise_floor(rest[rows], lowest_bin), pole[rows, :held], n_samples)
            pole[rows, :held] = _refine(spectrum[rows], pole[rows, :held], level, n_samples, tolerance)
            _settle(spectrum, rest, pole, amplitude, rows, n_samples)
    power = rest.real**2 + rest.imag**2
    noise = np.median(power[:, lowest_bin:], axis=1) / np.log(2) / n_samples
    return Poles(pole, amplitude, noise)


def is_dull(pole: "NDArray[np.complex128]") -> "NDArray[np.bool_]":
    """Find rows with a pole damped beyond what rings: they hold something else than modes.

    Examples
    --------
    >>> is_dull(np.array([[-0.01 + 0.4j, np.nan], [-0.3 + 0.4j, np.nan]]))
    array([False,  True])
    """
    return np.asarray((-pole.real > MOST_DAMPED * np.abs(pole)).any(axis=1))


def _count(pole: "NDArray[np.complex128]") -> "NDArray[np.intp]":
    return np.asarray(np.isfinite(pole).sum(axis=1))


def _settle(
    spectrum: "NDArray[np.complex128]",
    rest: "NDArray[np.complex128]",
    pole: "NDArray[np.complex128]",
    amplitude: "NDArray[np.complex128]",
    rows: "NDArray[np.intp]",
    n_samples: int,
) -> None:
    """Fill in the amplitudes of these rows' poles, all of the same number, and what they leave."""
    held = int(np.isfinite(pole[rows[0]]).sum())
    amplitude[rows, :held] = _amplitudes(spectrum[rows], pole[rows, :held], n_samples)
    rest[rows] = spectrum[rows] - _model(pole[rows, :held], amplitude[rows, :held], n_samples)


def _noise_floor(rest: "NDArray[np.complex128]", lowest_bin: int) -> "NDArray[np.float64]":
    """Estimate the noise power in every bin from the medians of stretches of the spectrum."""
    power = rest.real**2 + rest.imag**2
    n, bins = power.shape
    stretch = min(64, max(bins - lowest_bin, 1))
    count = max((bins - lowest_bin) // stretch, 1)
    usable = power[:, lowest_bin : lowest_bin + count * stretch].reshape(n, count, -1)
    level = np.median(usable, axis=2) / np.log(2)
    overall = np.median(level, axis=1, keepdims=True)
    level = np.minimum(level, 4 * overall)  # noise is coloured, but a broad mode is no noise
    level = np.maximum(level, _CLEANEST * power.sum(axis=1, keepdims=True) + 1e-300)
    centre = lowest_bin + (np.arange(count) + 0.5) * stretch
    place = ((np.arange(bins) - centre[0]) / stretch).clip(0, count - 1)
    low = np.minimum(place.astype(np.intp), max(count - 2, 0))
    share = place - low
    high = np.minimum(low + 1, count - 1)
    return np.asarray(level[:, low] * (1 - share) + level[:, high] * share)


def _next_pole(
    rest: "NDArray[np.complex128]", floor: "NDArray[np.float64]", lowest_bin: int, n_samples: int
) -> "tuple[NDArray[np.complex128], NDArray[np.bool_]]":
    """Pole of what rises highest above the noise at any of three widths, and whether anything does."""
    power = rest.real**2 + rest.imag**2
    power[:, :lowest_bin] = 0
    best = np.zeros(len(rest))
    peak = np.full(len(rest), lowest_bin)
    width = np.ones(len(rest), dtype=np.intp)
    for bins, limit in _SCALES:
        ratio = _moving_mean(power / floor, bins) / limit
        at = np.argmax(ratio, axis=1)
        height = np.take_along_axis(ratio, at[:, None], axis=1)[:, 0]
        # A narrow line also shows in a broad mean: the broad one is taken only where it says clearly more.
        wins = height > best * (1.0 if bins == 1 else 1.5)
        best, peak, width = (
            np.where(wins, height, best),
            np.where(wins, at, peak),
            np.where(wins, bins, width),
        )
    line = fit_line(line_bins(rest, peak), peak, n_samples, width)
    guess = -width * np.pi / n_samples + 2j * np.pi * peak / n_samples
    return np.where(np.isfinite(line), line, guess), best > 1.0


def _moving_mean(values: "NDArray[np.float64]", width: int) -> "NDArray[np.float64]":
    """Mean over `width` values about each, fewer at the ends."""
    if width == 1:
        return values
    half = width // 2
    total = np.zeros((len(values), values.shape[1] + width))
    np.cumsum(values, axis=1, out=total[:, half + 1 : half + 1 + values.shape[1]])
    total[:, half + 1 + values.shape[1] :] = total[:, half + values.shape[1], None]
    return np.asarray((total[:, width:] - total[:, :-width]) / width)


def _grow(
    spectrum: "NDArray[np.complex128]",
    held: "NDArray[np.complex128]",
    start: "NDArray[np.complex128]",
    floor: "NDArray[np.float64]",
    n_samples: int,
) -> "tuple[NDArray[np.complex128], NDArray[np.bool_]]":
    """Add a pole to those held, from every sensible start; say which additions are proven.

    Returns the best set of poles, shape ``(n, held + 1)``, and a flag per row.
    """
    count = held.shape[1]
    wider = np.concatenate([held, start[:, None]], axis=1)
    level = _local_floor(floor, wider, n_samples)
    best = _refine(spectrum, wider, level, n_samples, _ROUGH)
    if count:
        best = _try_splits(spectrum, held, start, best, level, n_samples)
        problem = _read(spectrum, best, level, n_samples)
        before = _cost(problem, held)
        after = _cost(problem, best)
    else:
        problem = _read(spectrum, best, level, n_samples)
        before = np.einsum("nk,nk->n", problem.value.real, problem.value.real)
        before = before + np.einsum("nk,nk->n", problem.value.imag, problem.value.imag)
        after = _cost(problem, best)
    return best, before - after > _PROVEN


def _try_splits(
    spectrum: "NDArray[np.complex128]",
    held: "NDArray[np.complex128]",
    start: "NDArray[np.complex128]",
    best: "NDArray[np.complex128]",
    level: "NDArray[np.float64]",
    n_samples: int,
) -> "NDArray[np.complex128]":
    """Where the new pole is at a held one, try that one split in two as well and keep what fits better."""
    n = len(held)
    gap = np.abs(held.imag - start.imag[:, None])
    reach = 4 * np.maximum(-held.real, -start.real[:, None]) + 6 * np.pi / n_samples
    nearest = np.argmin(gap / reach, axis=1)
    row = np.arange(n)
    near = np.flatnonzero(gap[row, nearest] < reach[row, nearest])
    if not near.size:
        return best
    best = best.copy()
    problem = _read(spectrum[near], best[near], level[near], n_samples)
    lowest = _cost(problem, best[near])
    at = nearest[near]
    index = np.arange(len(near))
    for spread, damping in ((0.7, 0.7), (1.5, 1.0)):
        trial = np.concatenate([held[near], start[near, None]], axis=1)
        middle = held[near][index, at]
        step = np.maximum(-middle.real, np.pi / n_samples) * spread
        trial[index, at] = damping * middle.real + 1j * (middle.imag - step)
        trial[:, -1] = damping * middle.real + 1j * (middle.imag + step)
        trial = _refine(spectrum[near], trial, level[near], n_samples, _ROUGH)
        cost = _cost(problem, trial)
        wins = cost < lowest
        best[near[wins]] = trial[wins]
        lowest = np.where(wins, cost, lowest)
    return best


def _local_floor(
    floor: "NDArray[np.float64]", pole: "NDArray[np.complex128]", n_samples: int
) -> "NDArray[np.float64]":
    """Noise power about every pole, shape like `pole`."""
    bins = np.rint(pole.imag * n_samples / (2 * np.pi)).clip(0, floor.shape[1] - 1).astype(np.intp)
    return np.asarray(np.take_along_axis(floor, bins, axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """The bins that a set of poles is read from, shape ``(n, bins)``, in units of the noise there."""

    value: "NDArray[np.complex128]"
    turn: "NDArray[np.complex128]"
    scale: "NDArray[np.float64]"  # 1 / noise amplitude, zero where a bin does not count
    n_samples: int

    def rows(self, index: "NDArray[np.intp]") -> "_Problem":
        return _Problem(self.value[index], self.turn[index], self.scale[index], self.n_samples)


def _read(
    spectrum: "NDArray[np.complex128]",
    pole: "NDArray[np.complex128]",
    level: "NDArray[np.float64]",
    n_samples: int,
) -> _Problem:
    """Pick the bins about every pole; a bin that two poles share counts once."""
    centre, half = _windows(pole, n_samples)
    widest = int(_rung(half.max(axis=1)).max())
    bins = centre[:, :, None] + np.arange(-widest, widest + 1)
    use = np.abs(bins - centre[:, :, None]) <= half[:, :, None]
    use &= (bins >= 1) & (bins < (n_samples + 1) // 2)
    for j in range(1, pole.shape[1]):
        for i in range(j):
            use[:, j] &= np.abs(bins[:, j] - centre[:, i, None]) > half[:, i, None]
    n = len(pole)
    scale = (use / np.sqrt(level)[:, :, None]).reshape(n, -1)
    bins = bins.clip(0, spectrum.shape[1] - 1).reshape(n, -1)
    value = np.take_along_axis(spectrum, bins, axis=1) * scale
    return _Problem(value, np.exp(-2j * np.pi / n_samples * bins), scale, n_samples)


def _windows(pole: "NDArray[np.complex128]", n_samples: int) -> "tuple[NDArray[np.intp], NDArray[np.intp]]":
    """Centre bin of every pole and how many bins on each side it is read from."""
    centre = np.rint(pole.imag * n_samples / (2 * np.pi)).astype(np.intp)
    half_width = np.abs(pole.real) * n_samples / (2 * np.pi)
    half = _WINDOW_BINS + np.ceil(_WINDOW_WIDTHS * half_width).clip(0, _LARGEST_WINDOW - _WINDOW_BINS)
    return centre, half.astype(np.intp)


def _rung(half: "NDArray[np.intp]") -> "NDArray[np.intp]":
    """Round a window up to 16 times a power of two, so that rows of like need are worked together."""
    return np.asarray(16 * 2 ** np.ceil(np.log2(np.maximum(half, 16) / 16)).astype(np.intp))


def _basis(
    problem: _Problem, pole: "NDArray[np.complex128]"
) -> "tuple[NDArray[np.complex128], NDArray[np.complex128]]":
    """Scaled G(λ) and dG/dlogλ at the poles and their conjugates, shape ``(n, 2 * poles, bins)`` each."""
    both = np.concatenate([pole, pole.conj()], axis=1)[:, :, None]
    turned = np.exp(both) * problem.turn[:, None, :]
    left = np.exp(problem.n_samples * both)
    inverse = 1 / (1 - turned)
    scaled = inverse * problem.scale[:, None, :]
    value = (1 - left) * scaled
    return value, value * turned * inverse - problem.n_samples * left * scaled


def _as_real(
    value: "NDArray[np.complex128]", factor: "NDArray[np.complex128] | None" = None
) -> "NDArray[np.float64]":
    """Give columns for the two parts of each amplitude, or of each pole when its amplitude is given.

    Shape ``(n, 2 * poles, 2 * bins)``: real parts of the bins, then imaginary ones.
    """
    count = value.shape[1] // 2
    direct, mirrored = value[:, :count], value[:, count:]
    if factor is not None:
        direct, mirrored = direct * factor[:, :, None], mirrored * factor.conj()[:, :, None]
    columns = np.concatenate([0.5 * (direct + mirrored), 0.5j * (direct - mirrored)], axis=1)
    return np.concatenate([columns.real, columns.imag], axis=2)


def _solve(gram: "NDArray[np.float64]", right: "NDArray[np.float64]") -> "NDArray[np.float64]":
    """Solve scaled normal equations; a trace of a ridge keeps two poles in one place from being singular."""
    size = np.sqrt(np.einsum("nii->ni", gram)).clip(1e-150)
    scaled = gram / size[:, :, None] / size[:, None, :]
    scaled = scaled + 1e-13 * np.eye(gram.shape[1])
    return np.asarray(np.linalg.solve(scaled, (right / size)[:, :, None])[:, :, 0] / size)


def _linear(
    problem: _Problem, value: "NDArray[np.complex128]"
) -> "tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.float64]]":
    """Amplitude columns, best amplitudes and what they leave, for the poles behind `value`."""
    columns = _as_real(value)
    target = np.concatenate([problem.value.real, problem.value.imag], axis=1)
    gram = columns @ columns.transpose(0, 2, 1)
    parts = _solve(gram, (columns @ target[:, :, None])[:, :, 0])
    left = target - (parts[:, None, :] @ columns)[:, 0]
    count = parts.shape[1] // 2
    return columns, parts[:, :count] + 1j * parts[:, count:], left


def _cost(problem: _Problem, pole: "NDArray[np.complex128]") -> "NDArray[np.float64]":
    """Energy that the poles leave, in units of the noise."""
    value, _ = _basis(problem, pole)
    left = _linear(problem, value)[2]
    return np.asarray(np.einsum("nk,nk->n", left, left))


def _refine(
    spectrum: "NDArray[np.complex128]",
    pole: "NDArray[np.complex128]",
    level: "NDArray[np.float64]",
    n_samples: int,
    tolerance: float,
) -> "NDArray[np.complex128]":
    """Least squares from the given start, rows of like window together."""
    refined = pole.copy()
    rung = _rung(_windows(pole, n_samples)[1].max(axis=1))
    for size in np.unique(rung):
        rows = np.flatnonzero(rung == size)
        at_once = max(1, 40_000 // (int(size) * pole.shape[1] ** 2))
        for first in range(0, len(rows), at_once):
            part = rows[first : first + at_once]
            problem = _read(spectrum[part], pole[part], level[part], n_samples)
            refined[part] = _descend(problem, pole[part], tolerance)
    return refined


def _descend(problem: _Problem, pole: "NDArray[np.complex128]", tolerance: float) -> "NDArray[np.complex128]":
    """Levenberg-Marquardt on the poles, each row with its own damping, until a step gains next to nothing."""
    pole = pole.copy()
    n = len(pole)
    damping = np.full(n, 1e-2)
    cost = np.full(n, np.inf)
    held = pole.copy()
    step = np.zeros_like(pole)
    active = np.arange(n)
    for _ in range(_FINE_STEPS if tolerance < _ROUGH else _ROUGH_STEPS):
        part = problem.rows(active)
        trial = _bounded(held[active] + step[active])
        new_cost, new_step, gain = _step(part, trial, damping[active])
        better = new_cost <= cost[active]
        up, down = active[better], active[~better]
        held[up], cost[up], step[up] = trial[better], new_cost[better], new_step[better]
        damping[up] = np.maximum(damping[up] * 0.1, 1e-7)
        step[down] *= 0.25
        damping[down] = np.minimum(damping[down] * 10, 1e3)
        small = np.abs(step[down]).max(axis=1, initial=0.0) < 1e-9
        over = np.concatenate([up[gain[better] < tolerance + 1e-14 * cost[up]], down[small]])
        active = np.setdiff1d(active, over)
        if not active.size:
            break
    return held


def _bounded(pole: "NDArray[np.complex128]") -> "NDArray[np.complex128]":
    """Keep poles decaying and between zero frequency and Nyquist."""
    return np.asarray((-pole.real).clip(1e-9, 1.0) * -1 + 1j * pole.imag.clip(1e-4, np.pi - 1e-4))


def _step(
    problem: _Problem, pole: "NDArray[np.complex128]", damping: "NDArray[np.float64]"
) -> "tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.float64]]":
    """Cost at the poles, the next step from there, and the gain that it promises."""
    value, slope = _basis(problem, pole)
    columns, amplitude, left = _linear(problem, value)
    cost = np.einsum("nk,nk->n", left, left)
    everything = np.concatenate([columns, _as_real(slope, amplitude)], axis=1)
    gram = everything @ everything.transpose(0, 2, 1)
    right = (everything @ left[:, :, None])[:, :, 0]
    count = pole.shape[1]
    diagonal = np.arange(2 * count, 4 * count)
    gram[:, diagonal, diagonal] *= 1 + damping[:, None]
    change = _solve(gram, right)
    gain = np.einsum("nk,nk->n", change, right)
    step = change[:, 2 * count : 3 * count] + 1j * change[:, 3 * count :]
    return cost, step, gain


def _amplitudes(
    spectrum: "NDArray[np.complex128]", pole: "NDArray[np.complex128]", n_samples: int
) -> "NDArray[np.complex128]":
    if not len(pole):
        return pole
    out = np.empty_like(pole)
    rung = _rung(_windows(pole, n_samples)[1].max(axis=1))
    for size in np.unique(rung):
        rows = np.flatnonzero(rung == size)
        problem = _read(spectrum[rows], pole[rows], np.ones(pole[rows].shape), n_samples)
        out[rows] = _linear(problem, _basis(problem, pole[rows])[0])[1]
    return out


def _model(
    pole: "NDArray[np.complex128]", amplitude: "NDArray[np.complex128]", n_samples: int
) -> "NDArray[np.complex128]":
    """Transform of the oscillations, every bin."""
    turn = np.exp(-2j * np.pi / n_samples * np.arange(n_samples // 2 + 1))
    total = np.zeros((len(pole), len(turn)), dtype=complex)
    for i in range(pole.shape[1]):
        for root, size in ((pole[:, i], amplitude[:, i]), (pole[:, i].conj(), amplitude[:, i].conj())):
            weight = 0.5 * size * (1 - np.exp(n_samples * root))
            total += weight[:, None] / (1 - np.exp(root)[:, None] * turn)
    return total
