"""Two photos of one joint, seen from two sides: points with the same names are the same points."""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.points import Point
from tapscan.plan.surfaces import block_mask

if TYPE_CHECKING:
    from tapscan.plan.zones import Plan, Zone

__all__ = ["shared_points"]


def shared_points(plan: "Plan") -> dict[Point, Point]:
    """Give every point that is another zone's, too, with the name that it has there; in walking order.

    They are points of zones with `same_points_as` whose names both photos have, and neither zone skips.
    """
    zones = {zone.code: zone for zone in plan.zones}
    shared: dict[Point, Point] = {}
    for zone in plan.zones:
        if zone.same_points_as is not None:
            there = set(_names(zones[zone.same_points_as]))
            both = [name for name in _names(zone) if name in there]
            shared |= {Point(zone.code, *name): Point(zone.same_points_as, *name) for name in both}
    return shared


def _names(zone: "Zone") -> list[tuple[int, int]]:
    kept = np.argwhere(~block_mask(zone, zone.skip)) + 1
    return [(int(i), int(p)) for i, p in kept]
