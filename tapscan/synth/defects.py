"""What is wrong with a simulated part, and where."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.surfaces import girth_mm, s_mm, x_mm

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone

__all__ = ["Defect", "distance_mm", "true_mask"]


@dataclass(frozen=True, slots=True)
class Defect:
    """A round delamination on the unrolled surface, `depth_mm` below it.

    At the depth of the back wall it is a disbond: the wall is whole and the insert has come away.
    """

    x_mm: float
    s_mm: float
    radius_mm: float
    depth_mm: float


def distance_mm(
    zone: "Zone",
    defect: Defect,
    off_x_mm: "NDArray[np.float64] | float" = 0.0,
    off_s_mm: "NDArray[np.float64] | float" = 0.0,
) -> "NDArray[np.float64]":
    """Distance along the surface from every point to the centre of a defect, the short way round a tube.

    The offsets move the points and broadcast with shape (stations, positions); the result has that shape.
    Arc lengths are those at the point's own station, which on a taper is right to first order.
    """
    along = x_mm(zone) + off_x_mm - defect.x_mm
    across = s_mm(zone) + off_s_mm - defect.s_mm
    if zone.is_tube:
        girth = girth_mm(zone)[:, None]
        # On a taper the centre keeps its angle, not its arc length.
        centre_girth = np.interp(defect.x_mm, x_mm(zone)[:, 0], girth_mm(zone))
        turns = (s_mm(zone) + off_s_mm) / girth - defect.s_mm / centre_girth
        across = (turns - np.round(turns)) * girth
    return np.asarray(np.hypot(along, across))


def true_mask(zone: "Zone", defects: Sequence[Defect]) -> "NDArray[np.bool_]":
    """Mark the points that are on a defect; shape (stations, positions).

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> zone = parse_plan('''[[zone]]
    ... code = "A"
    ... shape = "tube"
    ... stations = 2
    ... positions = 6
    ... station_pitch_mm = 10
    ... girth_mm = 60''').zones[0]
    >>> true_mask(zone, [Defect(x_mm=5.0, s_mm=58.0, radius_mm=9.0, depth_mm=0.5)]).astype(int).tolist()
    [[1, 0, 0, 0, 0, 1], [0, 0, 0, 0, 0, 0]]
    """
    mask = np.zeros(zone.grid_shape, dtype=bool)
    for defect in defects:
        mask |= distance_mm(zone, defect) <= defect.radius_mm
    return mask
