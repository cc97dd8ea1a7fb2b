"""Sheets of a wall's surface: which of them are back wall, and which are damage in its place.

A sheet is a set of points whose walls join those beside them. Between two sheets is a rim where the beam is
on both and neither echo is whole. A sheet that is earlier than the walls around it is a delamination,
unless its rim runs straight from one edge of the zone to another: then plies end there, and it is wall. A
sheet that is later is wall, as nothing that is damaged returns an echo later than its wall.
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["PLAN_TOLERANCE", "sheets", "wall_sheets"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Ints = NDArray[np.intp]

PLAN_TOLERANCE = 0.2  # of the time of flight that the plan says: how far the wall may be from it
# The most that plies may take off a wall at once, as a share of it. Policy: more is a delamination.
_MOST_STEP = 0.4
# How straight the end of a ply runs: root mean square in points, and in shares of its length.
_STRAIGHT_POINTS, _STRAIGHT_SHARE = 0.5, 0.02
# Of the zone's shorter side. Policy: a corner cut off by a shorter line is listed.
_LEAST_LINE = 0.5


def _beside(grid: tuple[int, int], *, closed: bool) -> tuple[Ints, Ints]:
    """Flat indices of all pairs of neighbours."""
    number = np.arange(grid[0] * grid[1]).reshape(grid)
    one, other = [number[:-1].ravel(), number[:, :-1].ravel()], [number[1:].ravel(), number[:, 1:].ravel()]
    if closed and grid[1] > 2:
        one.append(number[:, -1])
        other.append(number[:, 0])
    return np.concatenate(one), np.concatenate(other)


def sheets(time: Floats, near: float, *, closed: bool) -> Ints:
    """Give each sheet, connected points whose times join, a number."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    one, other = _beside(time.shape, closed=closed)
    flat = time.ravel()
    joined = np.abs(flat[one] - flat[other]) <= near
    one, other = one[joined], other[joined]
    graph = coo_array((np.ones(len(one), np.int8), (one, other)), shape=(flat.size, flat.size))
    return np.asarray(connected_components(graph, directed=False)[1]).reshape(time.shape)


def wall_sheets(sheet: Ints, time: Floats, near: float, expected: float | None, *, closed: bool) -> Mask:
    """Say of each sheet whether it is back wall: not where most of the walls about it are later.

    Where all that is beside it is damage, the wall counts that this hides: enclosed damage is no wall.
    """
    count = np.bincount(sheet.ravel())
    hidden = np.bincount(sheet.ravel(), time.ravel()) / count
    weight = count.astype(float)
    if expected is not None:
        weight = np.where(np.abs(hidden / expected - 1) <= PLAN_TOLERANCE, weight, 1e-6 * weight)
    one, other = _beside(sheet.shape, closed=closed)
    apart = sheet.ravel()[one] != sheet.ravel()[other]
    here, there = np.concatenate([one[apart], other[apart]]), np.concatenate([other[apart], one[apart]])
    own, beside = sheet.ravel()[here], sheet.ravel()[there]
    is_wall, settled = np.ones(len(count), dtype=bool), np.zeros(len(count), dtype=bool)
    settled[int(np.argmax(weight))] = True
    while True:
        wall = np.where(is_wall[beside], time.ravel()[there], hidden[beside])
        step = wall - time.ravel()[here]
        counts = is_wall[beside]
        counts |= np.bincount(own, counts, len(count))[own] == 0
        is_later = counts & (step > near)
        later = np.bincount(own, is_later, len(count))
        doubtful = is_wall & ~settled & (2 * later > np.bincount(own, counts, len(count)))
        hides = np.bincount(own, np.where(is_later, wall, 0), len(count)) / np.maximum(later, 1)
        hidden = np.where(doubtful, hides, hidden)
        for which in np.flatnonzero(doubtful & (count >= min(sheet.shape))):
            rim = (own == which) & is_later
            shallow = float(np.median(step[rim])) <= _MOST_STEP * hidden[which]
            at = np.column_stack(np.unravel_index(np.unique(here[rim]), sheet.shape))
            settled[which] = shallow and _is_line(at, sheet.shape, closed=closed)
        doubtful &= ~settled
        if not doubtful.any():
            return is_wall
        is_wall &= ~doubtful


def _is_line(at: Ints, grid: tuple[int, int], *, closed: bool) -> bool:
    """Whether points (n, 2) are on one straight line from edge to edge of the zone."""
    last = np.array(grid) - 1
    edges = {(axis, side) for axis in (0, 1) for side in (0, 1) if (at[:, axis] == side * last[axis]).any()}
    if closed and not ({(1, 0), (1, 1)} <= edges or {(0, 0), (0, 1)} <= edges):
        return False
    if len(edges) < 2:
        return False
    spread = np.linalg.svd(at - at.mean(axis=0), full_matrices=False)
    length = float(np.ptp((at - at.mean(axis=0)) @ spread[2][0]))
    off = spread[1][1] / np.sqrt(len(at)) if len(at) > 1 else 0.0
    return bool(length >= _LEAST_LINE * min(last) and off <= _STRAIGHT_POINTS + _STRAIGHT_SHARE * length)
