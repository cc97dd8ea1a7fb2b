"""Damped oscillations fitted to the spectrum of a batch of frames, one added at a time, all refined together.

A frame of M samples of ``Re c λⁿ`` has the transform ``½ (c G(λ) + c̄ G(λ̄))`` with ``G(λ) = (1 - λᴹ) / (1
- λ z)``, ``z = exp(-2πi k / M)``, exactly and for whatever is left of it at the end. White noise in the
samples is white in the bins, so least squares over the bins is maximum likelihood; and since an oscillation
is gathered in the bins about its own, a few of them hold nearly all that is known of it.

Each step adds the pole of what rises highest above the rest, or splits a pole beside which the rest
rises above noise, and refines all poles (`tapscan.signals.modes.pole_fit`). A pole stays when the energy
that it explains cannot be noise: one chance in a hundred per frame, for white noise.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.signals.modes.lines import fit_line, line_bins
from tapscan.signals.modes.pole_fit import ROUGH, amplitudes_at, energy_left, read_bins, refine, spectra_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MOST_DAMPED", "Poles", "fit_poles", "is_dull"]

_SCALES = ((1, 12.4), (5, 4.4), (17, 2.6))  # bins averaged, and the mean that noise exceeds once in 240 000
_PROVEN = 18.0  # energy explained over noise: four free numbers, thousands of places, one chance in a hundred
MOST_DAMPED = 0.2
_CLEANEST = 1e-9  # noise power in a bin over all power: nothing is searched for 90 dB down


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
            pole[rows, :held] = refine(spectrum[rows], pole[rows, :held], level, n_samples, tolerance)
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
    amplitude[rows, :held] = amplitudes_at(spectrum[rows], pole[rows, :held], n_samples)
    rest[rows] = spectrum[rows] - spectra_of(pole[rows, :held], amplitude[rows, :held], n_samples)


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
    best = refine(spectrum, wider, level, n_samples, ROUGH)
    if count:
        best = _try_splits(spectrum, held, start, best, level, n_samples)
        problem = read_bins(spectrum, best, level, n_samples)
        before = energy_left(problem, held)
        after = energy_left(problem, best)
    else:
        problem = read_bins(spectrum, best, level, n_samples)
        before = np.einsum("nk,nk->n", problem.value.real, problem.value.real)
        before = before + np.einsum("nk,nk->n", problem.value.imag, problem.value.imag)
        after = energy_left(problem, best)
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
    problem = read_bins(spectrum[near], best[near], level[near], n_samples)
    lowest = energy_left(problem, best[near])
    at = nearest[near]
    index = np.arange(len(near))
    for spread, damping in ((0.7, 0.7), (1.5, 1.0)):
        trial = np.concatenate([held[near], start[near, None]], axis=1)
        middle = held[near][index, at]
        step = np.maximum(-middle.real, np.pi / n_samples) * spread
        trial[index, at] = damping * middle.real + 1j * (middle.imag - step)
        trial[:, -1] = damping * middle.real + 1j * (middle.imag + step)
        trial = refine(spectrum[near], trial, level[near], n_samples, ROUGH)
        cost = energy_left(problem, trial)
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
