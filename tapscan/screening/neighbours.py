"""What a point's neighbours say: damage lies in patches, and what chance makes lies strewn about."""

from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["apart", "clustering", "in_patches", "is_strewn"]

Mask = NDArray[np.bool_]

# Of a point's eight neighbours, so many make a patch, and no more than so many are chance.
IN_A_PATCH, BY_CHANCE = 3, 1
# Times as many neighbours marked together as chance makes of points strewn about. Damage lies in patches,
# one and a half to nine times as many; what a fit to few readings leaves out for no reason has half to nearly
# twice as many. Where the two meet it is taken for damage.
STREWN = 1.45


def in_patches(marked: Mask, *, closed: bool) -> Mask:
    """Mark the points of a grid within or beside a patch of marked ones, whatever they are themselves.

    Examples
    --------
    >>> patch = np.zeros((5, 6), dtype=bool)
    >>> patch[1:3, 1:3] = True
    >>> patch[4, 5] = True
    >>> in_patches(patch, closed=False).astype(int)
    array([[0, 0, 0, 0, 0, 0],
           [0, 1, 1, 0, 0, 0],
           [0, 1, 1, 0, 0, 0],
           [0, 0, 0, 0, 0, 0],
           [0, 0, 0, 0, 0, 0]])
    """
    return _count_beside(marked, closed=closed) >= IN_A_PATCH


def apart(marked: Mask, *, closed: bool) -> Mask:
    """Mark the points of a grid that have no more marked neighbours than chance may give them.

    What a point is itself does not count: to choose by it would favour either kind.

    Examples
    --------
    >>> apart(np.array([[True, True, False, False]]), closed=True)
    array([[ True,  True,  True,  True]])
    >>> apart(np.array([[True, False, True, False]]), closed=True)
    array([[ True, False,  True, False]])
    """
    return _count_beside(marked, closed=closed) <= BY_CHANCE


def is_strewn(marked: Mask, among: Mask, *, closed: bool) -> bool:
    """Whether what is marked among these points lies about as chance strews it, and not in patches."""
    return not clustering(marked, among, closed=closed) >= STREWN


def clustering(marked: Mask, among: Mask, *, closed: bool) -> float:
    """Tell how many points next to each other are both marked, over how many would be by chance.

    Chance marks as many of the points in `among`, which hold all that are marked. Next to each other are
    points side by side, not corner to corner.

    Join counts: Moran, "The interpretation of statistical maps", J. R. Stat. Soc. B 10, 1948, 243-251 (from
    memory). NaN where chance would make none.

    Examples
    --------
    >>> patch = np.zeros((6, 8), dtype=bool)
    >>> patch[2:4, 3:6] = True
    >>> everywhere = np.ones((6, 8), dtype=bool)
    >>> round(clustering(patch, everywhere, closed=False), 1)
    6.4
    >>> board = np.indices((6, 8)).sum(axis=0) % 2 == 0
    >>> clustering(board, everywhere, closed=False)
    0.0
    """
    count, of = int(marked.sum()), int(among.sum())
    pairs = count * (count - 1) * _joins(among, closed=closed)
    if not pairs:
        return float("nan")
    return _joins(marked, closed=closed) * of * (of - 1) / pairs


def _joins(marked: Mask, *, closed: bool) -> int:
    """Count the pairs of marked points side by side, round a tube across its seam."""
    seam = marked[:, 0] & marked[:, -1] if _goes_round(marked, closed=closed) else marked[:, :0]
    return int((marked[1:] & marked[:-1]).sum() + (marked[:, 1:] & marked[:, :-1]).sum() + seam.sum())


def _goes_round(marked: Mask, *, closed: bool) -> bool:
    """Whether the seam joins points that are not next to each other anyway."""
    return closed and marked.shape[1] > 2


def _count_beside(marked: Mask, *, closed: bool) -> NDArray[np.int_]:
    """Count the marked ones among each point's eight neighbours, round a tube across its seam."""
    mode: Literal["wrap", "constant"] = "wrap" if _goes_round(marked, closed=closed) else "constant"
    padded = np.pad(marked.astype(int), ((0, 0), (1, 1)), mode=mode)
    padded = np.pad(padded, ((1, 1), (0, 0)))
    return np.asarray(sliding_window_view(padded, (3, 3)).sum(axis=(2, 3)) - marked)
