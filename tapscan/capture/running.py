"""The loop of a capture: a source into a session, what happened to whoever shows it, wishes back."""

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from tapscan.capture.events import Event, Warned

if TYPE_CHECKING:
    from tapscan.capture.keys import Action
    from tapscan.capture.session import Session
    from tapscan.capture.sound.sources import Source

__all__ = ["run"]


def run(
    session: "Session",
    source: "Source",
    report: Callable[[tuple[Event, ...]], None],
    wishes: Callable[[], Iterable["Action"]],
) -> None:
    """Capture until the source ends or somebody wishes to quit.

    Parameters
    ----------
    session
        The capture.
    source
        What is listened to.
    report
        Called after every block with what happened; all of it is on disk by then.
    wishes
        Asked after every block for commands, ``("quit", "")`` among them.

    Raises
    ------
    TapscanError
        When the source is lost or the disk is full.
    """
    for block in source.blocks():
        if block.is_broken:
            session.interrupt()
        events = session.feed(block.samples)
        report((Warned(block.warning), *events) if block.warning else events)
        for name, point in wishes():
            if name == "quit":
                return
            report(session.command(name, point))
