"""The rest of a tap's ringing, kept once it has been heard: the cue does not wait for it.

An analysis reads 100 ms of a tap, a cue may come no later than that. So a tap is judged, kept and told on the
beginning of its ringing, and a moment later its file is replaced by one that holds all of it.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tapscan.capture.judging import is_one_good_tap

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tapscan.capture.listening import Ear, Hit
    from tapscan.plan import Point

__all__ = ["RING_S", "Ringing", "ring_on", "whole_ring"]

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
