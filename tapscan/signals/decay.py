"""How fast a tap dies away: the energy decay curve and the time it takes to fall by 60 dB.

The curve is Schroeder's backward integral of the squared signal (Schroeder, J. Acoust. Soc. Am. 37, 1965,
from memory), read as ISO 3382 reads it: a least-squares line through the level between -5 dB and -25 dB,
extended to 60 dB. What the microphone's noise adds is taken off first, and what lies under the noise is put
back as the exponential that the line predicts.
"""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["decay_time", "tail_power"]

_START_DB, _END_DB, _LEAST_DB = -5.0, -25.0, -12.0
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
    total = np.zeros((len(energy), energy.shape[1] + 1))
    np.cumsum(energy, axis=1, dtype=np.float64, out=total[:, 1:])
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
    signal = energy - noise[:, None]
    end = np.minimum(_noise_meets_ring(energy, noise), lengths)
    index = np.arange(count)
    signal = np.where(index < end[:, None], signal, 0.0)
    curve = np.cumsum(signal[:, ::-1], axis=1, dtype=np.float64)[:, ::-1]
    spread = noise[:, None] * np.sqrt(2 * np.maximum(end[:, None] - index, 0) / noise_samples_per_block)
    readable = curve > _NOISE_SPREADS * spread
    width = max(3, count // 32)
    last = np.maximum(end - width, 0)[:, None] + np.arange(width)
    at_end = np.take_along_axis(signal, last, axis=1).mean(axis=1).clip(0.0)
    slope = _line_slope(curve, readable)
    for _ in range(4):
        with np.errstate(divide="ignore", invalid="ignore"):
            blocks = 10 / np.log(10) / -slope  # in which the energy falls by a factor e
            rest = np.where(slope < 0, at_end * blocks * np.exp(-width / 2 / blocks), 0.0)
        again = np.flatnonzero(rest > 1e-5 * curve[:, 0])
        if not again.size:
            break
        slope[again] = _line_slope(curve[again] + rest[again, None], readable[again])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(slope < 0, -60.0 / slope * block_s, np.nan)


def _noise_meets_ring(energy: "NDArray[np.floating]", noise: "NDArray[np.floating]") -> "NDArray[np.intp]":
    """First block after the loudest with a smoothed energy under twice the noise; the end if none."""
    count = energy.shape[1]
    width = max(3, count // 32)
    total = np.zeros((len(energy), count + 1))
    np.cumsum(energy, axis=1, dtype=np.float64, out=total[:, 1:])
    smooth = (total[:, width:] - total[:, :-width]) / width
    after = np.arange(smooth.shape[1]) >= np.argmax(smooth, axis=1)[:, None]
    low = (smooth < 2 * noise[:, None]) & after
    return np.asarray(np.where(low.any(axis=1), np.argmax(low, axis=1) + width // 2, count))


def _line_slope(curve: "NDArray[np.float64]", readable: "NDArray[np.bool_]") -> "NDArray[np.float64]":
    """Slope in dB per block of the least-squares line through the part of the curve that is read."""
    top = curve[:, :1]
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 10 * np.log10(curve / top)
    use = readable & (level <= _START_DB) & (level >= _END_DB)
    level = np.where(use, level, 0.0)
    index = np.arange(curve.shape[1], dtype=np.float64)
    weight = use.sum(axis=1)
    sum_t = np.einsum("nk,k->n", use, index)
    sum_tt = np.einsum("nk,k->n", use, index * index)
    sum_l = level.sum(axis=1)
    sum_tl = np.einsum("nk,k->n", level, index)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (weight * sum_tl - sum_t * sum_l) / (weight * sum_tt - sum_t**2)
    deep_enough = (weight >= 2) & (level.min(axis=1) <= _LEAST_DB)
    return np.where(deep_enough, slope, np.nan)
