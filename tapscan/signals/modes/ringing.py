"""Natural frequencies, damping ratios, amplitudes and phases of the modes that ring after a tap.

While hammer and part touch, the sound is no free decay, so the fit must begin after the contact. How long
that was is not known beforehand. The fit therefore begins at the first sample and is believed when the
first milliseconds leave no more than the rest of the tap does and no mode is damped beyond what can ring;
else it begins later, and the earliest beginning that leaves nothing is found by halving. Amplitude and
phase are carried back to the first sample along the decay. Offset, hum and whatever else is below 200 Hz
are taken off beforehand.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from tapscan.signals.modes.poles import MOST_DAMPED, Poles, fit_poles, is_dull

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["ModeFits", "fit_modes"]

_MOST = 8
_SPARE = 2  # poles fitted beyond the number requested, so that other modes do not bend the requested ones
_LOW_HZ, _LOWEST_HZ = 200.0, 300.0
_MAINS_HZ = (50.0, 60.0, 100.0, 120.0, 150.0, 180.0)
_LATER_S = (0.0, 1e-3, 2e-3, 4e-3)
_HALVINGS = 3
_EARLY_S = 3e-3
_HOP_S, _HOP_SAMPLES = 0.25e-3, 12
_MISFIT = 2.5e-5  # of the loudest hop's energy, 46 dB down: a model that good is taken for true
_HIGHEST = 0.96  # of the Nyquist frequency
_FAINTEST = 5.0  # nepers lost before the frame begins: what is carried back further is a guess
_STEADIEST = 0.05  # nepers lost in the frame: what loses less is a tone from elsewhere
_SETTLED = 1e-3  # of the noise: a low end that changes by less is known
_SHORTEST = 64
_ROWS = 128


class _Pass(NamedTuple):
    """One pass over the lowest bins: to how many poles, how finely refined, whether begun again."""

    most: int
    tolerance: float
    afresh: bool = False


_FROM_NOTHING = (
    *(_Pass(most, 1e-2) for most in (1, 1, 1, 1, 1, 1, 2, 2, 3, _MOST)),
    _Pass(_MOST, 1e-2, afresh=True),
    _Pass(0, 1e-4),
    _Pass(0, 1e-9),
)
_FROM_KNOWN = (_Pass(0, 1e-4), _Pass(_MOST, 1e-4), _Pass(0, 1e-9))


@dataclass(frozen=True, slots=True, eq=False)
class ModeFits:
    """Modes of a batch of taps, strongest (largest amplitude) first; NaN where no mode was found.

    Each has shape ``(n, n_modes)``. The tap is the sum of ``a·exp(-ζω·t)·sin(ω√(1-ζ²)·t + φ)``, t from its
    first sample: `frequency_hz` is the undamped natural frequency ω/2π, `damping_ratio` ζ, `amplitude` a in
    the unit of the tap, `phase_rad` φ between -π and π.
    """

    frequency_hz: "NDArray[np.float64]"
    damping_ratio: "NDArray[np.float64]"
    amplitude: "NDArray[np.float64]"
    phase_rad: "NDArray[np.float64]"


def fit_modes(taps: "ArrayLike", sample_rate_hz: float, n_modes: int | None = None) -> ModeFits:
    """Fit damped oscillations to taps by least squares; for white noise that is maximum likelihood.

    Parameters
    ----------
    taps
        Shape ``(n, samples)``, each from its onset. Zeros at the end of a row are taken for padding.
    sample_rate_hz
        Samples per second.
    n_modes
        How many modes to return at most. As many as are proven are fitted in any case, up to eight, or two
        more than requested; a mode is proven when noise would pass for it in fewer than one tap in a
        hundred.

    Returns
    -------
    ModeFits
        With `n_modes` columns, eight when None. Modes below 300 Hz or damped beyond 0.2 are not reported.
        Rows that are constant, not finite or shorter than 64 samples are NaN.

    Raises
    ------
    ValueError
        When `taps` is not two-dimensional, the rate is not positive or `n_modes` is less than one.

    Examples
    --------
    >>> t = np.arange(4800) / 48000.0
    >>> w = 2 * np.pi * 3000.0
    >>> tap = 0.5 * np.exp(-0.01 * w * t) * np.sin(w * np.sqrt(1 - 0.01**2) * t + 0.4)
    >>> modes = fit_modes(tap[None], 48000.0, 1)
    >>> [float(x[0, 0].round(3)) for x in (modes.frequency_hz, modes.amplitude, modes.phase_rad)]
    [3000.0, 0.5, 0.4]
    """
    batch = np.asarray(taps)
    if batch.ndim != 2:
        msg = f"taps must have shape (n, samples), not {batch.shape}"
        raise ValueError(msg)
    if not sample_rate_hz > 0 or (n_modes is not None and n_modes < 1):
        msg = f"sample_rate_hz and n_modes must be positive, not {sample_rate_hz} and {n_modes}"
        raise ValueError(msg)
    wanted = _MOST if n_modes is None else n_modes
    most = _MOST if n_modes is None else n_modes + _SPARE
    table = np.full((4, len(batch), wanted), np.nan)
    for first in range(0, len(batch), _ROWS):
        part = batch[first : first + _ROWS].astype(np.float64)
        with np.errstate(all="ignore"):
            size = np.abs(part).max(axis=1, initial=0.0)
            spread = np.ptp(part, axis=1) if part.shape[1] else size
            rows = np.flatnonzero(np.isfinite(size) & (spread > 1e-12 * size))
        if part.shape[1] >= _SHORTEST and rows.size:
            found = _fit(part[rows] / size[rows, None], sample_rate_hz, most, wanted)
            found[2] *= size[rows, None]
            table[:, first + rows] = found
    return ModeFits(*table)


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """The taps to fit, scaled to a peak of 1, and where the frame of each ends."""

    taps: "NDArray[np.float64]"
    end: "NDArray[np.intp]"
    sample_rate_hz: float
    most: int


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """The state of the fit of each tap: arrays of one row per tap, filled in as the fits go on."""

    begin: "NDArray[np.intp]"
    pole: "NDArray[np.complex128]"
    amplitude: "NDArray[np.complex128]"  # at `begin`
    misfit: "NDArray[np.float64]"  # 1 and less: nothing is left that noise does not explain

    def take(self, other: "_State", rows: "NDArray[np.intp]") -> None:
        for mine, theirs in (
            (self.begin, other.begin),
            (self.pole, other.pole),
            (self.amplitude, other.amplitude),
            (self.misfit, other.misfit),
        ):
            mine[rows] = theirs[rows]


def _unfitted(begin: "NDArray[np.intp]", most: int) -> _State:
    n = len(begin)
    nothing = np.full((n, most), np.nan, dtype=complex)
    return _State(begin.copy(), nothing, nothing.copy(), np.full(n, np.inf))


def _fit(taps: "NDArray[np.float64]", sample_rate_hz: float, most: int, wanted: int) -> "NDArray[np.float64]":
    """Frequency, damping ratio, amplitude and phase, shape ``(4, n, wanted)``."""
    n = len(taps)
    work = _Work(taps, _ends(taps, sample_rate_hz), sample_rate_hz, most)
    state = _unfitted(np.zeros(n, dtype=np.intp), most)
    pending = np.arange(n)
    earlier = np.zeros(n, dtype=np.intp)
    for later_s in _LATER_S:
        later = round(later_s * sample_rate_hz)
        pending = pending[work.end[pending] - later >= np.maximum(_SHORTEST, work.end[pending] // 4)]
        trial = _fit_from(work, np.full(n, later), pending, None)
        better = trial.misfit[pending] < state.misfit[pending]
        state.take(trial, pending[better])
        pending = pending[state.misfit[pending] > 1]
        if not pending.size:
            break
        earlier[pending] = later
    _halve(work, state, earlier)
    return _report(state, work.end, sample_rate_hz, wanted)


def _halve(work: _Work, state: _State, earlier: "NDArray[np.intp]") -> None:
    """Move late beginnings towards the latest that failed, as far as nothing is left."""
    rows = np.flatnonzero((state.begin > 0) & (state.misfit <= 1))
    fails = np.minimum(earlier, state.begin)
    for _ in range(_HALVINGS):
        if not rows.size:
            return
        middle = (fails + state.begin + 1) // 2
        trial = _fit_from(work, middle, rows, state)
        good = trial.misfit[rows] <= 1
        fails[rows[~good]] = middle[rows[~good]]
        state.take(trial, rows[good])


def _fit_from(
    work: _Work, begin: "NDArray[np.intp]", rows: "NDArray[np.intp]", known: _State | None
) -> _State:
    """Fit every one of `rows` from its beginning to its end, rows of the same frame together."""
    trial = _unfitted(begin, work.most)
    for first, last in np.unique(np.stack([begin[rows], work.end[rows]], axis=1), axis=0):
        same = rows[(begin[rows] == first) & (work.end[rows] == last)]
        low = _low_basis(last - first, work.sample_rate_hz)
        frames = work.taps[same, first:last]
        lowest_bin = max(2, int(np.ceil(_LOWEST_HZ * (last - first) / work.sample_rate_hz)))
        if known is None:
            start = np.full((len(same), work.most), np.nan, dtype=complex)
            poles, rest = _fit_over_hum(frames, low, lowest_bin, start, _FROM_NOTHING)
        else:
            poles, rest = _fit_over_hum(frames, low, lowest_bin, known.pole[same], _FROM_KNOWN)
        trial.pole[same], trial.amplitude[same] = poles.log_pole, poles.amplitude
        trial.misfit[same] = _misfit(frames, rest, poles.noise, work.sample_rate_hz)
        trial.misfit[same[is_dull(poles.log_pole)]] += 1.0
    return trial


def _fit_over_hum(
    frames: "NDArray[np.float64]",
    low: "NDArray[np.float64]",
    lowest_bin: int,
    start: "NDArray[np.complex128]",
    passes: tuple[_Pass, ...],
) -> "tuple[Poles, NDArray[np.float64]]":
    """Fit frames freed of the lowest bins, and give back what a mode's own low end lost by that.

    Each pass takes the low part off what the modes leave instead of off the whole. The first strong modes are
    corrected one by one, lest their lost low ends be taken for modes, until that changes nothing; then all
    are
    found afresh, and the last passes reach the joint fit.
    """
    ring = np.zeros_like(frames)
    poles = Poles(start.copy(), np.full_like(start, np.nan), np.full(len(frames), np.nan))
    dull = np.zeros(len(frames), dtype=bool)
    lost = np.zeros((len(frames), len(low)))  # what the modes so far have in the lowest bins
    settled = np.zeros(len(frames), dtype=bool)
    for grow in passes:
        rows = np.flatnonzero(~dull & ~(settled & (grow.most > 0) & (not grow.afresh)))
        freed = ring[rows] + _take_off(frames[rows] - ring[rows], low)
        known = np.full_like(start[rows], np.nan) if grow.afresh else poles.log_pole[rows]
        found = fit_poles(freed, min(grow.most, start.shape[1]), lowest_bin, known, grow.tolerance)
        poles.log_pole[rows], poles.amplitude[rows] = found.log_pole, found.amplitude
        poles.noise[rows] = found.noise
        ring[rows] = _ring(found.log_pole, found.amplitude, frames.shape[1])
        losing = ring[rows] @ low.T
        settled[rows] = ((losing - lost[rows]) ** 2).sum(axis=1) < _SETTLED * found.noise
        lost[rows] = losing
        if grow.most > 1:
            dull[rows] = is_dull(found.log_pole)
    return poles, _take_off(frames - ring, low)


def _ends(taps: "NDArray[np.float64]", sample_rate_hz: float) -> "NDArray[np.intp]":
    """Where to end each frame: thrice as late as anything is heard over the noise, a halving of the whole.

    What comes after is noise, which costs time and adds nothing.
    """
    n, n_samples = taps.shape
    sounding = taps != 0
    length = n_samples - np.argmax(sounding[:, ::-1], axis=1)
    heard = _take_off(taps, _low_basis(n_samples, sample_rate_hz))
    count = min(64, n_samples // 8)
    block = n_samples // count
    energy = (heard[:, : count * block] ** 2).reshape(n, count, block).mean(axis=2)
    later = np.cumsum(energy[:, ::-1], axis=1)[:, ::-1] / np.arange(count, 0, -1)
    noise = later[:, count - count // 8]
    silent = later <= 1.2 * noise[:, None] + 1e-30
    silent[:, count - count // 8 :] = True
    needed = 3 * block * (np.argmax(silent, axis=1) + 1)
    end = np.full(n, n_samples)
    for _ in range(16):
        half = end // 2
        end = np.where(
            (half >= np.maximum(needed, 4 * _SHORTEST)) | ((end > length) & (half >= _SHORTEST)), half, end
        )
    return end


def _low_basis(n_samples: int, sample_rate_hz: float) -> "NDArray[np.float64]":
    """Orthonormal basis of the lowest bins, shape ``(functions, n_samples)``.

    Cosines up to 200 Hz and a ramp for offset, drift and rumble; sines and cosines at the mains frequencies
    of
    the world and their first harmonics, which fit no whole number of periods into the frame.
    """
    place = (np.arange(n_samples) + 0.5) / n_samples
    cosines = np.cos(np.pi * np.arange(1 + int(2 * _LOW_HZ * n_samples / sample_rate_hz))[:, None] * place)
    turns = 2j * np.pi * np.array(_MAINS_HZ)[:, None] * (place * n_samples / sample_rate_hz)
    functions = np.concatenate([cosines, place[None] - 0.5, np.exp(turns).real, np.exp(turns).imag])
    weight, mix = np.linalg.eigh(functions @ functions.T)
    keep = weight > 1e-4 * weight[-1]  # what is left out is a hundredth of a hum and less
    return np.asarray((mix[:, keep] / np.sqrt(weight[keep])).T @ functions)


def _take_off(frames: "NDArray[np.float64]", low: "NDArray[np.float64]") -> "NDArray[np.float64]":
    return np.asarray(frames - (frames @ low.T) @ low)


def _ring(
    pole: "NDArray[np.complex128]", amplitude: "NDArray[np.complex128]", n_samples: int
) -> "NDArray[np.float64]":
    """Sum of the oscillations, shape ``(n, n_samples)``."""
    total = np.zeros((len(pole), n_samples))
    stride = max(1, int(np.sqrt(n_samples)))
    coarse, fine = np.arange(0, n_samples, stride), np.arange(stride)
    for i in range(pole.shape[1]):
        here = np.flatnonzero(np.isfinite(pole[:, i]))
        if here.size:
            root = pole[here, i, None]
            leap = amplitude[here, i, None] * np.exp(root * coarse)
            product = leap[:, :, None] * np.exp(root * fine)[:, None, :]
            total[here] += product.real.reshape(len(here), -1)[:, :n_samples]
    return total


def _misfit(
    frames: "NDArray[np.float64]",
    rest: "NDArray[np.float64]",
    noise: "NDArray[np.float64]",
    sample_rate_hz: float,
) -> "NDArray[np.float64]":
    """Loudest early quarter millisecond of the rest over what noise or a fair model would leave there."""
    hop = min(max(round(_HOP_S * sample_rate_hz), _HOP_SAMPLES), rest.shape[1])
    early = max(1, min(round(_EARLY_S * sample_rate_hz), rest.shape[1] // 2) // hop)
    left = (rest[:, : early * hop] ** 2).reshape(len(rest), early, hop).mean(axis=2).max(axis=1)
    loud = (frames[:, : early * hop] ** 2).reshape(len(rest), early, hop).mean(axis=2).max(axis=1)
    chance = (
        1 + 5 * np.sqrt(2 / hop) + 12 / hop
    )  # once in ten thousand, for a mean of squares of `hop` samples
    return np.asarray(left / np.maximum(chance * noise, _MISFIT * loud).clip(1e-300))


def _report(
    state: _State, end: "NDArray[np.intp]", sample_rate_hz: float, wanted: int
) -> "NDArray[np.float64]":
    """Carry amplitude and phase back to the first sample, drop what cannot ring, sort by amplitude."""
    size = np.abs(state.pole)
    with np.errstate(all="ignore"):
        at_onset = state.amplitude * np.exp(-state.pole * state.begin[:, None])
        frequency_hz = size * sample_rate_hz / (2 * np.pi)
        damping = -state.pole.real / size
        good = (frequency_hz >= _LOWEST_HZ) & (damping <= MOST_DAMPED)
        good &= state.pole.imag < _HIGHEST * np.pi
        good &= -state.pole.real * state.begin[:, None] <= _FAINTEST
        good &= -state.pole.real * (end - state.begin)[:, None] >= _STEADIEST
    amplitude = np.where(good, np.abs(at_onset), np.nan)
    order = np.argsort(-np.nan_to_num(amplitude, nan=-1.0), axis=1, kind="stable")[:, :wanted]
    phase = np.angle(at_onset * 1j)  # Re(c exp(iωt)) is a sine of the phase of c, a quarter turn on
    columns = np.where(good, np.stack([frequency_hz, damping, amplitude, phase]), np.nan)
    return np.take_along_axis(columns, np.broadcast_to(order, (4, *order.shape)), axis=2)
