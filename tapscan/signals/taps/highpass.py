"""A recording without its offset, and its causal high-pass: nothing moves ahead of its onset."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Sound", "sound_of"]

_CHUNK = 1 << 18  # samples worked together: bounds the memory, changes no result
_LEVELLED = 10_000  # samples that give the offset


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """A recording and its causal high-pass, worked out piece by piece so that an hour fits into memory.

    Of a recording that is a single piece the high-pass is kept.
    """

    signal: "NDArray[np.generic]"
    offset: float
    span: int  # samples of the running mean that is taken off, twice
    sample_rate_hz: float
    hop: int
    kept: "NDArray[np.float64] | None" = None

    def raw(self, first: int, last: int) -> "NDArray[np.float64]":
        """Give the recording without its offset."""
        part = self.signal[max(first, 0) : max(last, 0)].astype(np.float64)
        finite = np.isfinite(part)
        if not finite.all():
            part[~finite] = self.offset
        part -= self.offset
        return part

    def high(self, first: int, last: int) -> "NDArray[np.float64]":
        """Take off the mean of the millisecond before each sample, twice: 60 Hz falls 30 dB."""
        if self.kept is not None:
            return self.kept[first:last]
        before = 2 * self.span
        part = self.raw(first - before, last)
        missing = max(before - first, 0)
        if missing:  # ahead of the recording hum goes on as its mirror image through the first sample
            mirror = np.zeros(missing)
            head = self.raw(0, missing + 1)
            mirror[missing - len(head) + 1 :] = 2 * head[0] - head[:0:-1]
            part = np.concatenate([mirror, part])
        for _ in range(2):
            total = np.zeros(len(part) + self.span + 1)
            np.cumsum(part, out=total[self.span + 1 :])
            mean = total[self.span : -1] - total[: -self.span - 1]
            mean /= self.span
            part -= mean
        return part[before:]

    def hop_energy(self) -> "NDArray[np.float64]":
        """Mean square of every hop."""
        hops = len(self.signal) // self.hop
        per_chunk = max(1, _CHUNK // self.hop)
        pieces = []
        for begin in range(0, hops, per_chunk):
            end = min(begin + per_chunk, hops)
            part = self.high(begin * self.hop, end * self.hop).reshape(end - begin, self.hop)
            pieces.append(np.einsum("nk,nk->n", part, part) / self.hop)
        return np.concatenate(pieces)


def sound_of(recording: "NDArray[np.generic]", sample_rate_hz: float, hop: int) -> Sound:
    """Take a recording, (samples,), of which the energy will be measured in hops of so many samples."""
    sound = Sound(recording, _offset(recording), max(2, round(1e-3 * sample_rate_hz)), sample_rate_hz, hop)
    return replace(sound, kept=sound.high(0, len(recording))) if len(recording) <= _CHUNK else sound


def _offset(signal: "NDArray[np.generic]") -> float:
    """Median of samples spread over the recording: taps do not move it, hum hardly does.

    An odd step never keeps time with the mains, of whose period in samples most rates make an even number.
    """
    some = signal[:: len(signal) // _LEVELLED | 1].astype(np.float64)
    some = some[np.isfinite(some)]
    return float(np.median(some)) if some.size else 0.0
