"""A large flat shape on small sheets of paper: which sheets it takes, and the marks by which they are joined.

Each sheet shows a window onto the shape. Neighbouring windows overlap, and in the middle of the overlap are
crosses with letters, printed on both sheets: laid cross on cross, the sheets join.

What is drawn fits on A4 and on Letter, so that it is drawn once: the files for the two differ in the empty
paper around it.
"""

import re
from dataclasses import dataclass
from functools import partial
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Grid = NDArray[np.float64]

__all__ = [
    "A4",
    "LETTER",
    "OVERLAP_MM",
    "PAPERS",
    "SHEET",
    "Mark",
    "Paper",
    "Tile",
    "Tiling",
    "on_papers",
    "sheet_count",
    "tiled",
]

OVERLAP_MM = 12.0
# What printers leave white, and what the check bars and the words take.
MARGIN_MM, HEADER_MM, BAR_MM = 10.0, 30.0, 10.0


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper as it is in the printer; its window is right of one check bar, below the other."""

    name: str
    width_mm: float
    height_mm: float

    @property
    def turned(self) -> "Paper":
        """The same paper on its side."""
        return Paper(self.name, self.height_mm, self.width_mm)

    @property
    def window_mm(self) -> tuple[float, float, float, float]:
        """Left, top, width and height of the window, from the paper's upper left corner."""
        left, top = MARGIN_MM + BAR_MM, MARGIN_MM + HEADER_MM
        return left, top, self.width_mm - left - MARGIN_MM, self.height_mm - top - MARGIN_MM


# ISO 216 and ANSI/ASME Y14.1 (8.5 in by 11 in), both from memory.
A4, LETTER = Paper("A4", 210.0, 297.0), Paper("Letter", 215.9, 279.4)
PAPERS = (A4, LETTER)
SHEET = Paper("A4 or Letter", 210.0, 279.4)  # what both have
_PT_PER_MM = 72 / 25.4
_PAGE_FRAME = re.compile(rb"/MediaBox \[ 0 0 ([0-9.]+) ([0-9.]+) \]")


