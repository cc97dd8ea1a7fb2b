"""The back wall of a zone as a surface: which echo of each trace it is, decided over all traces at once.

Every trace offers a few echoes. One of them is the back wall, or it is lost. What an echo costs as the back
wall is what it lacks of a whole wall's amplitude, and what comes after it, since nothing comes after a back
wall but its own round trips. Neighbours whose walls differ in time cost more, up to a bound, so that the
surface may step where a ply ends and break where the wall is lost. The sum over the zone is made small by
passing messages along all rows and columns in turn (max-product belief propagation; Tappen & Freeman, ICCV
2003, and Szeliski et al., IEEE PAMI 30, 2008, 1068-1080, both from memory). The work is linear in the traces.

The surface falls into sheets: points whose walls join those beside them. Between two sheets is a rim where
the beam is on both and neither echo is whole. A sheet that is earlier than what is around it is a
delamination, unless its rim runs straight from one edge of the zone to another: then plies end there, and it is wall.
A sheet that is later is wall, as nothing that is damaged returns an echo later than its wall.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Surface", "filled", "least_cost_labels", "repeats", "wall_surface"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Mask = NDArray[np.bool_]
Ints = NDArray[np.intp]

# Cycles below which two echoes are one crest: the pulse's main half-wave is half a cycle wide.
UNRESOLVED_CYCLES = 0.35
# Costs, in units of a whole back wall's amplitude: of a lost wall, and of a step between neighbours.
LOST_COST, STEP_COST = 1.0, 0.25
# A wall is whole when no other echo has more than a third of what comes back, and it has half of the usual.
WHOLE_SHARE, WHOLE_LEVEL = 2 / 3, 0.5
# The most that plies may take off a wall at once, as a share of it. Policy: more is a delamination.
MOST_STEP = 0.4
# How straight the end of a ply runs: root mean square in points, and in shares of its length.
STRAIGHT_POINTS, STRAIGHT_SHARE = 0.5, 0.02
PLAN_TOLERANCE = 0.2  # of the time of flight that the plan says: how far the wall may be from it
GATE = 2.0  # times what is one echo: so far off its surface a wall may be that was not whole anywhere near
STEP_REACH = 3  # points to a step within which the beam may be on both sides of it
ROUNDS = 3  # of messages along rows and columns
# The front surface sends back down at most this share: (Z - Zc) / (Z + Zc), 4.7 MRayl under water.
MOST_RETURNED = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """The back wall over a zone; times in the unit given, shapes (stations, positions).

    `due` is the wall's time at every point, carried over where it is lost; NaN where no trace has any.
    `damage` is the time of the delamination that takes its place, NaN where there is none. `near` is how
    close two times are that are one echo, `gate` how far off the surface a weak echo may be the wall's.
    `thinner` and `thicker` are the wall's times beyond a step close by, where the beam is on both; NaN away
    from steps.
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
    if not np.isfinite(time).any():
        level = np.full(grid, np.nan if expected is None else expected)
        near = UNRESOLVED_CYCLES * cycle
        return Surface(level, nothing, near, GATE * near, nothing, nothing)
    usable = np.isfinite(time)
    several = np.isfinite(time[..., 1:]).any(axis=2)
    usable[several] &= ~repeats(time[several], size[several], cycle)
    near = UNRESOLVED_CYCLES * cycle
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
    carried = _nearest(np.where(whole, own, np.nan), closed=closed)
    sheet = _sheets(carried, near, closed=closed)
    is_wall = _wall_sheets(sheet, carried, expected, closed=closed)[sheet]
    due = filled(np.where(whole & is_wall, own, np.nan), closed=closed)
    thinner, thicker = _across_steps(due, near, closed=closed)
    return Surface(due, np.where(is_wall, np.nan, carried), near, GATE * near, thinner, thicker)


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
    """Give the cost of each echo as the back wall, and last of a lost one: (stations, positions, echoes + 1)."""
    share = np.where(usable, np.minimum(size, 1), 0)
    cost = np.full((*time.shape[:2], time.shape[2] + 1), LOST_COST, dtype=np.float32)
    with np.errstate(invalid="ignore"):
        for k in range(time.shape[2]):
            after = np.where(time > time[..., k : k + 1], share, 0).sum(axis=2)
            cost[..., k] = np.where(usable[..., k], 1 - share[..., k] + after, np.inf)
    return cost


