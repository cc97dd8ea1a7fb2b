"""The rest of a tap's ringing, kept once it has been heard: the cue does not wait for it.

An analysis reads 100 ms of a tap, a cue may come no later than that. So a tap is judged, kept and reported on
the beginning of its ringing, and a moment later its file is replaced by one that holds all of it. A second
strike into the ringing is then reported; what was kept ends before it.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.capture.sound.judging import is_one_good_tap
from tapscan.signals import find_taps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.capture.sound.listening import Ear, Hit
    from tapscan.plan import Point

__all__ = ["RING_S", "Ringing", "ring_on", "second_strike", "whole_ring"]

RING_S = 0.11  # a little more than an analysis reads, since it places onsets for itself


@dataclass(frozen=True, slots=True)
class Ringing:
    """A tap that is on disk and rings on: its sound runs from sample `begin` of the stream to `end`."""

    point: "Point"
    begin: int
    end: int


def ring_on(point: "Point", hit: "Hit", kept: "NDArray[np.float32]", ear: "Ear") -> Ringing:
    """Say which stretch of the stream a tap takes in, of which `kept` is the beginning."""
    heard_to = hit.onset - hit.lead + len(hit.samples)
    return Ringing(point, heard_to - len(kept), hit.onset + ear.samples(RING_S))


def whole_ring(ringing: Ringing, ear: "Ear") -> "NDArray[np.float32] | None":
    """Give the whole sound; None when something else sounded before it had died away."""
    samples = ear.slice(ringing.begin, ringing.end).copy()
    return samples if is_one_good_tap(samples, ear.sample_rate_hz) else None


def second_strike(ringing: Ringing, ear: "Ear") -> tuple[float, float] | None:
    """Give peak and signal-to-noise ratio in dB of a tap that was struck again while it rang; else None.

    What comes more than 75 ms after it is a tap of its own, as in a recording.
    """
    found = find_taps(ear.slice(ringing.begin, ringing.end), ear.sample_rate_hz)
    twice = np.flatnonzero(found.is_double)
    return (float(found.peak[twice[0]]), float(found.snr_db[twice[0]])) if twice.size else None
