"""The back wall of a zone as a surface: which echo of each trace it is, decided over all traces at once.

Every trace offers a few echoes. One of them is the back wall, or it is lost. What an echo costs as the back
wall is what it lacks of a whole wall's amplitude, and what comes after it, since nothing comes after a back
wall but its own round trips. Neighbours whose walls differ in time cost more, up to a bound, so that the
surface may step where a ply ends and break where the wall is lost (`labelling`). Then its sheets are sorted
apart: wall, or damage in the wall's place (`sheets`). Horizons in seismics and layers of the retina are
traced that way (Li et al., IEEE PAMI 28, 2006, 119-134, from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.physics.waves import UNRESOLVED_CYCLES
from tapscan.signals.walls.filling import ROUGH, carried, filled, roughness
from tapscan.signals.walls.labelling import least_cost_labels
from tapscan.signals.walls.sheets import PLAN_TOLERANCE, sheets, wall_sheets

__all__ = ["Surface", "repeats", "wall_surface"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Mask = NDArray[np.bool_]
Ints = NDArray[np.intp]

# Costs, in units of a whole back wall's amplitude: of a lost wall, and of a step between neighbours.
LOST_COST, STEP_COST = 1.0, 0.25
# A wall is whole when no other echo has more than a third of what comes back, and it has half of the usual.
WHOLE_SHARE, WHOLE_LEVEL = 2 / 3, 0.5
GATE = 2.0  # times what is one echo: so far off its surface a wall may be that was not whole anywhere near
STEP_REACH = 3  # points to a step within which the beam may be on both sides of it
# The front surface sends back down at most this share: (Z - Zc) / (Z + Zc), 4.7 MRayl under water.
MOST_RETURNED = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """The back wall over a zone; times in the unit given, shapes (stations, positions).

    `due` is the wall's time at every point, carried over where it is lost; NaN where no trace has any.
    `damage` is the time of the delamination that takes its place, NaN where there is none. `near` is how
    close two times are that are one echo, `gate` how far off the surface a weak echo may be the wall's.
    `thinner` and `thicker` are the wall's times on the two sides of a step close by, where the beam is on
    both; NaN away from steps.
    """

    due: Floats
    damage: Floats
    near: float
    gate: float
    thinner: Floats
    thicker: Floats


def wall_surface(
    time: Floats32,
    size: Floats32,
    cycle: float,
    expected: float | None,
    ply: float = 0.0,
    *,
    closed: bool = False,
) -> Surface:
    """Decide where the back wall is over a whole zone.

    Parameters
    ----------
    time
        Shape (stations, positions, echoes): after the front surface, NaN where there is none.
    size
        Same shape: amplitude in units of a whole back wall's, at least 0.
    cycle
        The pulse's, in the unit of `time`.
    expected
        When the back wall is due by the plan, in that unit; None when unknown.
    ply
        What the thinnest ply takes, there and back, in that unit: neighbours whose walls differ by less join.
    closed
        Whether the last position is beside the first.

    Examples
    --------
    A wall that thins by a tenth along ten stations, with a delamination of three by three points.

    >>> wall = np.linspace(100, 90, 10)[:, None] + np.zeros(12)
    >>> time = wall[..., None].astype(np.float32)
    >>> time[4:7, 5:8] = 50
    >>> surface = wall_surface(time, np.ones_like(time), 20.0, None)
    >>> bool(abs(surface.due - wall).max() < 2), int(np.isfinite(surface.damage).sum())
    (True, 9)
    """
    grid = time.shape[:2]
    nothing = np.full(grid, np.nan)
    near = max(UNRESOLVED_CYCLES * cycle, ply)
    if not np.isfinite(time).any():
        level = np.full(grid, np.nan if expected is None else expected)
        return Surface(level, nothing, near, GATE * near, nothing, nothing)
    usable = np.isfinite(time)
    several = np.isfinite(time[..., 1:]).any(axis=2)
    usable[several] &= ~repeats(time[several], size[several], cycle)
    cost = _costs(time, size, usable)
    if min(grid) == 1:  # neighbours in the array may be none on the part: one level for all
        return _level(time, cost, expected, near)
    chosen = least_cost_labels(cost, time, near, STEP_COST, closed=closed)
    at = np.minimum(chosen, time.shape[2] - 1)[..., None]
    own, height = (np.take_along_axis(of, at, 2)[..., 0].astype(float) for of in (time, size))
    total = np.where(usable, size, 0).sum(axis=2)
    whole = (chosen < time.shape[2]) & (height >= WHOLE_SHARE * total) & (height >= WHOLE_LEVEL)
    if not whole.any():
        whole = chosen < time.shape[2]
    if not whole.any():
        return _level(time, cost, expected, near)
    # Where noise moves echoes by more, nearer ones are one, too.
    near = max(near, ROUGH * roughness(np.where(whole, own, np.nan)))
    nearest = carried(np.where(whole, own, np.nan), closed=closed)
    sheet = sheets(nearest, near, closed=closed)
    is_wall = wall_sheets(sheet, nearest, near, expected, closed=closed)[sheet]
    due = filled(np.where(whole & is_wall, own, np.nan), closed=closed)
    walled = carried(np.where(is_wall, nearest, np.nan), closed=closed)
    thinner, thicker = _across_steps(walled, near, closed=closed)
    return Surface(due, np.where(is_wall, np.nan, nearest), near, GATE * near, thinner, thicker)


def _level(time: Floats32, cost: Floats32, expected: float | None, near: float) -> Surface:
    """One time for all walls: the median of the likeliest ones, near what is expected where any are."""
    best = cost[..., :-1].argmin(axis=2)[..., None]
    own = np.where(np.take_along_axis(cost, best, 2) < np.inf, np.take_along_axis(time, best, 2), np.nan)
    own = own[np.isfinite(own)]
    if expected is not None:
        own = own[np.abs(own / expected - 1) <= PLAN_TOLERANCE]
    level = float(np.median(own)) if own.size else expected or np.nan
    spread = 1.4826 * float(np.median(np.abs(own - level))) if own.size else 0.0
    everywhere = np.full(time.shape[:2], level)
    nothing = np.full_like(everywhere, np.nan)
    return Surface(everywhere, nothing, near, max(near, GATE * 2 * spread), nothing, nothing)


def repeats(time: Floats32, size: Floats32, cycle: float) -> Mask:
    """Which echoes (n, echoes) may be the second or third round trip of a stronger one above them.

    Every trip but the first loses what the front surface does not send back down.
    """
    found = np.zeros(time.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        for parent in range(time.shape[1]):
            for trips in (2, 3):
                weaker = size < MOST_RETURNED ** (trips - 1) * size[:, parent : parent + 1]
                found |= weaker & (np.abs(time - trips * time[:, parent : parent + 1]) < 0.5 * cycle)
    return found


def _costs(time: Floats32, size: Floats32, usable: Mask) -> Floats32:
    """Give the cost of each echo as the back wall and, last, of a lost one: (..., echoes + 1)."""
    share = np.where(usable, np.minimum(size, 1), 0)
    cost = np.full((*time.shape[:2], time.shape[2] + 1), LOST_COST, dtype=np.float32)
    with np.errstate(invalid="ignore"):
        for k in range(time.shape[2]):
            after = np.where(time > time[..., k : k + 1], share, 0).sum(axis=2)
            cost[..., k] = np.where(usable[..., k], 1 - share[..., k] + after, np.inf)
    return cost


def _across_steps(wall: Floats, near: float, *, closed: bool) -> tuple[Floats, Floats]:
    """Give the least and the largest time close by where a step between neighbours is there, else NaN."""
    from scipy.ndimage import maximum_filter, minimum_filter

    mode = ["nearest", "wrap" if closed else "nearest"]
    steps = np.zeros(wall.shape, dtype=bool)
    for axis, wraps in ((0, False), (1, closed)):
        beyond = np.abs(np.roll(wall, -1, axis) - wall) > near
        if not wraps:
            beyond[(slice(None),) * axis + (-1,)] = False
        steps |= beyond | np.roll(beyond, 1, axis)
    size = 2 * STEP_REACH + 1
    close = maximum_filter(steps, size, mode=mode)
    ends = minimum_filter(wall, size, mode=mode), maximum_filter(wall, size, mode=mode)
    return np.where(close, ends[0], np.nan), np.where(close, ends[1], np.nan)
