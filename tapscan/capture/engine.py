"""Live capture as a pure state machine: blocks of samples and commands in, events out.

A `State` never changes; every function gives a new one with what happened. Which point a tap counts for is
decided when its window is complete. A command drops the tap in the air and is deaf for a quarter of a
second, since the key or pedal that gave it makes a knock of its own. How the stream is cut into blocks
changes nothing.

>>> import numpy as np
>>> from tapscan.plan import Point
>>> course = Course((Point("BM", 1, 1), Point("BM", 1, 2)), taps_per_point=1)
>>> state = begin(course, sample_rate_hz=24_000)
>>> t = np.arange(4800) / 24_000
>>> tap = 0.4 * np.exp(-300 * t) * np.sin(2 * np.pi * 3000 * t)
>>> room = 1e-3 * np.random.default_rng(0).standard_normal(24_000)
>>> room[12_000:16_800] += tap
>>> state, events = advance(state, room.astype(np.float32))
>>> [event.name for event in events if event.name != "level"]
['accepted', 'point complete', 'moved', 'lengthened']
>>> str(state.at)
'BM-01-02'
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from tapscan.capture.course import Course
from tapscan.capture.events import (
    Accepted,
    Event,
    Faint,
    Lengthened,
    Level,
    Listening,
    Moved,
    PointComplete,
    Refused,
    Rejected,
    Repeated,
    Skipped,
    Undone,
    ZoneComplete,
)
from tapscan.capture.sound.judging import ADVICE, Memory, compare, fault, kept_sound, swells
from tapscan.capture.sound.listening import WINDOW_S, Ear, Hit, deafen, hear, new_ear
from tapscan.capture.sound.ringing import Ringing, ring_on, second_strike, whole_ring
from tapscan.signals.checking import require_rate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from tapscan.plan import Point

__all__ = [
    "State",
    "Step",
    "advance",
    "back",
    "begin",
    "go_to",
    "interrupt",
    "pause",
    "repeat",
    "resume",
    "skip",
    "undo",
]

DEAF_S = 0.25  # after a command
LEVEL_S = 0.1
PIECE_S = 0.25  # longer blocks are worked through in pieces
HOLD_S = 0.25  # after a point's last tap: nobody brings a tapper to the next point and strikes sooner
TRAIL = 64  # how many taps can be undone one after the other
SILENCE_DB = -120.0


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """How far a capture has come.

    `taken` counts the taps kept at each point, `skipped` are points to be passed over, `at` is the point that
    the next tap counts for (None when nothing is left to strike). `trail` are the points of the last taps
    kept, latest last: what undo goes back along. `ringing` is the tap just kept, until its sound is complete.
    A strike before sample `held_until` of the stream is a double strike at the point before.
    """

    course: Course
    taken: Mapping["Point", int]
    skipped: frozenset["Point"]
    at: "Point | None"
    is_on: bool
    trail: tuple["Point", ...]
    ear: Ear
    memory: Memory
    ringing: Ringing | None = None
    held_until: int = 0

    @property
    def sample_rate_hz(self) -> float:
        """The source's rate."""
        return self.ear.sample_rate_hz


Step = tuple[State, tuple[Event, ...]]


def begin(
    course: Course,
    sample_rate_hz: float,
    *,
    taken: Mapping["Point", int] | None = None,
    skipped: frozenset["Point"] = frozenset(),
    since: "Point | None" = None,
    trail: tuple["Point", ...] = (),
) -> State:
    """Start a capture, or take one up again where an earlier one left it.

    Parameters
    ----------
    course
        The points in walking order.
    sample_rate_hz
        The rate that the source gives; nothing is assumed.
    taken, skipped, trail
        What an earlier capture left; see `State`.
    since
        The point from which on the first one that still needs taps is looked for; None for the first.

    Raises
    ------
    TapscanError
        When the rate is not a finite number above 0.
    """
    require_rate(sample_rate_hz)
    kept = MappingProxyType(dict(taken or {}))
    return State(
        course=course,
        taken=kept,
        skipped=skipped,
        at=course.next_open(kept, skipped, since),
        is_on=True,
        trail=trail[-TRAIL:],
        ear=new_ear(sample_rate_hz),
        memory=Memory(),
    )


