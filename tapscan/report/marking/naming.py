"""Names of points on a wrap: which are written, and how large.

Every name is right of and below its point, without exception: one on the other side would be read at the
point before.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.developed import columns, developed_mm
from tapscan.plan.points import point_name
from tapscan.plan.surfaces import block_mask, s_mm, slant, x_mm

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone

    Grid = NDArray[np.float64]

__all__ = ["MM_PER_PT", "Names", "every", "names_of", "shown", "step_mm"]

MM_PER_PT = 25.4 / 72
_CLEARANCE_MM, _SMALLEST_PT = 0.8, 3.8
_RIGHT_MM, _BELOW_MM = 0.5, 0.8  # from a point to its name


@dataclass(frozen=True, slots=True, eq=False)
class Names:
    """What is written: `words`, the upper left corners where they begin, and the boxes that they take.

    Shapes: `place_mm` (n, 2); `box_mm` (n, 4) left, top, right and bottom; `size_pt` (n,).
    """

    words: tuple[str, ...]
    place_mm: "Grid"
    box_mm: "Grid"
    size_pt: "Grid"


def names_of(zone: "Zone", is_marked: "NDArray[np.bool_]", row_mm: float = 0.0) -> Names:
    """Choose the names of a zone's points.

    Parameters
    ----------
    zone
        Whose points.
    is_marked
        Which points have a cross, (stations, positions).
    row_mm
        Room that is kept free between two rows of names, for tags.
    """
    pitch, narrow = zone.station_pitch_mm * slant(zone), step_mm(zone)
    is_full, size_pt = _size(zone, pitch, narrow)
    full_em, short_em = (_length_em(zone, is_full=is_full) for is_full in (is_full, False))
    # What is left to the far edge, beside each station's points: the last stations' names are cut to it.
    room_mm = (zone.stations * zone.station_pitch_mm - x_mm(zone)[:, 0]) * slant(zone) - _RIGHT_MM - 0.3
    is_cut = room_mm < full_em * size_pt * MM_PER_PT
    each_pt = np.where(is_cut, np.minimum(size_pt, room_mm / (short_em * MM_PER_PT)), size_pt)
    long_mm = full_em * size_pt * MM_PER_PT
    stations = shown(zone.stations, every(pitch, long_mm + _CLEARANCE_MM)) & (each_pt >= _SMALLEST_PT)
    rows = shown(zone.positions, every(narrow, 1.5 * size_pt * MM_PER_PT + row_mm))
    skipped = block_mask(zone, zone.skip)
    written = np.argwhere(is_marked & ~skipped & np.outer(stations, rows))
    flat = developed_mm(zone, x_mm(zone), columns(zone, x_mm(zone), s_mm(zone)))
    place = flat[written[:, 0], written[:, 1]] + [_RIGHT_MM, _BELOW_MM]
    pt, cut = each_pt[written[:, 0]], is_cut[written[:, 0]]
    size = np.column_stack([np.where(cut, short_em, full_em), np.ones(len(pt))]) * pt[:, None] * MM_PER_PT
    names = (point_name(zone.code, int(i) + 1, int(p) + 1) for i, p in written)
    words = tuple(
        name.removeprefix(f"{zone.code}-") if is_short or not is_full else name
        for name, is_short in zip(names, cut.tolist(), strict=True)
    )
    return Names(words, place, np.hstack([place, place + size]), pt)


def step_mm(zone: "Zone") -> float:
    """Distance between positions where it is least; infinite for a single one."""
    return float(s_mm(zone)[:, 1].min()) if zone.positions > 1 else float("inf")


def every(pitch_mm: float, room_mm: float) -> int:
    """Every how manieth is shown when each needs so much room; each step is a multiple of the one before.

    Examples
    --------
    >>> every(10.0, 9.0), every(5.0, 9.0), every(1.0, 9.0)
    (1, 5, 10)
    """
    count = 1
    while pitch_mm * count < room_mm:
        count *= 5 if str(count)[0] == "1" else 2
    return count


def shown(count: int, step: int) -> "NDArray[np.bool_]":
    """Mark the numbers from 1 to `count` that are shown: the first, and the multiples."""
    number = np.arange(1, count + 1)
    return np.asarray((number == 1) | (number % step == 0))


def _size(zone: "Zone", pitch_mm: float, narrow_mm: float) -> tuple[bool, float]:
    """Choose the largest type that fits the cells: names in full if they can be, else without the zone."""
    for is_full in (True, False):
        for size_pt in (7.0, 6.0, 5.0):
            fits = _length_em(zone, is_full=is_full) * size_pt * MM_PER_PT + _CLEARANCE_MM <= pitch_mm
            if fits and narrow_mm > size_pt * MM_PER_PT:
                return is_full, size_pt
    return False, 4.5


def _length_em(zone: "Zone", *, is_full: bool) -> float:
    """Length of the longest point name: figures take 0.64 em, capitals up to 0.86, hyphens 0.36.

    (DejaVu Sans's own widths.)
    """
    name = point_name(zone.code, zone.stations, zone.positions)
    wide = {"-": 0.37, "M": 0.87, "W": 0.99}
    kept = name if is_full else name.removeprefix(f"{zone.code}-")
    return sum(wide.get(sign, 0.64 if sign.isdigit() else 0.74) for sign in kept)
