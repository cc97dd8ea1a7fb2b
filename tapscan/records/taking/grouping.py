"""Which taps of a walk belong to one point: by their count, by the pauses between points, or not at all."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TapGroups", "group_by_count", "group_by_pauses", "misplaced_pauses"]

# Pauses separate the points when they typically last this much longer than the gaps within a point,
TELLING = 1.5
# and when two classes explain this share of the variance of the gaps' logarithms (one even spread: 0.75).
TWO_KINDS = 0.8
# A walk may stop for a talk; such a gap counts as a long pause and not as a kind of its own.
LONGEST_MEDIANS = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class TapGroups:
    """Taps that belong together: index of the first tap of each group and how many it has, each (groups,)."""

    first: NDArray[np.intp]
    count: NDArray[np.intp]


def group_by_count(n_groups: int, taps_per_point: int) -> TapGroups:
    """Put the same number of taps in every group."""
    return TapGroups(np.arange(n_groups) * taps_per_point, np.full(n_groups, taps_per_point))


def group_by_pauses(start_s: NDArray[np.float64]) -> TapGroups | None:
    """Part taps at the long gaps between them; None when the gaps are all of one kind.

    The gaps are split into short and long where that leaves the least variance of their logarithms within
    each kind (Otsu 1979, here over the sorted values; from memory).

    Examples
    --------
    >>> groups = group_by_pauses(np.array([0.0, 0.4, 0.8, 2.8, 3.2, 3.6, 5.4, 5.8]))
    >>> groups.count.tolist()
    [3, 3, 2]
    >>> group_by_pauses(np.arange(9.0)) is None
    True
    """
    gaps = np.diff(start_s)
    if len(gaps) < 2:
        return None
    logs = np.log(np.minimum(gaps, LONGEST_MEDIANS * np.median(gaps)))
    ordered = np.sort(logs)
    short = np.arange(1, len(ordered))
    long = len(ordered) - short
    total = np.cumsum(ordered)
    means_apart = (total[-1] - total[:-1]) / long - total[:-1] / short
    between = short * long * means_apart**2 / len(ordered)
    best = int(np.argmax(between))
    variance = float(np.sum((ordered - ordered.mean()) ** 2))
    if means_apart[best] < np.log(TELLING) or between[best] < TWO_KINDS * variance:
        return None
    is_pause = logs >= (ordered[best] + ordered[best + 1]) / 2
    first = np.concatenate([[0], np.flatnonzero(is_pause) + 1])
    return TapGroups(first, np.diff(np.append(first, len(start_s))))


def misplaced_pauses(start_s: NDArray[np.float64], taps_per_point: int) -> NDArray[np.intp]:
    """Find groups by count whose end shows no pause while there is a pause within them or the next group.

    That is what a tap too few at one point and one too many at another looks like: the count is right and the
    points are not. Returns the indices of such groups, empty where pauses do not show it.
    """
    gaps = np.diff(start_s)
    n_groups = len(start_s) // taps_per_point
    if taps_per_point == 1 or n_groups < 2:
        return np.empty(0, dtype=np.intp)
    ends = gaps[taps_per_point - 1 :: taps_per_point]
    within = np.append(gaps, np.nan).reshape(n_groups, taps_per_point)[:, :-1]
    # The longest gaps are taken for the pauses wherever they are: after a shift most ends may show none.
    ordered = np.sort(gaps)
    usual_within, usual_pause = np.median(ordered[: 1 - n_groups]), np.median(ordered[1 - n_groups :])
    if usual_pause < TELLING * usual_within:
        return np.empty(0, dtype=np.intp)
    longest = within.max(axis=1)
    threshold = np.sqrt(usual_pause * usual_within)
    return np.flatnonzero((ends < threshold) & (np.maximum(longest[:-1], longest[1:]) >= threshold))
