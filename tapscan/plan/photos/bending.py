"""A bent grid: stations by positions over a face that is no rectangle, drawn by nine handles.

The handles are three by three: corners, middles of the sides, and the centre. The grid runs through all nine
(quadratic Lagrange interpolation both ways: the nine-node element of Ergatoudis, Irons & Zienkiewicz, Int. J.
Solids Structures 4, 1968, 31-42, from memory).
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["bent_grid", "filled_handles"]

Floats = NDArray[np.float64]


def bent_grid(handles: Floats, stations: int, positions: int) -> Floats:
    """Lay stations by positions through handles (3, 3, 2); give their places (stations, positions, 2).

    Handles run along the stations first. The first and the last station are at the outer handles; a single
    one is in the middle.

    Examples
    --------
    >>> square = filled_handles(np.array([[[0.0, 0.0], [0.0, 6.0]], [[4.0, 0.0], [4.0, 6.0]]]), {})
    >>> bent_grid(square, 2, 3)[1].tolist()
    [[4.0, 0.0], [4.0, 3.0], [4.0, 6.0]]
    """
    along, across = _weights(stations), _weights(positions)
    return np.asarray(np.einsum("ia,pb,abk->ipk", along, across, handles))


def _weights(count: int) -> Floats:
    """Quadratic Lagrange polynomials at even steps from 0 to 1, (count, 3)."""
    t = np.linspace(0.0, 1.0, count) if count > 1 else np.array([0.5])
    return np.column_stack([(1 - t) * (1 - 2 * t), 4 * t * (1 - t), t * (2 * t - 1)])


def filled_handles(corners: Floats, moved: dict[tuple[int, int], Floats]) -> Floats:
    """Put handles (3, 3, 2) between corners (2, 2, 2); those that were `moved` are where they were put.

    The middle of a side is half way between its corners. The centre follows the sides by transfinite
    interpolation: half the sum of the four middles less a quarter of the sum of the corners (Gordon & Hall,
    Numerische Mathematik 21, 1973, 109-129, from memory).

    Examples
    --------
    >>> corners = np.array([[[0.0, 0.0], [0.0, 6.0]], [[4.0, 0.0], [4.0, 6.0]]])
    >>> filled_handles(corners, {(0, 1): np.array([-1.0, 3.0])})[1, 1].tolist()
    [1.5, 3.0]
    """
    handles = np.empty((3, 3, 2))
    handles[::2, ::2] = corners
    handles[1, ::2] = corners.mean(axis=0)
    handles[::2, 1] = corners.mean(axis=1)
    sides = {at: place for at, place in moved.items() if at != (1, 1)}
    for at, place in sides.items():
        handles[at] = place
    middles = handles[0, 1] + handles[2, 1] + handles[1, 0] + handles[1, 2]
    handles[1, 1] = moved.get((1, 1), middles / 2 - corners.sum(axis=(0, 1)) / 4)
    return handles