def least_cost_labels(
    cost: Floats32, time: Floats32, near: float, step_cost: float, *, closed: bool = False
) -> Ints:
    """Choose a label at every point of a grid so that costs and steps between neighbours add up to little.

    Parameters
    ----------
    cost
        Shape (rows, columns, labels + 1), the last being `lost`.
    time
        Shape (rows, columns, labels).
    near
        The difference in time that costs as much as any step.
    step_cost
        What a step costs; half of it where one neighbour is lost and the other is not.

    Examples
    --------
    >>> cost = np.tile(np.float32([0.4, 0.5, 1.0]), (3, 3, 1))
    >>> cost[1, 1] = [0.5, 0.4, 1.0]
    >>> time = np.tile(np.float32([10.0, 20.0]), (3, 3, 1))
    >>> least_cost_labels(cost, time, 3.0, 0.25).tolist()
    [[0, 0, 0], [0, 0, 0], [0, 0, 0]]
    """
    margin = min(cost.shape[1], 16) if closed else 0
    if margin:
        sides = ((0, 0), (margin, margin), (0, 0))
        cost, time = np.pad(cost, sides, mode="wrap"), np.pad(time, sides, mode="wrap")
    cost = np.minimum(cost, np.float32(1e6))
    padded = np.concatenate([np.nan_to_num(time), np.full((*time.shape[:2], 1), np.nan, np.float32)], axis=2)
    scale = (np.float32(1 / near), np.float32(step_cost))
    along = np.zeros_like(cost)
    for _ in range(ROUNDS):
        across = _swept(cost + along, padded, scale)
        turned = (np.swapaxes(cost + across, 0, 1), np.swapaxes(padded, 0, 1))
        along = np.swapaxes(_swept(*turned, scale), 0, 1)
    best = np.argmin(cost + along + across, axis=2)
    return best[:, margin : best.shape[1] - margin] if margin else best


def _swept(cost: Floats32, time: Floats32, scale: tuple[np.float32, np.float32]) -> Floats32:
    """Sum of the messages that reach each point along its row from both ends, (rows, columns, labels)."""
    total = np.zeros_like(cost)
    columns = cost.shape[1]
    for order in (range(columns - 1), range(columns - 1, 0, -1)):
        step = 1 if order.step > 0 else -1
        message = np.zeros_like(cost[:, 0])
        for at in order:
            held = cost[:, at] + message
            apart = np.abs(time[:, at, :, None] - time[:, at + step, None, :]) * scale[0]
            apart = np.where(np.isnan(apart), np.float32(0.5), np.minimum(apart, np.float32(1)))
            apart[:, -1, -1] = 0
            message = (held[:, :, None] + scale[1] * apart).min(axis=1)
            message -= message.min(axis=1, keepdims=True)
            total[:, at + step] += message
    return total


def _nearest(values: Floats, *, closed: bool) -> Floats:
    """Carry known values to where there is none: that of the nearest point."""
    from scipy.ndimage import distance_transform_edt

    margin = min(values.shape[1], 64) if closed else 0
    wide = np.pad(values, ((0, 0), (margin, margin)), mode="wrap") if margin else values
    index = distance_transform_edt(np.isnan(wide), return_distances=False, return_indices=True)
    out = wide[tuple(index)]
    return out[:, margin : out.shape[1] - margin] if margin else out


def _beside(grid: tuple[int, int], *, closed: bool) -> tuple[Ints, Ints]:
    """Flat indices of all pairs of neighbours."""
    number = np.arange(grid[0] * grid[1]).reshape(grid)
    one, other = [number[:-1].ravel(), number[:, :-1].ravel()], [number[1:].ravel(), number[:, 1:].ravel()]
    if closed and grid[1] > 2:
        one.append(number[:, -1])
        other.append(number[:, 0])
    return np.concatenate(one), np.concatenate(other)


