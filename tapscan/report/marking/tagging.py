"""Where the numbers of outlines go, on wraps and maps: beside their outline, on no name and no point."""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.report.marking.naming import MM_PER_PT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Protocol

    from numpy.typing import NDArray

    Grid = NDArray[np.float64]

    class Numbered(Protocol):
        """An outline in mm, cut into lines, and its number."""

        @property
        def number(self) -> str: ...

        @property
        def lines(self) -> "tuple[Grid, ...]": ...


__all__ = ["placed", "tag_size_mm"]

_MOST_PLACES = 48  # tried along one outline
_DIRECTIONS = [
    (1.0, 0.0),
    (1.0, -1.0),
    (1.0, 1.0),
    (0.0, -1.0),
    (0.0, 1.0),
    (-1.0, -1.0),
    (-1.0, 1.0),
    (-1.0, 0.0),
]
_AWAY_MM = 0.6  # between outline and tag
# A tag on another tag cannot be read at all, one that leaves the paper is cut off; a name can be guessed.
_ON_POINT, _OTHER_TAG, _OFF_PAPER = 5.0, 10.0, 5.0


def tag_size_mm(number: str, size_pt: float) -> tuple[float, float]:
    """Width and height of a number in its frame."""
    frame_mm = 0.5 * size_pt * MM_PER_PT
    return 0.65 * size_pt * MM_PER_PT * len(number) + frame_mm, 1.1 * size_pt * MM_PER_PT + frame_mm


def placed(
    outlines: "Sequence[Numbered]", size_pt: float, names_mm: "Grid", crosses_mm: "Grid", edge: "Grid"
) -> "Grid":
    """Choose the middle of every outline's tag, shape (outlines, 2).

    Parameters
    ----------
    outlines
        What is numbered.
    size_pt
        Type size of the numbers on paper at 1:1; at another scale, divided by that scale.
    names_mm
        Boxes of the points' names, (n, 4): left, top, right and bottom.
    crosses_mm
        Middles of the points, (n, 2).
    edge
        The paper's closed edge, (n, 2).
    """
    from matplotlib.path import Path

    paper = Path(edge)
    crosses = np.hstack([crosses_mm - 0.5, crosses_mm + 0.5])
    taken: list[Grid] = []
    middles = []
    for outline in outlines:
        half = np.array(tag_size_mm(outline.number, size_pt)) / 2
        places = _places(outline, half)
        boxes = np.hstack([places - half, places + half])
        cost = _overlap(boxes, names_mm) + _ON_POINT * _overlap(boxes, crosses)
        if taken:
            cost += _OTHER_TAG * _overlap(boxes, np.array(taken))
        corners = np.concatenate([boxes[:, [i, j]] for i in (0, 2) for j in (1, 3)])
        inside = paper.contains_points(corners).reshape(4, -1).all(axis=0)
        cost += _OFF_PAPER * ~inside * float(np.prod(2 * half))
        best = int(np.argmin(np.round(cost, 6)))
        taken.append(boxes[best])
        middles.append(places[best])
    return np.array(middles).reshape(-1, 2)


def _places(outline: "Numbered", half: "Grid") -> "Grid":
    """Middles to try: off every few corners of the outline each way, the far end from station 1 first."""
    corners = np.vstack([*outline.lines])
    corners = corners[np.argsort(-corners[:, 0], kind="stable")]
    corners = corners[:: max(1, len(corners) // _MOST_PLACES)]
    steps = [np.array(way) * (half + _AWAY_MM) for way in _DIRECTIONS]
    return np.concatenate([np.stack([corner + step for step in steps]) for corner in corners])


def _overlap(boxes: "Grid", others: "Grid") -> "Grid":
    """Area that each box shares with all the others together, shape (boxes,)."""
    if not len(others):
        return np.zeros(len(boxes))
    wide = np.minimum(boxes[:, None, 2], others[:, 2]) - np.maximum(boxes[:, None, 0], others[:, 0])
    high = np.minimum(boxes[:, None, 3], others[:, 3]) - np.maximum(boxes[:, None, 1], others[:, 1])
    return np.asarray((np.clip(wide, 0, None) * np.clip(high, 0, None)).sum(axis=1))
