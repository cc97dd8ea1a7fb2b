"""Labels over a grid at least cost: one for each point, its neighbours' in view.

Messages are passed along all rows and columns in turn (max-product belief propagation; Tappen & Freeman, ICCV
2003, and Szeliski et al., IEEE PAMI 30, 2008, 1068-1080, both from memory). Along a single line that is exact
dynamic programming (Viterbi 1967, from memory); on a grid it is nearly so. The work is linear in the points.
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["least_cost_labels"]

Floats32 = NDArray[np.float32]

_ROUNDS = 2  # of messages along rows and columns
_MARGIN = 16  # positions of a tube that are solved twice, beyond the seam


def least_cost_labels(
    cost: Floats32, time: Floats32, near: float, step_cost: float, *, closed: bool = False
) -> NDArray[np.intp]:
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
    margin = min(cost.shape[1], _MARGIN) if closed else 0
    if margin:
        sides = ((0, 0), (margin, margin), (0, 0))
        cost, time = np.pad(cost, sides, mode="wrap"), np.pad(time, sides, mode="wrap")
    # Labels first and points last: each step then works on whole rows of memory.
    cost = np.ascontiguousarray(np.moveaxis(np.minimum(cost, np.float32(1e6)), 2, 0))
    time = np.ascontiguousarray(np.moveaxis(np.nan_to_num(time), 2, 0) / np.float32(near))
    along = np.zeros_like(cost)
    for _ in range(_ROUNDS):
        across = _swept(cost + along, time, np.float32(step_cost))
        turned = np.swapaxes(cost + across, 1, 2), np.swapaxes(time, 1, 2)
        along = np.swapaxes(_swept(*turned, np.float32(step_cost)), 1, 2)
    best = np.argmin(cost + along + across, axis=0)
    return np.asarray(best[:, margin : best.shape[1] - margin] if margin else best)


def _swept(cost: Floats32, time: Floats32, step_cost: np.float32) -> Floats32:
    """Sum of the messages that reach each point along its row from both ends, (labels, rows, columns)."""
    count = cost.shape[2]
    # Both ways at once, side by side: a step works on twice as many points at nearly the same price.
    held_at, when = (
        np.ascontiguousarray(np.concatenate([along, along[::-1]], axis=2))
        for along in (np.moveaxis(of, 2, 0) for of in (cost, time))
    )
    reached = np.zeros_like(held_at)
    for at in range(count - 1):
        reached[at + 1] = _message(held_at[at] + reached[at], when[at], when[at + 1], step_cost)
    half = held_at.shape[2] // 2
    return np.moveaxis(reached[..., :half] + reached[::-1, :, half:], 0, 2)


def _message(held: Floats32, here: Floats32, there: Floats32, step_cost: np.float32) -> Floats32:
    """Give the least cost of each label (labels, points) of a neighbour, over all labels of these points."""
    lost, least = held[-1], held[:-1].min(axis=0)
    apart = here[:, None] - there
    np.abs(apart, out=apart)
    apart *= step_cost
    apart += held[:-1, None]
    out = np.empty_like(held)
    np.minimum(lost, least + np.float32(0.5) * step_cost, out=out[-1])
    np.minimum(
        apart.min(axis=0), np.minimum(least + step_cost, lost + np.float32(0.5) * step_cost), out=out[:-1]
    )
    out -= out.min(axis=0)
    return out
