"""One capture on one inspection folder: the engine, and the disk behind it.

Both the terminal and the page drive this. Nothing is reported before it is on disk.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from tapscan.capture import engine
from tapscan.capture.course import plan_course
from tapscan.capture.events import Accepted, Event, Lengthened, Refused, Repeated, Skipped, Undone
from tapscan.capture.keeping import Keeping, named
from tapscan.errors import TapscanError
from tapscan.plan import Plan, Point, parse_point

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from tapscan.records.inspection import Inspection

__all__ = ["COMMANDS", "Session", "tapped_zones"]

COMMANDS = {
    "undo": engine.undo,
    "repeat": engine.repeat,
    "back": engine.back,
    "skip": engine.skip,
    "pause": engine.pause,
    "resume": engine.resume,
}


class Session:
    """A capture that goes on where the folder says the last one ended.

    Parameters
    ----------
    inspection
        An opened inspection folder.
    sample_rate_hz
        The rate at which blocks will come.
    zones
        Codes of the zones to walk, or names of points to strike again; `tapped_zones` of the plan when empty.
        What such a point has from before is moved away once its first new tap is kept.
    there_and_back
        Walk even stations from the last position down.
    source
        What the sound comes from, for the journal.
    progress
        Called with how many of how many points have been read, while the folder is read.

    Raises
    ------
    TapscanError
        When the plan has no such zone, the folder cannot be written or another capture holds it.

    Examples
    --------
    >>> session = Session(open_inspection("my-part"), 48_000)                          # doctest: +SKIP
    >>> for block in source:                                                           # doctest: +SKIP
    ...     for event in session.feed(block):
    ...         print(event.as_document())
    """

    def __init__(
        self,
        inspection: "Inspection",
        sample_rate_hz: float,
        *,
        zones: Iterable[str] = (),
        there_and_back: bool = False,
        source: str = "",
        progress: Callable[[int, int], None] = lambda *_: None,
    ) -> None:
        zones = list(zones) or tapped_zones(inspection)
        course = plan_course(inspection.plan, zones, there_and_back=there_and_back)
        self._keeping = Keeping(inspection)
        self._fault: TapscanError | None = None
        try:
            counts = self._keeping.count(course.points, progress)
            skipped, since = _recall(self._keeping.entries(), course.points)
            again = {point for point in map(parse_point, zones) if point in course.points}
            counts = {point: count for point, count in counts.items() if point not in again}
            self._old = {point for point in again if point is not None}
            taken = {point: sum(count) for point, count in counts.items()}
            at = course.next_open(taken, skipped, since)
            trail = _trail(counts, course.points, at)
            self._state = engine.begin(
                course, sample_rate_hz, taken=taken, skipped=skipped, since=since, trail=trail
            )
            self._keeping.note(source=source, sample_rate_hz=sample_rate_hz)
        except BaseException:
            self._keeping.close()
            raise

    @property
    def state(self) -> engine.State:
        """How far the capture has come."""
        return self._state

    def feed(self, block: "ArrayLike") -> tuple[Event, ...]:
        """Take samples in, keep the taps that are good, and say what happened.

        Raises
        ------
        TapscanError
            When a tap cannot be kept. The session is then over; a new one goes on at the right point.
        """
        return self._settle(engine.advance(self._state, block))

    def command(self, name: str, point: str = "") -> tuple[Event, ...]:
        """Do one of `COMMANDS`, or ``go to`` with a point's name: BM-07-05, or 7-5 in the present zone.

        Raises
        ------
        KeyError
            When there is no such command.
        TapscanError
            When the disk does not let itself be written; the session is then over.
        """
        if name != "go to":
            return self._settle(COMMANDS[name](self._state))
        text = point.strip().upper()
        here = self._state.at or self._state.course.points[0]
        parsed = parse_point(text) or parse_point(f"{here.zone}-{text}")
        if parsed is None:
            return (Refused(f"{point!r} is not a point", "write zone, station and position: BM-07-05"),)
        return self._settle(engine.go_to(self._state, parsed))

    def interrupt(self) -> None:
        """Forget the sound so far, because the source has lost samples."""
        self._state = engine.interrupt(self._state)

    def snapshot(self) -> dict[str, object]:
        """Give the whole standing as plain values for JSON, for a page that has just been opened."""
        state = self._state
        return {
            "event": "standing",
            "sample_rate_hz": state.sample_rate_hz,
            "is_on": state.is_on,
            "point": None if state.at is None else str(state.at),
            "wanted": state.course.taps_per_point,
            "points": [
                {"point": str(point), "taken": state.taken.get(point, 0), "skipped": point in state.skipped}
                for point in state.course.points
            ],
        }

    def close(self) -> None:
        """Let another capture take the folder. Everything reported is on disk already."""
        self._keeping.close()

    def __enter__(self) -> "Session":
        """Hold the folder."""
        return self

    def __exit__(self, *_: object) -> None:
        """Let it go."""
        self.close()

    def _settle(self, step: engine.Step) -> tuple[Event, ...]:
        """Put what happened on disk; only then is it so."""
        if self._fault is not None:
            raise self._fault
        state, events = step
        try:
            for event in events:
                self._put(event, state)
            if state.at != self._state.at and state.at is not None and _is_a_jump(events):
                self._keeping.note(at=str(state.at))
        except TapscanError as error:
            self._fault = error
            raise
        self._state = state
        return events

    def _put(self, event: Event, state: engine.State) -> None:
        if isinstance(event, Accepted):
            if event.point in self._old:
                self._keeping.put_aside(event.point, only_last=False)
                self._old.discard(event.point)
            self._keeping.keep(event.point, event.samples, state.sample_rate_hz)
        elif isinstance(event, Lengthened):
            self._keeping.lengthen(event.samples, state.sample_rate_hz)
        elif isinstance(event, Undone):
            self._keeping.put_aside(event.point, only_last=True)
        elif isinstance(event, Repeated):
            self._keeping.put_aside(event.point, only_last=False)
        elif isinstance(event, Skipped):
            self._keeping.note(skip=str(event.point))


def _is_a_jump(events: tuple[Event, ...]) -> bool:
    """Whether the walk was moved by hand: what follows from taps and skips can be read from the folder."""
    return not any(isinstance(event, Accepted | Skipped) for event in events)


def tapped_zones(inspection: "Inspection") -> list[str]:
    """Name the zones that are to be tapped: those without A-scans, or all when every zone has some."""
    scanned = {*inspection.volumes, *(point.zone for point in inspection.trace_files)}
    plan: Plan = inspection.plan
    return [zone.code for zone in plan.zones if zone.code not in scanned] or [
        zone.code for zone in plan.zones
    ]


def _trail(
    counts: Mapping[Point, list[int]], points: tuple[Point, ...], at: Point | None
) -> tuple[Point, ...]:
    """List the taps that are in files of their own, back along the walk from the next point."""
    end = len(points) if at is None else points.index(at) + 1
    return tuple(
        point
        for point in (*points[end:], *points[:end])
        for _ in counts.get(point, ())
        if set(counts[point]) == {1}
    )


def _recall(
    entries: list[dict[str, object]], points: tuple[Point, ...]
) -> tuple[frozenset[Point], Point | None]:
    """Read from the journal which points are skipped, and where the walk was last moved to."""
    skipped: set[Point] = set()
    since: Point | None = None
    for entry in entries:
        point = named(entry.get("skip")) or named(entry.get("at"))
        if point not in points:
            continue
        if "skip" in entry:
            skipped.add(point)
        else:  # whoever goes to a point wants it struck
            skipped.discard(point)
            since = point
    return frozenset(skipped), since