@dataclass(frozen=True, slots=True)
class Tile:
    """One sheet: its number from 1, its row and column from 0, and the upper left corner of its window."""

    number: int
    row: int
    column: int
    u_mm: float
    v_mm: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A joining mark, on the sheets with the numbers `first` and `second`."""

    letter: str
    first: int
    second: int
    u_mm: float
    v_mm: float


@dataclass(frozen=True, slots=True)
class Tiling:
    """All sheets of one shape, on paper turned so that it takes the fewest."""

    paper: Paper
    rows: int
    columns: int
    tiles: tuple[Tile, ...]
    marks: tuple[Mark, ...]


def on_papers(pdf: bytes) -> dict[str, bytes]:
    """Put pages that were drawn on `SHEET` into the middle of each paper: the file for each, by its name.

    A page's frame may begin anywhere (ISO 32000-1, 14.11.2), so that nothing else of the file changes, not
    even its length.
    """
    return {paper.name: _PAGE_FRAME.sub(partial(_framed, paper), pdf) for paper in PAPERS}


def _framed(paper: Paper, page: "re.Match[bytes]") -> bytes:
    drawn = np.array([float(side) for side in page.groups()])
    way = paper.turned if drawn[0] > drawn[1] else paper
    beyond = (np.array([way.width_mm, way.height_mm]) * _PT_PER_MM - drawn) / 2
    sides = [f"{round(float(side), 2) + 0.0:g}" for side in (*-beyond, *(drawn + beyond))]
    frame = f"/MediaBox [ {' '.join(sides)} ]".encode()
    assert len(frame) <= len(page[0])  # or the file's table of places would be off
    return frame.ljust(len(page[0]))


def sheet_count(paper: Paper, shape: "Grid", room_mm: float) -> int:
    """Count the sheets that the box round a shape takes, without laying them out."""
    return min(int(np.prod(_counts(way, *_extent(shape, room_mm)))) for way in (paper, paper.turned))


def tiled(paper: Paper, shape: "Grid", room_mm: float) -> Tiling:
    """Lay out the sheets that a shape takes; those that would stay empty are left out.

    Parameters
    ----------
    paper
        What it is printed on, either way round.
    shape
        Shape (n, 2): closed edge of the shape in mm.
    room_mm
        Space for words that is kept round the shape.

    Examples
    --------
    >>> strip = np.array([[0, 0], [400, 0], [400, 120], [0, 120], [0, 0]], dtype=float)
    >>> layout = tiled(A4, strip, 5.0)
    >>> [(tile.row, tile.column) for tile in layout.tiles], [mark.letter for mark in layout.marks]
    ([(0, 0), (0, 1)], ['A', 'B'])
    """
    layouts = [_laid_out(way, shape, room_mm) for way in (paper, paper.turned)]
    return min(layouts, key=lambda layout: len(layout.tiles))


def _extent(shape: "Grid", room_mm: float) -> "tuple[Grid, Grid]":
    return shape.min(axis=0) - room_mm, shape.max(axis=0) + room_mm


def _counts(paper: Paper, low: "Grid", high: "Grid") -> tuple[int, int]:
    """Columns and rows of windows that cover a box."""
    window = np.array(paper.window_mm[2:])
    more = np.ceil(np.maximum(high - low - window, 0) / (window - OVERLAP_MM) - 1e-9)
    return int(more[0]) + 1, int(more[1]) + 1


def _laid_out(paper: Paper, shape: "Grid", room_mm: float) -> Tiling:
    low, high = _extent(shape, room_mm)
    columns, rows = _counts(paper, low, high)
    window = np.array(paper.window_mm[2:])
    step = window - OVERLAP_MM
    # What the windows hold more than the shape is shared by both sides.
    corner = (low + high - step * [columns - 1, rows - 1] - window) / 2
    places = {
        (row, column): corner + step * [column, row] for row, column in product(range(rows), range(columns))
    }
    kept = [place for place, at in places.items() if _meets(shape, at, at + window, room_mm)]
    tiles = tuple(
        Tile(number, row, column, float(places[row, column][0]), float(places[row, column][1]))
        for number, (row, column) in enumerate(kept, 1)
    )
    return Tiling(paper, rows, columns, tiles, _marks(tiles, window))


def _meets(shape: "Grid", low: "Grid", high: "Grid", room_mm: float) -> bool:
    """Say whether a window shows any of the shape, or of the words beside it."""
    from matplotlib.path import Path
    from matplotlib.transforms import Bbox

    box = Bbox([tuple(low - room_mm), tuple(high + room_mm)])
    return bool(Path(shape).intersects_bbox(box, filled=True))


def _marks(tiles: tuple[Tile, ...], window: "Grid") -> tuple[Mark, ...]:
    """Put two marks into every overlap of two sheets, well away from where four of them meet."""
    at = {(tile.row, tile.column): tile for tile in tiles}
    marks: list[Mark] = []
    for tile in tiles:
        for row, column in ((0, 1), (1, 0)):
            other = at.get((tile.row + row, tile.column + column))
            if other is None:
                continue
            for share in (0.25, 0.75):
                u = other.u_mm + (OVERLAP_MM / 2 if column else share * window[0])
                v = other.v_mm + (OVERLAP_MM / 2 if row else share * window[1])
                marks.append(Mark(_letter(len(marks)), tile.number, other.number, float(u), float(v)))
    return tuple(marks)


def _letter(index: int) -> str:
    """Count in letters: A to Z, then AA, AB and so on.

    Examples
    --------
    >>> _letter(0), _letter(25), _letter(26), _letter(51), _letter(52)
    ('A', 'Z', 'AA', 'AZ', 'BA')
    """
    word = ""
    while index >= 0:
        index, letter = divmod(index, 26)
        word = chr(ord("A") + letter) + word
        index -= 1
    return word
