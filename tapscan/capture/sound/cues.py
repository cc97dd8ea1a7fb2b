"""Cues for ears that are away from the screen: a short tone for every outcome, and what plays them.

The tones swell and fade slowly, so that one that the microphone hears is not taken for a tap; between 200 and
550 Hz a single swing of a note would pass for one. Still a cue adds to the room: headphones are better than a
loudspeaker.
"""

import sys
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.capture.events import Event, Listening, Rejected
from tapscan.capture.sound.sources import let_go

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["CUES", "Bell", "Speaker", "cue_of", "tone"]

LEVEL = 0.25
# Notes in hertz, played one after the other, and how long each of them lasts. A good tap is one short high
# note; a bad one low and long; a point goes up, a zone goes up further; a step back goes down.
CUES: dict[str, tuple[tuple[float, ...], float]] = {
    "accepted": ((1320.0,), 0.06),
    "rejected": ((196.0, 185.0), 0.14),
    # Two short low notes and a long one: unlike every other cue, since the hand must stop.
    "double strike": ((196.0, 196.0, 147.0), 0.12),
    "point complete": ((880.0, 1320.0), 0.07),
    "zone complete": ((660.0, 880.0, 1100.0, 1320.0), 0.12),
    "undone": ((880.0, 587.0), 0.08),
    "repeated": ((880.0, 740.0, 587.0), 0.08),
    "skipped": ((660.0, 660.0), 0.07),
    "paused": ((587.0, 587.0, 587.0), 0.16),
    "resumed": ((587.0, 880.0, 1175.0), 0.09),
    "refused": ((196.0,), 0.2),
    "warned": ((784.0, 587.0, 784.0), 0.12),
}
# Of several events at once the first of these is sounded, the others are on the screen.
WEIGHT = (
    "warned",
    "zone complete",
    "double strike",
    "point complete",
    "rejected",
    "paused",
    "resumed",
    "refused",
    "repeated",
    "undone",
    "skipped",
    "accepted",
)


def cue_of(events: tuple[Event, ...]) -> str | None:
    """Choose the one cue that answers what has just happened; None when nothing needs one."""
    names = {_cue_name(event) for event in events}
    return next((name for name in WEIGHT if name in names), None)


def _cue_name(event: Event) -> str:
    """Name the cue of an event: mostly its own name; a pause and a double strike have cues of their own."""
    match event:
        case Listening():
            return "resumed" if event.is_on else "paused"
        case Rejected(reason="double strike"):
            return "double strike"
    return event.name


def tone(name: str, sample_rate_hz: float) -> "NDArray[np.float32]":
    """Make the cue of an event, shape (samples,).

    Examples
    --------
    >>> tone("accepted", 48_000).shape, float(abs(tone("accepted", 48_000)).max()) <= 0.25
    ((2880,), True)
    """
    notes, length_s = CUES[name]
    time_s = np.arange(round(length_s * sample_rate_hz)) / sample_rate_hz
    shape = LEVEL * np.sin(np.pi * time_s / length_s) ** 4
    return np.concatenate([shape * np.sin(2 * np.pi * note * time_s) for note in notes]).astype(np.float32)


class Bell:
    """The terminal's own bell, where there is nothing to play tones on: once for good, twice for bad."""

    def play(self, name: str) -> None:
        """Ring."""
        rings = {"accepted": 0, "rejected": 2, "double strike": 3, "refused": 2, "warned": 2}.get(name, 1)
        if sys.stdout.isatty():
            sys.stdout.write("\a" * rings)
            sys.stdout.flush()

    def close(self) -> None:
        """Nothing is held."""


class Speaker:
    """An output of the computer that plays one cue after the other without making anybody wait.

    Raises
    ------
    OSError
        When there is no output that opens.
    """

    def __init__(self, library: Any) -> None:
        try:
            rate_hz = float(library.query_devices(kind="output")["default_samplerate"])
            self._tones = {name: tone(name, rate_hz) for name in CUES}
            self._left: NDArray[np.float32] = np.empty(0, dtype=np.float32)
            self._stream = library.OutputStream(
                samplerate=rate_hz, channels=1, dtype="float32", latency="low", callback=self._give
            )
            self._stream.start()
        except (library.PortAudioError, ValueError) as error:
            raise OSError(str(error)) from None

    def play(self, name: str) -> None:
        """Start a cue; one that still sounds gives way."""
        self._left = self._tones[name]

    def close(self) -> None:
        """Let the output go."""
        let_go(self._stream)

    def _give(self, out: "NDArray[np.float32]", frames: int, _times: object, _status: object) -> None:
        part, self._left = self._left[:frames], self._left[frames:]
        out[: len(part), 0] = part
        out[len(part) :, 0] = 0.0
