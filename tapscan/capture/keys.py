"""Keys at the bench, as a pure state machine.

One big key is enough for most of the work, and a foot pedal that sends Space or Enter will do: it pauses
while the part is being turned and goes on afterwards, and when nothing is left to strike it ends the capture.
A pedal that is held down repeats; that is one press, since a terminal does not report when a key comes up.
"""

from dataclasses import dataclass

__all__ = ["HELP", "Action", "Keys", "press"]

HELP = "space pause/go on · u undo · r repeat · b back · s skip · g go to · q quit"
BIG = {" ", "\r", "\n"}
ERASE = {"\x7f", "\b"}
COMMANDS = {"u": "undo", "r": "repeat", "b": "back", "s": "skip", "\x7f": "undo", "\b": "undo"}
QUIT = {"q", "\x03", "\x04"}
LONGEST_NAME = 24
# Keyboards begin to repeat a key that is held after a quarter to two thirds of a second (common practice, no
# published source).
HELD_S = 0.7

Action = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Keys:
    """`typed` is the name of a point as far as it has been typed; None when none is.

    `big_s` is when the big key last came, by any clock that only goes forward.
    """

    typed: str | None = None
    big_s: float = float("-inf")


def press(
    keys: Keys, key: str, *, at_s: float, is_on: bool, is_done: bool
) -> tuple[Keys, tuple[Action, ...]]:
    r"""Say what a key does: commands for the session, or ``("quit", "")``.

    While a point's name is being typed the capture is paused, since every key makes a knock.

    Examples
    --------
    >>> press(Keys(), " ", at_s=0.0, is_on=True, is_done=False)[1]
    (('pause', ''),)
    >>> keys, actions = press(Keys(), "g", at_s=1.0, is_on=True, is_done=False)
    >>> for key in "7-5":
    ...     keys, actions = press(keys, key, at_s=2.0, is_on=False, is_done=False)
    >>> press(keys, "\n", at_s=3.0, is_on=False, is_done=False)[1]
    (('go to', '7-5'), ('resume', ''))
    """
    if keys.typed is not None:
        return _typing(keys.typed, key)
    if key in BIG:
        is_held = at_s - keys.big_s < HELD_S
        keys = Keys(big_s=at_s)
        if is_held:
            return keys, ()
        if is_done:
            return keys, (("quit", ""),)
        return keys, (("pause" if is_on else "resume", ""),)
    if key in QUIT:
        return keys, (("quit", ""),)
    if key == "g":
        return Keys(""), (("pause", ""),)
    return keys, ((COMMANDS[key], ""),) if key in COMMANDS else ()


def _typing(typed: str, key: str) -> tuple[Keys, tuple[Action, ...]]:
    if key in {"\r", "\n"}:
        go = (("go to", typed),) if typed else ()
        return Keys(), (*go, ("resume", ""))
    if key in QUIT - {"q"} or key == "\x1b":
        return Keys(), (("resume", ""),)
    if key in ERASE:
        return Keys(typed[:-1]), ()
    if len(key) == 1 and (key.isalnum() or key == "-") and len(typed) < LONGEST_NAME:
        return Keys(typed + key.upper()), ()
    return Keys(typed), ()
