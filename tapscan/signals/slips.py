"""Front-surface echoes that were taken a cycle too early or too late, told by those beside them.

Where the front surface returns little, plies right behind it may make a crest as high as its own. Read from
there, the back wall comes early or late, and passes for lost, with an echo inside. Yet it arrives when it
arrives beside the point, and it is the front surface that does not: damage does the reverse. Not so beneath
water, where a dent makes the front surface late and the back wall early (`is_outdone`).
"""

import numpy as np
from numpy.typing import NDArray

from tapscan.signals.sampling import spread_evenly

__all__ = ["is_outdone", "slipped", "usual_beside"]

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

_REACH = 2  # how many points away a neighbour is at most
_ABOUT = np.array([at for at in np.ndindex(5, 5) if at != (_REACH, _REACH)]) - _REACH
_MOST_VARIANCE = 1.0  # of a single value's: where the plane is carried on further, it says nothing
_LINE = 1e-6  # weight of a level slope: neighbours in one line tell none across it
_CYCLE_OFF = 0.25  # of a cycle, from a whole one: the next crest is a cycle away
_WEAK = 1.2  # times the front-surface echo that the back wall has: a stronger one is not outdone by plies
_ROUGH = 3.0  # standard deviations that the front surface lies off its neighbours' by chance
_MOST_POINTS = 2_000  # how rough it is needs no more
_NEARER = 0.5  # of what the front surface lies off: so much less must the back wall lie off, seen from beside


def slipped(front: Floats, late: Floats, slack: float, cycle: float) -> tuple[Rows, Floats]:
    """Find the front-surface echoes that lie off those beside them by as much as their back wall does.

    Parameters
    ----------
    front
        Front-surface echo of each trace, (stations, positions).
    late
        How much later than the back wall is due the strongest echo follows it, same shape and unit; NaN where
        there is none that could be the back wall's.
    slack
        How far the back wall may lie from where it is due, in that unit.
    cycle
        The pulse's, in that unit: what slips, slips by one, and by more than the front surface is rough.

    Returns
    -------
    tuple of ndarray
        Indices (n,) into the flattened grid, and where the front-surface echo of each is: a cycle from where
        it was taken, or a little more where that leaves the back wall outside the slack.

    Examples
    --------
    >>> front = np.add.outer(np.arange(5.0), 2 * np.arange(6.0))
    >>> late = np.zeros((5, 6))
    >>> front[2, 3], late[2, 3] = front[2, 3] + 17, -16.5  # a cycle off: the back wall arrives as beside it
    >>> late[1, 1] = -17  # an echo from inside
    >>> slipped(front, late, 3.0, 17.0)
    (array([15]), array([8.]))
    """
    with np.errstate(invalid="ignore"):
        is_told = np.abs(late) <= slack
        rows = np.flatnonzero(~is_told & (np.abs(np.abs(late) / cycle - 1) < _CYCLE_OFF))
    known = np.where(is_told, front, np.nan)
    told, error = beside(known, rows)
    off, late = front.ravel()[rows] - told, late.ravel()[rows]
    with np.errstate(invalid="ignore"):
        slips = np.abs(off) > _ROUGH * _roughness(known) * error
        slips &= np.abs(off + late) < _NEARER * np.abs(off)
    rows, late = rows[slips], late[slips]
    return rows, front.ravel()[rows] + late - np.clip(late - np.copysign(cycle, late), -slack, slack)


def is_outdone(front: Floats, backwall: Floats) -> bool:
    """Whether back walls are so much stronger than front-surface echoes that plies may outdo these.

    Amplitudes, of one shape, NaN where there is none. Under water no front surface is so weak; there one that
    lies off those beside it by as much as its back wall does is a dent.

    Examples
    --------
    >>> is_outdone(np.ones(3), np.array([-2.0, -1.8, np.nan])), is_outdone(np.ones(3), np.full(3, -0.6))
    (True, False)
    """
    share = np.abs(backwall / front)
    share = share[np.isfinite(share)]
    return bool(share.size) and float(np.median(share)) > _WEAK


def beside(values: Floats, rows: Rows) -> tuple[Floats, Floats]:
    """Tell values at points (n,) of a grid by a plane through those about each; NaN where they tell little.

    Also how far a value lies off that by chance, in standard deviations of a value: more at a corner, where
    the plane is carried on.

    Examples
    --------
    >>> told, error = beside(np.add.outer(np.arange(5.0), 2 * np.arange(6.0)), np.array([0, 15]))
    >>> told.round(3) + 0.0, error.round(2)
    (array([0., 8.]), array([1.34, 1.02]))
    """
    about = _about(values, rows)
    known = np.isfinite(about)
    plane = np.column_stack([np.ones(len(_ABOUT)), _ABOUT])
    inverse = np.linalg.inv(np.einsum("nk,ki,kj->nij", known, plane, plane) + _LINE * np.eye(3))
    level = np.einsum("ni,nk,ki->n", inverse[:, 0], np.where(known, about, 0.0), plane)
    variance = inverse[:, 0, 0]
    return np.where(variance > _MOST_VARIANCE, np.nan, level), np.sqrt(1 + variance)


def usual_beside(values: Floats, rows: Rows) -> Floats:
    """Return the median of what lies about points (n,) of a grid.

    Examples
    --------
    >>> usual_beside(np.array([[1.0, 2.0, np.nan], [9.0, 2.0, 3.0]]), np.array([3]))
    array([2.])
    """
    return np.asarray(np.nanmedian(_about(values, rows), axis=1))


def _about(values: Floats, rows: Rows) -> Floats:
    """Cut out what lies about points of a grid, (n, neighbours); NaN beyond the grid."""
    station, position = np.divmod(rows, values.shape[1])
    padded = np.pad(values, _REACH, constant_values=np.nan)
    return np.asarray(
        padded[station[:, None] + _REACH + _ABOUT[:, 0], position[:, None] + _REACH + _ABOUT[:, 1]]
    )


def _roughness(values: Floats) -> float:
    """Return the robust standard deviation of known values about those beside them; 0 where few are known."""
    rows = np.flatnonzero(np.isfinite(values))
    rows = rows[spread_evenly(len(rows), _MOST_POINTS)]
    told, error = beside(values, rows)
    off = np.abs(values.ravel()[rows] - told) / error
    off = off[np.isfinite(off)]
    return 1.4826 * float(np.median(off)) if len(off) else 0.0
