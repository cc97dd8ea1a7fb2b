"""Which of many traces to learn from."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["spread_evenly"]

_GOLDEN = (np.sqrt(5) - 1) / 2


def spread_evenly(total: int, most: int) -> NDArray[np.intp]:
    """Choose at most so many of `total` rows, evenly and in order, but in step with no pattern among them.

    Every so-and-so-many-th row of a grid may be the same line of the part, its edge perhaps. Multiples of the
    golden ratio, taken modulo 1, fill the range as evenly as any sequence and never repeat (Knuth, The Art of
    Computer Programming 3, section 6.4, from memory).

    Examples
    --------
    >>> spread_evenly(5, 8).tolist()
    [0, 1, 2, 3, 4]
    >>> spread_evenly(100, 8).tolist()
    [0, 9, 23, 32, 47, 61, 70, 85]
    >>> len(spread_evenly(102_400, 1024))
    1024
    """
    if total <= most:
        return np.arange(total)
    return np.unique((np.arange(most) * _GOLDEN % 1.0 * total).astype(np.intp))
