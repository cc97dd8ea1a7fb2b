"""Hearing taps in a stream of samples, in the same words as `tapscan.signals.find_taps`.

A gate looks for sudden rises over the room, a quarter of a millisecond at a time, on the same high-pass and
with the same thresholds as `find_taps`. Where it opens, the ear waits until the tap's window is complete and
then lets `find_taps` itself judge the last two seconds. The window is 57 ms from the onset, so that 43 ms are
left for the rest of the way to the cue. A bounce that comes later is outside the window and spoils nothing
in it.

Everything is placed by its number in the stream, never by where a block happens to end, so that any way of
cutting the stream into blocks gives the same hits, bit for bit.
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tapscan.signals import TapOnsets, find_taps

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["WINDOW_S", "Ear", "Hit", "deafen", "hear", "new_ear"]

WINDOW_S = 0.057
LEAD_S = 0.25  # kept before a tap, so that the room before it is known
MEMORY_S = 2.0  # how far back a tap is judged
BOUNCE_S = 0.075
NEAR_S = 0.005  # how far before the gate the onset may be
FRAME_HOPS = 20  # 5 ms: what the gate works on at once
MEMORY_HOPS = 8000
TICK_HOPS = 1000  # a quarter of a second: how often the room's noise is looked at anew
LOOK_HOPS, BEFORE_HOPS = 4, 12
RISE, OVER_NOISE = 4.0, 16.0
GAP_S = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Hit:
    """A sudden sound that `find_taps` takes for a tap.

    `onset` and `decided` are samples of the stream. `samples` is the sound from a little before the onset
    to the end of the window, `lead` the sample in it at which the tap begins.
    """

    onset: int
    decided: int
    samples: "NDArray[np.float32]"
    lead: int
    peak: float
    snr_db: float
    is_clipped: bool
    is_double: bool


@dataclass(frozen=True, slots=True, eq=False)
class Ear:
    """What is remembered of a stream: about two seconds of it, however long it lasts.

    `origin` is the sample at which listening began, `first` that of `sound[0]`, `first_hop` that of
    `energy[0]`, counted in hops from the origin. `looked` is the first hop that the gate has not looked at,
    `awaited` the sample whose window is waited for.
    """

    sample_rate_hz: float
    origin: int
    first: int
    sound: "NDArray[np.float32]"
    first_hop: int
    energy: "NDArray[np.float64]"
    looked: int
    awaited: int | None
    noise: float
    noise_tick: int

    @property
    def heard(self) -> int:
        """How many samples the stream has given so far."""
        return self.first + len(self.sound)

    @property
    def hop(self) -> int:
        """Samples in a quarter of a millisecond."""
        return max(1, round(0.25e-3 * self.sample_rate_hz))

    def samples(self, duration_s: float) -> int:
        """Count the samples in a time."""
        return round(duration_s * self.sample_rate_hz)

    def slice(self, begin: int, end: int) -> "NDArray[np.float32]":
        """Give the sound between two samples of the stream, as far as it is remembered."""
        return self.sound[max(begin - self.first, 0) : max(end - self.first, 0)]


def new_ear(sample_rate_hz: float, origin: int = 0) -> Ear:
    """Begin to listen at a sample of the stream, remembering nothing of what was before."""
    return Ear(
        sample_rate_hz=sample_rate_hz,
        origin=origin,
        first=origin,
        sound=np.empty(0, dtype=np.float32),
        first_hop=0,
        energy=np.empty(0),
        looked=0,
        awaited=None,
        noise=0.0,
        noise_tick=0,
    )


def deafen(ear: Ear, duration_s: float) -> Ear:
    """Drop the tap in the air and hear none that begins within the next moment."""
    until = (ear.heard - ear.origin) // ear.hop + round(duration_s / 0.25e-3)
    return replace(ear, awaited=None, looked=max(ear.looked, until))


def hear(ear: Ear, block: "NDArray[np.float32]") -> tuple[Ear, tuple[Hit, ...]]:
    """Take a few more samples in, at most about a second at once, and give the taps that are complete.

    Parameters
    ----------
    ear
        What was heard so far.
    block
        Shape (samples,), float32, relative to full scale 1.0.
    """
    ear = _measure(replace(ear, sound=np.concatenate([ear.sound, block])))
    hits: list[Hit] = []
    while True:
        if ear.awaited is None:
            ear = _look(ear)
            if ear.awaited is None:
                break
        if ear.heard < ear.awaited + ear.samples(WINDOW_S):
            break
        ear, hit = _judge(ear, ear.awaited)
        if hit is not None:
            hits.append(hit)
    return _forget(ear), tuple(hits)


def _measure(ear: Ear) -> Ear:
    """Work out the energy of every hop that is new, a whole number of frames at a time.

    Each frame is filtered from its own start, so that rounding does not depend on where blocks end.
    """
    hop, frame = ear.hop, ear.hop * FRAME_HOPS
    span = max(2, round(1e-3 * ear.sample_rate_hz))
    done = ear.first_hop + len(ear.energy)
    begin = ear.origin + done * hop
    frames = (ear.heard - begin) // frame
    if frames < 1:
        return ear
    part = ear.slice(begin - 2 * span, begin + frames * frame).astype(np.float64)
    part = np.where(np.isfinite(part), part, 0.0)
    if begin == ear.origin:  # ahead of the stream it goes on as its mirror image
        head = part[1 : 2 * span + 1]
        part = np.concatenate([2 * part[0] - head[::-1], part])
    rows = np.lib.stride_tricks.sliding_window_view(part, 2 * span + frame)[::frame]
    rows = rows - rows[:, :1]
    for _ in range(2):
        total = np.concatenate([np.zeros((len(rows), span + 1)), np.cumsum(rows, axis=1)], axis=1)
        rows = rows - (total[:, span:-1] - total[:, : -span - 1]) / span
    squares = rows[:, 2 * span :].reshape(frames * FRAME_HOPS, hop) ** 2
    return replace(ear, energy=np.concatenate([ear.energy, squares.sum(axis=1) / hop]))


def _look(ear: Ear) -> Ear:
    """Move the gate on to the first sudden rise, or to the end of what was measured."""
    end = ear.first_hop + len(ear.energy) - LOOK_HOPS + 1
    while ear.looked < end:
        # The first tick waits until it has been heard as a whole: before that the room is not known.
        tick = max(ear.looked // TICK_HOPS, 1)
        if ear.first_hop + len(ear.energy) < tick * TICK_HOPS:
            break
        if ear.noise_tick != tick:
            ear = replace(ear, noise=_noise(ear, tick * TICK_HOPS), noise_tick=tick)
        stop = min(end, (tick + 1) * TICK_HOPS)
        rise = _first_rise(ear, ear.looked, stop)
        if rise is not None:
            # The rise is heard in the millisecond that follows the hop: the onset is in it.
            awaited = ear.origin + (rise + LOOK_HOPS) * ear.hop
            return replace(ear, looked=rise, awaited=awaited)
        ear = replace(ear, looked=stop)
    return ear


def _noise(ear: Ear, end: int) -> float:
    """Mean square of the quietest tenth of the two seconds before a hop, digital silence left out."""
    begin = max(end - MEMORY_HOPS, 0)
    energy = ear.energy[max(begin - ear.first_hop, 0) : end - ear.first_hop]
    blocks = energy[: len(energy) // FRAME_HOPS * FRAME_HOPS].reshape(-1, FRAME_HOPS).mean(axis=1)
    sounding = blocks[blocks > 0]
    return float(np.quantile(sounding, 0.1)) / 0.9 if sounding.size else 0.0


def _first_rise(ear: Ear, begin: int, end: int) -> int | None:
    """Find the first hop in a stretch whose next millisecond is 6 dB over the three before it."""
    before = min(BEFORE_HOPS, begin - ear.first_hop)
    energy = ear.energy[begin - before - ear.first_hop : end + LOOK_HOPS - 1 - ear.first_hop]
    energy = np.concatenate([np.zeros(BEFORE_HOPS - before), energy])
    look = np.lib.stride_tricks.sliding_window_view(energy, LOOK_HOPS).mean(axis=1)
    earlier = np.lib.stride_tricks.sliding_window_view(look, BEFORE_HOPS - LOOK_HOPS + 1).max(axis=1)
    after = look[BEFORE_HOPS:]
    floor = np.maximum(earlier[: len(after)], ear.noise)
    rising = (after > RISE * floor) & (after > OVER_NOISE * ear.noise)
    return begin + int(np.argmax(rising)) if rising.any() else None


def _judge(ear: Ear, awaited: int) -> tuple[Ear, Hit | None]:
    """Let `find_taps` say what began near the gate; wait on when it is a little later."""
    end = awaited + ear.samples(WINDOW_S)
    begin = max(awaited - ear.samples(MEMORY_S), ear.origin)
    window = ear.slice(begin, end)
    found = find_taps(window, ear.sample_rate_hz)
    near = np.flatnonzero(found.start >= awaited - ear.samples(NEAR_S) - ear.hop * LOOK_HOPS - begin)
    if not near.size:
        return _go_on(ear, awaited), None
    at = int(near[0])
    onset = begin + int(found.start[at])
    if onset > awaited:
        return replace(ear, awaited=onset), None
    return _go_on(ear, onset), _cut(ear, found, at, begin, end)


def _go_on(ear: Ear, onset: int) -> Ear:
    """Look again behind everything that `find_taps` would count to this tap."""
    after = (onset - ear.origin + ear.samples(BOUNCE_S)) // ear.hop
    return replace(ear, awaited=None, looked=max(after, ear.looked + 1))


def _cut(ear: Ear, found: TapOnsets, at: int, begin: int, end: int) -> Hit:
    start = int(found.start[at])
    earlier = int(found.start[at - 1]) if at else -start
    lead = min(ear.samples(LEAD_S), start, (start - earlier) // 2)
    stop = start + ear.samples(WINDOW_S)
    if at + 1 < len(found.start):
        stop = min(stop, int(found.start[at + 1]) - ear.samples(GAP_S))
    return Hit(
        onset=begin + start,
        decided=max(end, ear.origin + TICK_HOPS * ear.hop),
        samples=ear.slice(begin + start - lead, begin + stop).copy(),
        lead=lead,
        peak=float(found.peak[at]),
        snr_db=float(found.snr_db[at]),
        is_clipped=bool(found.is_clipped[at]),
        is_double=bool(found.is_double[at]),
    )


def _forget(ear: Ear) -> Ear:
    """Keep a little more than what a tap is judged by, in whole frames."""
    frame = ear.hop * FRAME_HOPS
    drop = (len(ear.sound) - ear.samples(MEMORY_S + 0.5)) // frame
    if drop < 1:
        return ear
    first_hop = max(ear.first_hop, ear.looked - MEMORY_HOPS - 2 * TICK_HOPS)
    return replace(
        ear,
        first=ear.first + drop * frame,
        sound=ear.sound[drop * frame :].copy(),
        first_hop=first_hop,
        energy=ear.energy[first_hop - ear.first_hop :].copy(),
    )
