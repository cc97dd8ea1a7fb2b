"""Least squares on poles in the spectra of a batch of frames, read from the bins about them.

The separable problem is solved by Levenberg and Marquardt's method, with the amplitudes solved for at every
step (Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973; Kaufman, BIT 15, 1975; both from memory). Poles,
``log λ`` per sample, have shape ``(n, poles)``, spectra ``(n, bins)`` of frames of `n_samples`.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["ROUGH", "Problem", "amplitudes_at", "energy_left", "read_bins", "refine", "spectra_of"]

_WINDOW_BINS, _WINDOW_WIDTHS = 8, 6.0  # a pole is read from so many bins and half widths on each side
_LARGEST_WINDOW = 256
ROUGH = 1e-2  # a tolerance that shows which start is best
_ROUGH_STEPS, _FINE_STEPS = 12, 40


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """The bins that a set of poles is read from, shape ``(n, bins)``, in units of the noise there."""

    value: "NDArray[np.complex128]"
    turn: "NDArray[np.complex128]"
    scale: "NDArray[np.float64]"  # 1 / noise amplitude, zero where a bin does not count
    n_samples: int

    def rows(self, index: "NDArray[np.intp]") -> "Problem":
        """Take these frames alone."""
        return Problem(self.value[index], self.turn[index], self.scale[index], self.n_samples)


def read_bins(
    spectrum: "NDArray[np.complex128]",
    pole: "NDArray[np.complex128]",
    level: "NDArray[np.float64]",
    n_samples: int,
) -> Problem:
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
    return Problem(value, np.exp(-2j * np.pi / n_samples * bins), scale, n_samples)


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
    problem: Problem, pole: "NDArray[np.complex128]"
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
    problem: Problem, value: "NDArray[np.complex128]"
) -> "tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.float64]]":
    """Amplitude columns, best amplitudes and what they leave, for the poles behind `value`."""
    columns = _as_real(value)
    target = np.concatenate([problem.value.real, problem.value.imag], axis=1)
    gram = columns @ columns.transpose(0, 2, 1)
    parts = _solve(gram, (columns @ target[:, :, None])[:, :, 0])
    left = target - (parts[:, None, :] @ columns)[:, 0]
    count = parts.shape[1] // 2
    return columns, parts[:, :count] + 1j * parts[:, count:], left


def energy_left(problem: Problem, pole: "NDArray[np.complex128]") -> "NDArray[np.float64]":
    """Energy that the poles leave, in units of the noise."""
    value, _ = _basis(problem, pole)
    left = _linear(problem, value)[2]
    return np.asarray(np.einsum("nk,nk->n", left, left))


def refine(
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
            problem = read_bins(spectrum[part], pole[part], level[part], n_samples)
            refined[part] = _descend(problem, pole[part], tolerance)
    return refined


def _descend(problem: Problem, pole: "NDArray[np.complex128]", tolerance: float) -> "NDArray[np.complex128]":
    """Levenberg-Marquardt on the poles, each row with its own damping, until a step gains next to nothing."""
    pole = pole.copy()
    n = len(pole)
    damping = np.full(n, 1e-2)
    cost = np.full(n, np.inf)
    held = pole.copy()
    step = np.zeros_like(pole)
    active = np.arange(n)
    for _ in range(_FINE_STEPS if tolerance < ROUGH else _ROUGH_STEPS):
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
    problem: Problem, pole: "NDArray[np.complex128]", damping: "NDArray[np.float64]"
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


def amplitudes_at(
    spectrum: "NDArray[np.complex128]", pole: "NDArray[np.complex128]", n_samples: int
) -> "NDArray[np.complex128]":
    """Solve for the amplitudes of given poles, each from the bins about it."""
    if not len(pole):
        return pole
    out = np.empty_like(pole)
    rung = _rung(_windows(pole, n_samples)[1].max(axis=1))
    for size in np.unique(rung):
        rows = np.flatnonzero(rung == size)
        problem = read_bins(spectrum[rows], pole[rows], np.ones(pole[rows].shape), n_samples)
        out[rows] = _linear(problem, _basis(problem, pole[rows])[0])[1]
    return out


def spectra_of(
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
