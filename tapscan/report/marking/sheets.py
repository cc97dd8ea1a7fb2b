"""A zone laid flat: where every cell is on the sheet, and how the sheet is cut into strips to fit a page.

The sheet shows the part from outside with station 1 at the left. Seen so, positions run clockwise from
station 1's end, which is downward. A tube's sheet repeats some positions beyond the place where it was cut
open, so that an area across the datum line is seen in one piece.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.report.maps.figures import WIDTH_IN

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from tapscan.plan.points import Block
    from tapscan.plan.zones import Zone
    from tapscan.screening.results import Screened

    Grid = NDArray[np.float64]

__all__ = [
    "BETWEEN_IN",
    "KEY_HEIGHT_IN",
    "KEY_WIDTH_IN",
    "LEFT_IN",
    "RIGHT_IN",
    "Layout",
    "Sheet",
    "layout_of",
    "sheet_of",
    "thinned",
    "turned",
    "turns_of",
]

# Room for the labels left and right of a strip, and between two strips.
LEFT_IN, RIGHT_IN, BETWEEN_IN = 0.52, 0.52, 0.62
# Room for the key: below the map, or beside it.
KEY_HEIGHT_IN, KEY_WIDTH_IN = 0.68, 2.6
_LARGEST_CELL_IN, _READABLE_CELL_IN = 0.55, 0.15
_LOW_IN, _TALLEST_IN, _LOWEST_STRIP_IN, _MOST_STRIPS = 2.9, 7.5, 1.25, 6


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """The unrolled surface: which positions are on it, and where.

    `edge_step_mm` (stations + 1,) is the distance between positions at each edge between stations, so that
    the position with index j (from 0) covers ``(j - 0.5) * step`` to ``(j + 0.5) * step``. `ghost` positions
    are repeated before the first and after the last.
    """

    zone: "Zone"
    edge_step_mm: "Grid"
    ghost: int

    @property
    def index(self) -> "NDArray[np.int_]":
        """Index of every row of the sheet, from -ghost to positions + ghost - 1."""
        return np.arange(-self.ghost, self.zone.positions + self.ghost)

    @property
    def height_mm(self) -> float:
        """Extent of the sheet across the axis at its widest."""
        return float(self.edge_step_mm.max()) * len(self.index)

    def step_mm(self, x: "Grid") -> "Grid":
        """Distance between positions at any place along the axis."""
        edge = np.arange(self.zone.stations + 1) * self.zone.station_pitch_mm
        return np.asarray(np.interp(x, edge, self.edge_step_mm))

    def columns(self, ring: "Grid") -> "Grid":
        """Where a ring's corners are across the axis, counted in positions from position 1."""
        return np.asarray(ring[:, 1] / self.step_mm(ring[:, 0]))

    def corners_mm(self, blocks: "list[Block]", first_row: int) -> "Grid":
        """Corners (blocks, 4, 2) of blocks of points whose position 1 is on the sheet's row `first_row`."""
        edges = np.array(
            [
                (b.first_station - 1, b.last_station, b.first_position - 1.5, b.last_position - 0.5)
                for b in blocks
            ]
        )
        station = edges[:, [0, 1, 1, 0]].astype(int)
        row = edges[:, [2, 2, 3, 3]] + first_row
        return np.stack([station * self.zone.station_pitch_mm, self.edge_step_mm[station] * row], axis=2)


@dataclass(frozen=True, slots=True)
class Layout:
    """How a sheet is put on paper. A strip is (first station, one past the last), counted from 0."""

    strips: tuple[tuple[int, int], ...]
    in_per_mm: float
    key_beside: bool


def sheet_of(screened: "Screened") -> Sheet:
    """Lay a zone flat, with as many repeated positions as its indications need beyond the datum line."""
    zone = screened.zone
    if not zone.is_tube:
        assert zone.position_pitch_mm is not None
        return Sheet(zone, np.full(zone.stations + 1, zone.position_pitch_mm), 0)
    assert zone.girth_start_mm is not None
    assert zone.girth_end_mm is not None
    step = np.linspace(zone.girth_start_mm, zone.girth_end_mm, zone.stations + 1) / zone.positions
    bare_sheet = Sheet(zone, step, 0)
    beyond = 2
    for indication in screened.indications:
        for ring in indication.outline:
            column = bare_sheet.columns(np.asarray(ring))
            column -= zone.positions * np.floor((column.min() + column.max()) / 2 / zone.positions)
            beyond = max(
                beyond, int(np.ceil(-column.min())) + 1, int(np.ceil(column.max())) + 1 - zone.positions
            )
    return Sheet(zone, step, min(beyond, zone.positions // 2))


def layout_of(sheet: Sheet, width_in: float = WIDTH_IN, *, with_key: bool = True) -> Layout:
    """Choose strips and scale: as large as the page allows, the key beside where that costs nothing."""
    zone = sheet.zone
    room_in = width_in - LEFT_IN - RIGHT_IN
    smallest_mm = min(zone.station_pitch_mm, float(sheet.edge_step_mm.max()))
    # Two maps share a printed page, unless the cells would then be too small to find one's way.
    tallest_in = float(np.clip(len(sheet.index) * _READABLE_CELL_IN, _LOW_IN, _TALLEST_IN))

    def scale(count: int, wide_in: float, high_in: float) -> float:
        long_mm = -(-zone.stations // count) * zone.station_pitch_mm
        return min(wide_in / long_mm, high_in / sheet.height_mm, _LARGEST_CELL_IN / smallest_mm)

    below = scale(1, room_in, tallest_in)
    beside = scale(1, room_in - KEY_WIDTH_IN, min(tallest_in + KEY_HEIGHT_IN, _TALLEST_IN))
    if with_key and beside >= below:
        return Layout(((0, zone.stations),), beside, key_beside=True)
    count = 1
    while sheet.height_mm * below < _LOWEST_STRIP_IN and count < min(_MOST_STRIPS, zone.stations):
        count += 1
        below = scale(count, room_in, (_TALLEST_IN - (count - 1) * BETWEEN_IN) / count)
    each = -(-zone.stations // count)
    strips = tuple((first, min(first + each, zone.stations)) for first in range(0, zone.stations, each))
    return Layout(strips, below, key_beside=False)


def turned(ring: "Grid", sheet: Sheet) -> "Iterator[tuple[Grid, Grid]]":
    """Move a ring by as many girths as make it show on the sheet: several where positions repeat.

    Yields its corners (n, 2) in mm and their columns (n,), counted in positions from position 1.
    """
    column, count, step = sheet.columns(ring), sheet.zone.positions, sheet.step_mm(ring[:, 0])
    for turn in turns_of(column, sheet):
        yield np.column_stack([ring[:, 0], ring[:, 1] + turn * count * step]), column + turn * count


def turns_of(column: "Grid", sheet: Sheet) -> list[int]:
    """List by how many girths an outline is moved to show on the sheet: several where positions repeat."""
    if not sheet.zone.is_tube:
        return [0]
    count, low, high = sheet.zone.positions, sheet.index[0] - 0.5, sheet.index[-1] + 0.5
    first = int(np.floor((low - column.max()) / count)) + 1
    last = int(np.ceil((high - column.min()) / count)) - 1
    return list(range(first, last + 1))


def thinned(count: int, pitch_in: float, room_in: float) -> list[int]:
    """Choose which of the numbers 1…count are written, when each needs so much room."""
    for every in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000):
        if pitch_in * every >= room_in:
            break
    if every <= 2:
        return list(range(1, count + 1, every))
    return [1, *range(every, count + 1, every)]
