"""The plan: zones, surfaces, points and references. Knows nothing of signals, and no file but the plan."""

from tapscan.plan.known import Known, SetupLimits
from tapscan.plan.points import Block, Point, parse_block, parse_point, point_name
from tapscan.plan.surfaces import block_mask, cell_area_mm2, girth_mm, neighbours, placed, s_mm, walk, x_mm
from tapscan.plan.zones import Laminate, Note, Part, Plan, Zone

__all__ = [
    "Block",
    "Known",
    "Laminate",
    "Note",
    "Part",
    "Plan",
    "Point",
    "SetupLimits",
    "Zone",
    "block_mask",
    "cell_area_mm2",
    "girth_mm",
    "neighbours",
    "parse_block",
    "parse_point",
    "placed",
    "point_name",
    "s_mm",
    "walk",
    "x_mm",
]