def advance(state: State, block: "ArrayLike") -> Step:
    """Take in the next samples of the stream.

    Parameters
    ----------
    state
        How far the capture has come.
    block
        Shape (samples,), any length, mono, relative to full scale 1.0.

    Returns
    -------
    tuple
        The new state, and the events in the order in which they became known. An `Accepted` tap is not on
        disk yet: whoever calls this keeps it before telling anybody.

    Raises
    ------
    ValueError
        When `block` is not one-dimensional.
    """
    sound = np.asarray(block, dtype=np.float32)
    if sound.ndim != 1:
        msg = f"block must have shape (samples,), not {sound.shape}"
        raise ValueError(msg)
    piece = max(1, round(PIECE_S * state.sample_rate_hz))
    events: list[Event] = []
    for start in range(0, len(sound), piece):
        before = state.ear.heard
        ear, hits = hear(state.ear, sound[start : start + piece])
        state = replace(state, ear=ear)
        heard: list[tuple[int, Event | Hit]] = [*_levels(ear, before), *((hit.decided, hit) for hit in hits)]
        for at, one in sorted(heard, key=lambda each: each[0]):
            state, rest = _let_ring(state, at)
            state, more = _take(state, one) if isinstance(one, Hit) else (state, (one,))
            events += [*rest, *more]
        state, rest = _let_ring(state, state.ear.heard)
        events += rest
    return state, tuple(events)


def interrupt(state: State) -> State:
    """Forget the sound so far, because samples were lost: what rings across the gap is no tap."""
    ear = new_ear(state.sample_rate_hz, state.ear.heard)
    return replace(state, ear=deafen(ear, WINDOW_S), ringing=None)


def pause(state: State) -> Step:
    """Let taps count for nothing until `resume`; levels go on."""
    return replace(_deaf(state), is_on=False), (Listening(is_on=False),)


def resume(state: State) -> Step:
    """Let taps count again."""
    return replace(_deaf(state), is_on=True), (Listening(is_on=True),)


def undo(state: State) -> Step:
    """Take back the tap that was kept last at the present point; no other point is touched."""
    if state.at is None or state.at not in state.trail:
        return _deaf(state), (Refused(f"{_name(state)} has no tap to undo", _way_back(state)),)
    point = state.at
    last = len(state.trail) - 1 - state.trail[::-1].index(point)
    left = max(state.taken.get(point, 0) - 1, 0)
    trail, taken = state.trail[:last] + state.trail[last + 1 :], _with(state.taken, point, left)
    state = replace(_deaf(state), trail=trail, taken=taken, skipped=state.skipped - {point})
    return _moved(state, point, Undone(point, left))


def repeat(state: State) -> Step:
    """Take back every tap of the present point; no other point is touched."""
    point = state.at
    if point is None or not state.taken.get(point):
        return _deaf(state), (Refused(f"{_name(state)} has no tap to repeat", _way_back(state)),)
    trail = tuple(one for one in state.trail if one != point)
    taken, skipped = _with(state.taken, point, 0), state.skipped - {point}
    state = replace(_deaf(state), trail=trail, taken=taken, skipped=skipped)
    return _moved(state, point, Repeated(point))


def back(state: State) -> Step:
    """Go back to the point struck before the present one; no tap is taken back."""
    point = _before(state)
    if point is None:
        return _deaf(state), (Refused("there is no point to go back to", "go to a point by its name"),)
    return _moved(_deaf(state), point)


def _before(state: State) -> "Point | None":
    """Find the point struck before the present one, in the order in which taps were kept."""
    trail = state.trail
    if state.at in trail:
        trail = trail[: trail.index(state.at)]
    return trail[-1] if trail else None


def _name(state: State) -> str:
    return "the end of the walk" if state.at is None else str(state.at)


def _way_back(state: State) -> str:
    point = _before(state)
    return "strike the point first" if point is None else f"go back to {point} first"


def skip(state: State) -> Step:
    """Leave the present point out and go to the next one."""
    if state.at is None:
        return _deaf(state), (Refused("nothing is left to skip", "go to a point by its name"),)
    point = state.at
    state = replace(_deaf(state), skipped=state.skipped | {point})
    return _onward(state, point, Skipped(point))


def go_to(state: State, point: "Point") -> Step:
    """Let the next tap count for another point, be it skipped, complete or open."""
    if point not in state.course.points:
        what = f"{point} is not a point of this walk"
        return _deaf(state), (Refused(what, "name a planned point of a zone that is being tapped"),)
    state = replace(_deaf(state), skipped=state.skipped - {point})
    return _moved(state, point)


