"""Strikes that are there already: the same samples of a recording, cut out differently."""

import io
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float64]

__all__ = ["has_same_strike", "repeated_in"]

# So much of a strike is looked for, sample for sample: no two strikes ever agree in this.
BEFORE, LENGTH = 64, 256


def repeated_in(content: bytes, there: list[Path]) -> Path | None:
    """Return the first of the recordings that shares a strike with this one; None when none does.

    What cannot be read shares nothing, nor does what was compressed with loss: its samples are others each
    time that it is cut and compressed again.
    """
    fresh = _samples(io.BytesIO(content))
    for path in there:
        old = _samples(path)
        if any(has_same_strike(mine, theirs) for mine in fresh.T for theirs in old.T):
            return path
    return None


def _samples(file: Path | io.BytesIO) -> "Samples":
    """Read all channels, (samples, channels); none of a file that is not lossless."""
    import soundfile

    try:
        return np.asarray(soundfile.read(file, dtype="float64", always_2d=True)[0])
    except (soundfile.LibsndfileError, OSError):
        return np.zeros((0, 1))


def has_same_strike(first: "Samples", second: "Samples") -> bool:
    """Say whether the loudest moment of either recording is in the other one, sample for sample.

    Examples
    --------
    >>> sound = np.random.default_rng(1).normal(size=2000)
    >>> has_same_strike(sound[:1500], sound[300:]), has_same_strike(sound, np.roll(sound, 1) * 1.01)
    (True, False)
    """
    return _is_in(first, second) or _is_in(second, first)


def _is_in(first: "Samples", second: "Samples") -> bool:
    peak = int(np.argmax(np.abs(first))) if first.size else 0
    begin = max(0, peak - BEFORE)
    piece = first[begin : begin + LENGTH]
    if piece.size < BEFORE or piece.size > second.size or np.ptp(piece) == 0:
        return False
    at = peak - begin
    starts = np.flatnonzero(second[at : at + second.size - piece.size + 1] == piece[at])
    return any(np.array_equal(second[k : k + piece.size], piece) for k in starts.tolist())
