"""What happened at the bench, in a few words."""

from tapscan.capture.events import (
    Accepted,
    Event,
    Faint,
    Listening,
    Moved,
    PointComplete,
    Refused,
    Rejected,
    Repeated,
    Skipped,
    Undone,
    Warned,
    ZoneComplete,
)

__all__ = ["in_words"]


def in_words(event: Event) -> str:
    """Word an event in one line; nothing for a level and for a tap that has rung on.

    Examples
    --------
    >>> from tapscan.plan import Point
    >>> in_words(Undone(Point("BM", 7, 5), 1))
    'BM-07-05: last tap removed, 1 left'
    >>> in_words(ZoneComplete("BM", 2))
    'BM: every point is done, 2 of them skipped'
    """
    match event:
        case Accepted():
            text = f"{event.point}: tap {event.number} of {event.wanted} kept"
            return f"{text} ({event.snr_db:.0f} dB over the room)"
        case Rejected():
            return f"{event.point}: not kept, {event.reason} ({event.advice})"
        case PointComplete():
            return f"{event.point}: complete"
        case ZoneComplete():
            return f"{event.zone}: every point is done" + (
                f", {event.skipped} of them skipped" if event.skipped else ""
            )
        case Undone():
            return f"{event.point}: last tap removed, {event.taken} left"
        case Repeated():
            return f"{event.point}: taps removed; strike it again"
        case Skipped():
            return f"{event.point}: skipped"
    return _of_the_walk(event)


def _of_the_walk(event: Event) -> str:
    match event:
        case Moved():
            return "nothing is left to strike" if event.point is None else f"next: {event.point}"
        case Listening():
            return "listening" if event.is_on else "paused"
        case Faint():
            return f"a very soft sound, {-event.below_db:.0f} dB below your taps: not counted"
        case Refused():
            return f"{event.what} ({event.remedy})"
        case Warned():
            return event.sentence
    return ""
