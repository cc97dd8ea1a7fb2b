"""What a live capture reports: small frozen facts, each of which a page or a program can take as JSON."""

from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, ClassVar

from tapscan.plan import Point

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "Accepted",
    "Event",
    "Faint",
    "Lengthened",
    "Level",
    "Listening",
    "Moved",
    "PointComplete",
    "Refused",
    "Rejected",
    "Repeated",
    "Skipped",
    "Undone",
    "Warned",
    "ZoneComplete",
]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened. `name` is what JSON calls it."""

    name: ClassVar[str] = ""

    def as_document(self) -> dict[str, object]:
        """Give the event as plain values for JSON: points spelled out, sound left out.

        Examples
        --------
        >>> Skipped(Point("BM", 7, 5)).as_document()
        {'event': 'skipped', 'point': 'BM-07-05'}
        """
        values = {one.name: getattr(self, one.name) for one in fields(self) if one.repr}
        plain = {key: str(value) if isinstance(value, Point) else value for key, value in values.items()}
        return {"event": self.name, **plain}


@dataclass(frozen=True, slots=True)
class Level(Event):
    """How loud it was in the tenth of a second that ends at `time_s`, in dB relative to full scale.

    `is_limited` says that the sound touched full scale.
    """

    name = "level"
    time_s: float
    peak_db: float
    rms_db: float
    is_limited: bool


@dataclass(frozen=True, slots=True, eq=False)
class Accepted(Event):
    """A good tap at `point`, the `number`-th there of `wanted`.

    `time_s` is its onset in the stream, `heard_s` the moment in the stream at which it was decided on.
    `samples` is the sound to be kept, shape (samples,), float32 as it came from the source.
    """

    name = "accepted"
    point: Point
    number: int
    wanted: int
    time_s: float
    heard_s: float
    peak_db: float
    snr_db: float
    samples: "NDArray[np.float32]" = field(repr=False)


@dataclass(frozen=True, slots=True, eq=False)
class Lengthened(Event):
    """The tap accepted last has rung on: `samples` are what was kept of it, and what came after."""

    name = "lengthened"
    point: Point
    samples: "NDArray[np.float32]" = field(repr=False)


@dataclass(frozen=True, slots=True)
class Rejected(Event):
    """A tap that was heard and not taken; `advice` is what to do about it.

    `reason` is ``clipped``, ``too quiet``, ``double hit``, ``double strike``, ``noisy``,
    ``does not match the other taps here`` or ``not finite``. A double strike came so soon after a tap that
    was kept, at that tap's `point`, that nobody can have moved on.
    """

    name = "rejected"
    point: Point
    reason: str
    advice: str
    time_s: float
    heard_s: float
    peak_db: float
    snr_db: float


@dataclass(frozen=True, slots=True)
class Faint(Event):
    """A sudden sound far weaker than the taps kept before, `below_db` against their median (negative).

    It may be a step in the room or a very soft tap: it counts for nothing, and is answered on the screen.
    """

    name = "faint"
    peak_db: float
    below_db: float


@dataclass(frozen=True, slots=True)
class PointComplete(Event):
    """The point has as many taps as the plan asks for."""

    name = "point complete"
    point: Point


@dataclass(frozen=True, slots=True)
class ZoneComplete(Event):
    """Every point of the zone is complete or was skipped; `skipped` of them were."""

    name = "zone complete"
    zone: str
    skipped: int


@dataclass(frozen=True, slots=True)
class Moved(Event):
    """The point that the next tap counts for, with the taps it has; None when all points are done."""

    name = "moved"
    point: Point | None
    taken: int
    wanted: int


@dataclass(frozen=True, slots=True)
class Undone(Event):
    """The last tap at `point` was removed; `taken` are left."""

    name = "undone"
    point: Point
    taken: int


@dataclass(frozen=True, slots=True)
class Repeated(Event):
    """All taps at `point` were removed; the point is to be struck again."""

    name = "repeated"
    point: Point


@dataclass(frozen=True, slots=True)
class Skipped(Event):
    """The point is left out until somebody goes to it."""

    name = "skipped"
    point: Point


@dataclass(frozen=True, slots=True)
class Listening(Event):
    """Taps count (`is_on`), or the capture is paused."""

    name = "listening"
    is_on: bool


@dataclass(frozen=True, slots=True)
class Refused(Event):
    """A command that cannot be done now, and the way out."""

    name = "refused"
    what: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Warned(Event):
    """Something about the stream or the files that the person should know: one sentence."""

    name = "warned"
    sentence: str
