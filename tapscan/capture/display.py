"""The screen at the bench, as lines of text: the next point large enough to be read from a metre away."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tapscan.capture.keys import HELP, Keys

if TYPE_CHECKING:
    from tapscan.capture.engine import State

__all__ = ["Seen", "bench_lines", "large"]

# Five rows of five dots, top to bottom; drawn for this screen.
GLYPHS = {
    "0": ".###. #..## #.#.# ##..# .###.",
    "1": "..#.. .##.. ..#.. ..#.. .###.",
    "2": "####. ....# .###. #.... #####",
    "3": "####. ....# .###. ....# ####.",
    "4": "#..#. #..#. ##### ...#. ...#.",
    "5": "##### #.... ####. ....# ####.",
    "6": ".###. #.... ####. #...# .###.",
    "7": "##### ....# ...#. ..#.. ..#..",
    "8": ".###. #...# .###. #...# .###.",
    "9": ".###. #...# .#### ....# .###.",
    "A": ".###. #...# ##### #...# #...#",
    "B": "####. #...# ####. #...# ####.",
    "C": ".#### #.... #.... #.... .####",
    "D": "####. #...# #...# #...# ####.",
    "E": "##### #.... ####. #.... #####",
    "F": "##### #.... ####. #.... #....",
    "G": ".#### #.... #..## #...# .####",
    "H": "#...# #...# ##### #...# #...#",
    "I": ".###. ..#.. ..#.. ..#.. .###.",
    "J": "..### ...#. ...#. #..#. .##..",
    "K": "#...# #..#. ###.. #..#. #...#",
    "L": "#.... #.... #.... #.... #####",
    "M": "#...# ##.## #.#.# #...# #...#",
    "N": "#...# ##..# #.#.# #..## #...#",
    "O": ".###. #...# #...# #...# .###.",
    "P": "####. #...# ####. #.... #....",
    "Q": ".###. #...# #.#.# #..#. .##.#",
    "R": "####. #...# ####. #..#. #...#",
    "S": ".#### #.... .###. ....# ####.",
    "T": "##### ..#.. ..#.. ..#.. ..#..",
    "U": "#...# #...# #...# #...# .###.",
    "V": "#...# #...# #...# .#.#. ..#..",
    "W": "#...# #...# #.#.# ##.## #...#",
    "X": "#...# .#.#. ..#.. .#.#. #...#",
    "Y": "#...# .#.#. ..#.. ..#.. ..#..",
    "Z": "##### ...#. ..#.. .#... #####",
    "-": "..... ..... .###. ..... .....",
    " ": "..... ..... ..... ..... .....",
}
METER_FLOOR_DB = -60.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What the screen shows beside the standing of the capture."""

    source: str
    message: str = ""
    peak_db: float = METER_FLOOR_DB
    is_limited: bool = False
    keys: Keys = field(default_factory=Keys)


def bench_lines(state: "State", seen: Seen, columns: int, has_blocks: bool = True) -> list[str]:
    """Lay the screen out for a terminal of so many columns; what does not fit is cut off.

    `has_blocks` says that the terminal can show filled blocks; else it gets hashes.
    """
    course = state.course
    done = sum(state.taken.get(point, 0) >= course.taps_per_point for point in course.points)
    share = f"{done} of {len(course.points)} points"
    skipped = f", {len(state.skipped)} skipped" if state.skipped else ""
    dot = "█" if has_blocks else "#"
    lines = [
        f" {seen.source}   {share}{skipped}",
        "",
        *[f"  {row}" for row in large(_headline(state, seen), columns - 4, dot)],
        "",
        f" {_under(state, seen)}",
        "",
        f" {seen.message}",
        "",
        _meter(seen, columns, dot),
        "",
        f" {HELP}",
    ]
    return [line[:columns] for line in lines]


def large(text: str, columns: int, dot: str = "#") -> list[str]:
    r"""Write a short text in letters as large as fit, at most three times their least size.

    Examples
    --------
    >>> print("\n".join(line.rstrip() for line in large("1-7", 40)))
        ##                  ##########
      ####                          ##
        ##        ######          ##
        ##                      ##
      ######                    ##
    """
    text = text.upper()
    # A cell of a terminal is about twice as high as it is wide.
    size = max(0, min(3, columns // (12 * max(len(text), 1))))
    width, height = (2 * size, size) if size else (1, 1)
    rows = []
    for row in range(5):
        dots = " ".join(GLYPHS.get(letter, GLYPHS[" "]).split()[row] for letter in text)
        line = "".join((dot if one == "#" else " ") * width for one in dots)
        rows += [line] * height
    return rows


def _headline(state: "State", seen: Seen) -> str:
    if seen.keys.typed is not None:
        return seen.keys.typed or "-"
    if state.at is None:
        return "done"
    return str(state.at) if state.is_on else "pause"


def _under(state: "State", seen: Seen) -> str:
    if seen.keys.typed is not None:
        return "type a point, then Enter (Esc: stay)"
    if state.at is None:
        return "nothing is left to strike: space ends the capture"
    taken, wanted = state.taken.get(state.at, 0), state.course.taps_per_point
    if not state.is_on:
        return f"paused before {state.at}, {taken} of {wanted} taps: space goes on"
    return f"{state.at}: {taken} of {wanted} taps"


def _meter(seen: Seen, columns: int, dot: str) -> str:
    """Draw how loud it was lately; what is left of the scale is headroom."""
    text = " TOO LOUD" if seen.is_limited else f"{seen.peak_db:5.0f} dB"
    room = max(columns - 22, 8)
    share = 1 - min(max(seen.peak_db / METER_FLOOR_DB, 0.0), 1.0)
    filled = round(share * room)
    return f" level [{dot * filled}{' ' * (room - filled)}] {text}"
