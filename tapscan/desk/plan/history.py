"""Undo and redo of what the page writes into the plan: whole texts of the plan, in the order of the changes.

A plan that somebody changed elsewhere meanwhile is neither undone nor redone over.
"""

from dataclasses import dataclass, replace

from tapscan.errors import TapscanError
from tapscan.plan.text.reading import PLAN_NAME

__all__ = ["Change", "History", "redone", "undone", "with_change"]

MOST_CHANGES = 200  # kept in memory; a plan is some kilobytes


@dataclass(frozen=True, slots=True)
class Change:
    """One change of the plan: in words for a button, and its text before and after."""

    words: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class History:
    """The changes that can be undone, the latest last, and those that can be redone, the next one last."""

    done: tuple[Change, ...] = ()
    undone: tuple[Change, ...] = ()


def with_change(history: History, change: Change) -> History:
    """Add a change. One that changes nothing adds nothing; a new one ends what could be redone.

    Examples
    --------
    >>> history = with_change(History(), Change("skip BM-01-01", "a", "b"))
    >>> text, history = undone(history, "b")
    >>> text, redone(history, text)[0]
    ('a', 'b')
    """
    if change.before == change.after:
        return history
    return History((*history.done, change)[-MOST_CHANGES:], ())


def undone(history: History, text: str) -> tuple[str, History]:
    """Return the plan's text before the latest change, and the history after that.

    Raises
    ------
    TapscanError
        When there is nothing to undo, or `text` is no longer what that change wrote.
    """
    if not history.done:
        where, what = "undo", "there is nothing to undo"
        raise TapscanError(where, what, "only changes made on this page can be undone")
    change = history.done[-1]
    _require_same(text, change.after, "undone")
    return change.before, replace(history, done=history.done[:-1], undone=(*history.undone, change))


def redone(history: History, text: str) -> tuple[str, History]:
    """Return the plan's text after the change that was undone last, and the history after that.

    Raises
    ------
    TapscanError
        When there is nothing to redo, or `text` is no longer what was there before that change.
    """
    if not history.undone:
        where, what = "redo", "there is nothing to redo"
        raise TapscanError(where, what, "a new change ends what could be redone")
    change = history.undone[-1]
    _require_same(text, change.before, "redone")
    return change.after, History((*history.done, change), history.undone[:-1])


def _require_same(text: str, expected: str, done: str) -> None:
    if text != expected:
        what = f"changed outside this page; nothing was {done}"
        raise TapscanError(PLAN_NAME, what, "set it by hand")