def _take(state: State, hit: Hit) -> Step:
    """Judge a tap, and count it when it is good."""
    point, rate = state.at, state.sample_rate_hz
    if not state.is_on or point is None:
        return state, ()
    memory = state.memory
    reason = fault(hit, memory, rate)
    strays = memory.strays + (reason == "stray") if reason in {"stray", "too quiet"} else 0
    state = replace(state, memory=replace(memory, strays=strays))
    if reason == "stray":
        return state, _faint(hit, memory, rate)
    if hit.onset < state.held_until and state.trail:
        return state, (
            _double_strike(state, state.trail[-1], hit.onset, hit.decided, (hit.peak, hit.snr_db)),
        )
    samples = None if reason else kept_sound(hit, rate)
    if samples is not None:
        is_alike, memory = compare(hit, state.memory, rate)
        state = replace(state, memory=memory)
        reason = "" if is_alike else "does not match the other taps here"
    facts = {
        "time_s": round(hit.onset / rate, 6),
        "heard_s": round(hit.decided / rate, 6),
        "peak_db": _db(hit.peak),
        "snr_db": round(hit.snr_db, 2),
    }
    if reason or samples is None:
        reason = reason or "noisy"
        return state, (Rejected(point, reason, ADVICE[reason], **facts),)
    number = state.taken.get(point, 0) + 1
    accepted = Accepted(point, number, state.course.taps_per_point, **facts, samples=samples)
    state = replace(
        state,
        taken=_with(state.taken, point, number),
        trail=(*state.trail, point)[-TRAIL:],
        ringing=ring_on(point, hit, samples, state.ear),
    )
    if number < state.course.taps_per_point:
        return state, (accepted,)
    state = replace(state, held_until=hit.onset + round(HOLD_S * rate))
    return _onward(state, point, accepted, PointComplete(point))


def _faint(hit: Hit, memory: Memory, sample_rate_hz: float) -> tuple[Event, ...]:
    """Answer a sound too faint for a tap, on the screen alone: a cue would follow every step and word."""
    if swells(hit, sample_rate_hz):  # a cue, or a voice
        return ()
    below_db = _db(hit.peak) - _db(float(np.median(memory.peaks)))
    return (Faint(_db(hit.peak), round(below_db, 2)),)


def _let_ring(state: State, heard: int) -> Step:
    """Report the whole sound of the tap kept last, once the stream has got to its end."""
    if state.ringing is None or heard < state.ringing.end:
        return state, ()
    ringing, events = state.ringing, tuple[Event, ...]()
    samples = whole_ring(ringing, state.ear)
    again = second_strike(ringing, state.ear) if samples is None else None
    if samples is not None:
        events = (Lengthened(ringing.point, samples),)
    elif again is not None:
        events = (_double_strike(state, ringing.point, ringing.begin, ringing.end, again),)
    return replace(state, ringing=None), events


def _double_strike(
    state: State, point: "Point", onset: int, decided: int, peak_and_snr_db: tuple[float, float]
) -> Rejected:
    rate, (peak, snr_db) = state.sample_rate_hz, peak_and_snr_db
    return Rejected(
        point,
        "double strike",
        ADVICE["double strike"],
        time_s=round(onset / rate, 6),
        heard_s=round(decided / rate, 6),
        peak_db=_db(peak),
        snr_db=round(snr_db, 2),
    )


def _onward(state: State, point: "Point", *events: Event) -> Step:
    """Go from a point that is done with to the next open one, and say when its zone is complete."""
    happened = list(events)
    if not state.course.is_open(point.zone, state.taken, state.skipped):
        skipped = sum(one.zone == point.zone for one in state.skipped)
        happened.append(ZoneComplete(point.zone, skipped))
    return _moved(state, state.course.next_open(state.taken, state.skipped, point), *happened)


def _moved(state: State, point: "Point | None", *events: Event) -> Step:
    """Go to a point; it is compared with the taps that follow."""
    taken = 0 if point is None else state.taken.get(point, 0)
    memory = replace(state.memory, spectra=(), odd=None)
    state = replace(state, at=point, memory=memory)
    return state, (*events, Moved(point, taken, state.course.taps_per_point))


def _deaf(state: State) -> State:
    return replace(state, ear=deafen(state.ear, DEAF_S), ringing=None)


def _with(taken: Mapping["Point", int], point: "Point", count: int) -> Mapping["Point", int]:
    return MappingProxyType({**taken, point: count})


def _levels(ear: Ear, before: int) -> list[tuple[int, Event]]:
    """Say how loud it was in every tenth of a second of the stream that has just become complete."""
    step = ear.samples(LEVEL_S)
    return [
        (end, _level(ear.slice(end - step, end), end / ear.sample_rate_hz))
        for end in range((before // step + 1) * step, ear.heard + 1, step)
        if end - step >= ear.first
    ]


def _level(sound: "NDArray[np.float32]", time_s: float) -> Level:
    values = np.where(np.isfinite(sound), sound, 0).astype(np.float64)
    values -= values.mean()
    peak, rms = float(np.abs(values).max()), float(np.sqrt(np.mean(values**2)))
    return Level(round(time_s, 3), _db(peak), _db(rms), bool(np.abs(sound).max() >= 1 - 2.0**-14))


def _db(value: float) -> float:
    return round(max(20 * float(np.log10(max(value, 1e-30))), SILENCE_DB), 2)