def _sheets(time: Floats, near: float, *, closed: bool) -> Ints:
    """Give each sheet, connected points whose times join, a number."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    one, other = _beside(time.shape, closed=closed)  # type: ignore[arg-type]
    flat = time.ravel()
    joined = np.abs(flat[one] - flat[other]) <= near
    one, other = one[joined], other[joined]
    graph = coo_array((np.ones(len(one), np.int8), (one, other)), shape=(flat.size, flat.size))
    return np.asarray(connected_components(graph, directed=False)[1]).reshape(time.shape)


def _wall_sheets(sheet: Ints, time: Floats, expected: float | None, *, closed: bool) -> Mask:
    """Say of each sheet whether it is back wall: not where most of the walls about it are later."""
    count = np.bincount(sheet.ravel())
    middle = np.bincount(sheet.ravel(), time.ravel()) / count
    weight = count.astype(float)
    if expected is not None:
        weight = np.where(np.abs(middle / expected - 1) <= PLAN_TOLERANCE, weight, 1e-6 * weight)
    main = int(np.argmax(weight))
    one, other = _beside(sheet.shape, closed=closed)  # type: ignore[arg-type]
    apart = sheet.ravel()[one] != sheet.ravel()[other]
    here, there = np.concatenate([one[apart], other[apart]]), np.concatenate([other[apart], one[apart]])
    own, beside = sheet.ravel()[here], sheet.ravel()[there]
    step = time.ravel()[there] - time.ravel()[here]
    is_wall, settled = np.ones(len(count), dtype=bool), np.zeros(len(count), dtype=bool)
    settled[main] = True
    while True:
        walled = is_wall[beside]
        later = np.bincount(own, walled & (step > 0), len(count))
        doubtful = is_wall & ~settled & (2 * later > np.bincount(own, walled, len(count)))
        for which in np.flatnonzero(doubtful & (count >= min(sheet.shape))):
            rim = walled & (own == which) & (step > 0)
            shallow = float(np.median(step[rim])) <= MOST_STEP * float(np.median(time.ravel()[there[rim]]))
            settled[which] = shallow and _divides(np.unique(here[rim]), sheet.shape, closed=closed)  # type: ignore[arg-type]
        doubtful &= ~settled
        if not doubtful.any():
            return is_wall
        is_wall &= ~doubtful


def _divides(rim: Ints, grid: tuple[int, int], *, closed: bool) -> bool:
    """Whether every piece of a rim runs straight from edge to edge of the zone."""
    from scipy.ndimage import label

    on = np.zeros(grid, dtype=bool)
    on.ravel()[rim] = True
    pieces, number = label(on, structure=np.ones((3, 3)))
    for piece in range(1, number + 1):
        at = np.argwhere(pieces == piece)
        last = np.array(grid) - 1
        edges = {
            (axis, side) for axis in (0, 1) for side in (0, 1) if (at[:, axis] == side * last[axis]).any()
        }
        if closed and not ({(1, 0), (1, 1)} <= edges or {(0, 0), (0, 1)} <= edges):
            return False
        if len(edges) < 2:
            return False
        spread = np.linalg.svd(at - at.mean(axis=0), full_matrices=False)
        length = float(np.ptp((at - at.mean(axis=0)) @ spread[2][0]))
        off = spread[1][1] / np.sqrt(len(at)) if len(at) > 1 else 0.0
        if length < 0.5 * min(last) or off > STRAIGHT_POINTS + STRAIGHT_SHARE * length:
            return False
    return True


def _across_steps(due: Floats, near: float, *, closed: bool) -> tuple[Floats, Floats]:
    """Give the least and the largest time close by where it differs from a point's own, else NaN."""
    from scipy.ndimage import maximum_filter, minimum_filter

    mode = ["nearest", "wrap" if closed else "nearest"]
    size = 2 * STEP_REACH + 1
    ends = minimum_filter(due, size, mode=mode), maximum_filter(due, size, mode=mode)
    low, high = (np.where(np.abs(end - due) > near, end, np.nan) for end in ends)
    return low, high


def filled(values: Floats, *, closed: bool) -> Floats:
    """Carry a surface smoothly over its gaps: means over ever larger blocks, back down to single points.

    Pull-push interpolation (Gortler et al., SIGGRAPH 1996, from memory); linear in the points.
    """
    margin = values.shape[1] // 2 if closed else 0
    wide = np.pad(values, ((0, 0), (margin, margin)), mode="wrap") if margin else values
    out = _pulled(np.nan_to_num(wide), np.isfinite(wide).astype(float))
    return out[:, margin : out.shape[1] - margin] if margin else out


def _pulled(value: Floats, weight: Floats) -> Floats:
    """Fill a level of the pyramid from the next coarser one."""
    if (weight > 0).all() or not (weight > 0).any():
        return value
    rows, columns = (-(-n // 2) for n in value.shape)
    sides = [(0, 2 * k - n) for k, n in zip((rows, columns), value.shape, strict=True)]
    heavy = np.pad(weight, sides)
    total = heavy.reshape(rows, 2, columns, 2).sum(axis=(1, 3))
    mean = (np.pad(value, sides) * heavy).reshape(rows, 2, columns, 2).sum(axis=(1, 3))
    coarse = _pulled(mean / np.maximum(total, 1e-12), np.minimum(total, 1.0))
    return np.asarray(np.where(weight > 0, value, _doubled(coarse)[: value.shape[0], : value.shape[1]]))


def _doubled(coarse: Floats) -> Floats:
    """Linear interpolation of a level to twice its size, flat beyond the outermost."""
    for axis in (0, 1):
        side = [(1, 1) if k == axis else (0, 0) for k in (0, 1)]
        padded = np.moveaxis(np.pad(coarse, side, mode="edge"), axis, 0)
        fine = np.empty((2 * (len(padded) - 2), padded.shape[1]))
        fine[::2] = 0.75 * padded[1:-1] + 0.25 * padded[:-2]
        fine[1::2] = 0.75 * padded[1:-1] + 0.25 * padded[2:]
        coarse = np.moveaxis(fine, 0, axis)
    return coarse
