"""Labels over a grid at least cost: one for each point, its neighbours' in view.

Messages are passed along all rows and columns in turn (max-product belief propagation; Tappen & Freeman, ICCV
2003, and Szeliski et al., IEEE PAMI 30, 2008, 1068-1080, both from memory). Along a single line that is exact
dynamic programming (Viterbi 1967, from memory); on a grid it is nearly so. The work is linear in the points.
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["least_cost_labels"]

Floats32 = NDArray[np.float32]

_ROUNDS = 3  # of messages along rows and columns
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
    cost = np.minimum(cost, np.float32(1e6))
    padded = np.concatenate([np.nan_to_num(time), np.full((*time.shape[:2], 1), np.nan, np.float32)], axis=2)
    scale = (np.float32(1 / near), np.float32(step_cost))
    along = np.zeros_like(cost)
    for _ in range(_ROUNDS):
        across = _swept(cost + along, padded, scale)
        turned = (np.swapaxes(cost + across, 0, 1), np.swapaxes(padded, 0, 1))
        along = np.swapaxes(_swept(*turned, scale), 0, 1)
    best = np.argmin(cost + along + across, axis=2)
    return np.asarray(best[:, margin : best.shape[1] - margin] if margin else best)


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
