"""How fast a tap dies away: the energy decay curve and the time it takes to fall by 60 dB.

The curve is Schroeder's backward integral of the squared signal (Schroeder, J. Acoust. Soc. Am. 37, 1965,
from memory), read as ISO 3382 reads it: a least-squares line through the level between -5 dB and -25 dB,
extended to 60 dB. What the microphone's noise adds is taken off first, and what is under the noise is put
back as the exponential that the line predicts.
"""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["decay_time", "tail_power"]

_START_DB, _END_DB, _LEAST_DB = -5.0, -25.0, -12.0
_MOST_TURNS = 12
_POINTS = 24  # of the curve, for the line
_NOISE_SPREADS = 4.0  # the curve is read down to this many standard deviations of the integrated noise


def tail_power(
    energy: "NDArray[np.floating]", lengths: "NDArray[np.intp]", noise_samples_per_block: float
) -> "NDArray[np.float64]":
    """Estimate the noise under an exponential decay from its last six tenths.

    Three equal stretches with means a, b, c of ``noise + ring`` give, for one exponential, ``noise = c - (b
    - c)² / (a - 2b + c)`` (Aitken's extrapolation): the noise is found even where the ring has not died
    away.

    Parameters
    ----------
    energy
        Mean square in equal blocks of time, shape ``(n, blocks)``.
    lengths
        How many blocks of each row hold signal, shape ``(n,)``; the rest is padding.
    noise_samples_per_block
        Independent noise values in a block; a fall that chance alone could make is not taken for a ring.

    Returns
    -------
    NDArray[np.float64]
        Noise power, shape ``(n,)``, never above the mean of the last stretch.

    Examples
    --------
    >>> t = np.arange(600)
    >>> float(tail_power((np.exp(-t / 100.0) + 0.01)[None], np.array([600]), 10.0).round(6)[0])
    0.01
    """
    total = _running_total(energy)
    fifth = np.maximum(lengths // 5, 1)
    edges = np.maximum(lengths[:, None] - fifth[:, None] * np.array([3, 2, 1, 0]), 0)
    a, b, c = (np.diff(np.take_along_axis(total, edges, axis=1), axis=1) / fifth[:, None]).T
    bend = a - 2 * b + c
    with np.errstate(divide="ignore", invalid="ignore"):
        ring = (b - c) ** 2 / bend
    chance = 6 * c * np.sqrt(2 / (fifth * noise_samples_per_block))
    falling = (b > c) & (bend > 0) & (a - b > b - c) & (a - c > chance)
    return np.asarray(np.where(falling, np.maximum(c - ring, 0.0), (b + c) / 2).clip(0.0, c))


def decay_time(
    energy: "NDArray[np.floating]",
    noise: "NDArray[np.floating]",
    lengths: "NDArray[np.intp]",
    block_s: float,
    noise_samples_per_block: float,
) -> "NDArray[np.float64]":
    """Time to fall by 60 dB, extended from the line between -5 dB and -25 dB of the energy decay curve.

    Where noise leaves less than 25 dB the line ends where the curve can still be read; where it leaves less
    than 12 dB the answer is NaN.

    Parameters
    ----------
    energy
        Mean square in equal blocks of time from the onset, shape ``(n, blocks)``.
    noise
        Mean square of the noise in a block, shape ``(n,)``.
    lengths
        How many blocks of each row to read, shape ``(n,)``.
    block_s
        Length of a block.
    noise_samples_per_block
        Independent noise values in a block (its samples times the share of the band that they fill).

    Returns
    -------
    NDArray[np.float64]
        Seconds, shape ``(n,)``, NaN where there is no readable decay.

    Examples
    --------
    >>> t = (np.arange(400) + 0.5) * 1e-4
    >>> float(decay_time(10 ** (-6 * t / 0.03)[None], np.zeros(1), np.array([400]), 1e-4, 5.0).round(6)[0])
    0.03
    """
    count = energy.shape[1]
    if count < 3:
        return np.full(len(energy), np.nan)
    total = _running_total(energy)
    end = np.minimum(_noise_meets_ring(total, noise), lengths)
    at_stop = np.take_along_axis(total, end[:, None], axis=1)
    curve = noise[:, None] * np.arange(count) - total[:, :-1]
    curve += at_stop - noise[:, None] * end[:, None]
    spread = noise * np.sqrt(2 / noise_samples_per_block) * _NOISE_SPREADS
    width = max(3, count // 32)
    before = np.take_along_axis(total, np.maximum(end - width, 0)[:, None], axis=1)
    at_end = ((at_stop - before)[:, 0] / width - noise).clip(0.0)
    slope = _line_slope(curve, np.zeros(len(energy)), spread, end)
    moving = np.arange(len(energy))
    for _ in range(_MOST_TURNS):
        with np.errstate(divide="ignore", invalid="ignore"):
            blocks = 10 / np.log(10) / -slope[moving]  # in which the energy falls by a factor e
            rest = at_end[moving] * width / np.expm1(width / blocks)
        worth = (rest > 1e-5 * curve[moving, 0]) & (slope[moving] < 0)
        moving, rest = moving[worth], rest[worth]
        if not moving.size:
            break
        new = _line_slope(curve[moving], rest, spread[moving], end[moving])
        moved = np.abs(new - slope[moving]) > 1e-3 * np.abs(new)
        slope[moving] = new
        moving = moving[moved]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(slope < 0, -60.0 / slope * block_s, np.nan)


def _running_total(energy: "NDArray[np.floating]") -> "NDArray[np.float64]":
    total = np.empty((len(energy), energy.shape[1] + 1))
    total[:, 0] = 0.0
    total[:, 1:] = energy  # in double precision first: to convert while adding costs three times as much
    return np.cumsum(total, axis=1, out=total)


def _noise_meets_ring(total: "NDArray[np.float64]", noise: "NDArray[np.floating]") -> "NDArray[np.intp]":
    """First block after the loudest with a smoothed energy under twice the noise; the end if none."""
    count = total.shape[1] - 1
    width = max(3, count // 32)
    step = max(1, width // 4)
    held = total[:, width::step] - total[:, :-width:step]
    low = held < 2 * width * noise[:, None]
    low &= np.arange(held.shape[1]) >= np.argmax(held, axis=1)[:, None]
    first = np.argmax(low, axis=1)
    return np.asarray(np.where(low[np.arange(len(low)), first], first * step + width // 2, count))


def _line_slope(
    curve: "NDArray[np.float64]",
    rest: "NDArray[np.float64]",
    spread: "NDArray[np.float64]",
    end: "NDArray[np.intp]",
) -> "NDArray[np.float64]":
    """Slope in dB per block of the least-squares line through points spread over the part that is read.

    `rest` is what is beyond the end of the curve; `spread` times the root of the blocks still to come is
    the level under which noise makes the curve unreadable.
    """
    top = curve[:, 0] + rest
    high = top * 10 ** (_START_DB / 10) - rest
    low = np.maximum(top * 10 ** (_END_DB / 10) - rest, 0.0)
    first = _first_below(curve, high, end)
    span = np.maximum(_first_below(curve, low, end) - 1 - first, 0)
    place = first[:, None] + np.rint(span[:, None] * np.linspace(0.0, 1.0, _POINTS)).astype(np.intp)
    place = np.minimum(place, np.maximum(end - 1, 0)[:, None])
    value = np.take_along_axis(curve, place, axis=1)
    use = value > spread[:, None] * np.sqrt(np.maximum(end[:, None] - place, 0))
    use &= value > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.where(use, 10 * np.log10((value + rest[:, None]) / top[:, None]), 0.0)
        at = np.where(use, place - first[:, None], 0).astype(np.float64)
        weight = use.sum(axis=1)
        along = at - use * (at.sum(axis=1) / weight)[:, None]
        slope = (along * level).sum(axis=1) / (along * along).sum(axis=1)
    deep_enough = (span >= 1) & (level.min(axis=1) <= _LEAST_DB)
    return np.asarray(np.where(deep_enough, slope, np.nan))


def _first_below(
    curve: "NDArray[np.float64]", level: "NDArray[np.float64]", end: "NDArray[np.intp]"
) -> "NDArray[np.intp]":
    """First block in which the curve is at the level or under it, the end when that comes first."""
    below = curve <= level[:, None]
    first = np.argmax(below, axis=1)
    return np.asarray(np.where(below[np.arange(len(curve)), first], np.minimum(first, end), end))
