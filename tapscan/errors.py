"""The one error type, and the one sentence form that errors and warnings share.

A problem is reported as *where: what (the way out)*, for example
``taps/BM-07-05.wav: holds no sound (record the point again)``.
"""

from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["MistakesError", "TapscanError", "folded", "nearest", "sentence"]

_MOST_NAMED = 3


def sentence(where: str, what: str, remedy: str) -> str:
    """Join place, problem and remedy into the sentence that the user reads.

    Examples
    --------
    >>> sentence("taps/BM-07-05.wav", "holds no sound", "record the point again")
    'taps/BM-07-05.wav: holds no sound (record the point again)'
    """
    return f"{where}: {what} ({remedy})"


def folded(sentences: "Iterable[str]") -> list[str]:
    """Say once what is wrong at more than three places, so that it does not bury what is wrong elsewhere.

    Examples
    --------
    >>> folded([f"taps/BM-01-0{k}.wav: is empty (record it again)" for k in range(1, 6)])
    ['taps/BM-01-01.wav, taps/BM-01-02.wav and 3 more: is empty (record it again)']
    """
    places: dict[str, list[str]] = {}
    for one in sentences:
        where, _, what = one.partition(": ")
        places.setdefault(what, []).append(where)
    sentences = []
    for what, named in places.items():
        if what and len(named) > _MOST_NAMED:
            named = [f"{named[0]}, {named[1]} and {len(named) - 2} more"]
        sentences += [f"{where}: {what}" if what else where for where in named]
    return sentences


class TapscanError(Exception):
    """Something in the user's input that they can fix.

    Commands print it as one line and leave with status 1. Anything else that is
    raised is a bug in tapscan and shows as such.

    Parameters
    ----------
    where
        The file, zone, key or point, as the user would name it.
    what
        What is wrong with it, and why it matters where that is not plain.
    remedy
        What to do about it.
    """

    def __init__(self, where: str, what: str, remedy: str) -> None:
        super().__init__(sentence(where, what, remedy))
        self.where = where
        self.what = what
        self.remedy = remedy

    @property
    def mistakes(self) -> "tuple[TapscanError, ...]":
        """Everything that is wrong, one sentence each: this error, unless it carries several."""
        return (self,)


class MistakesError(TapscanError):
    """Several mistakes found in one pass; as text the first of them and how many more there are.

    Examples
    --------
    >>> few = [TapscanError("plan", "has no zone", "add one"), TapscanError("plan", "has no part", "add it")]
    >>> str(MistakesError(few))
    'plan: has no zone (add one; 1 more error)'
    >>> [str(one) for one in MistakesError(few).mistakes]
    ['plan: has no zone (add one)', 'plan: has no part (add it)']
    """

    def __init__(self, mistakes: "Sequence[TapscanError]") -> None:
        first, more = mistakes[0], len(mistakes) - 1
        count = f"; {more} more {'error' if more == 1 else 'errors'}" if more else ""
        super().__init__(first.where, first.what, f"{first.remedy}{count}")
        self._mistakes = tuple(mistakes)

    @property
    def mistakes(self) -> "tuple[TapscanError, ...]":
        """Everything that is wrong, one sentence each."""
        return self._mistakes


def nearest(word: str, known: "Iterable[str]") -> str | None:
    """Return the known word most like `word`, or None when none is alike.

    Examples
    --------
    >>> nearest("girht_mm", ["girth_mm", "stations"])
    'girth_mm'
    >>> nearest("colour", ["girth_mm", "stations"]) is None
    True
    """
    matches = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return matches[0] if matches else None
