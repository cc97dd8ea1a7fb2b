"""Why a defect was missed or a sound point called: what physics and the grid have to say, in words."""

import numpy as np
from numpy.typing import NDArray

from tapscan.plan.zones import Plan, Zone
from tapscan.screening.reach import ascan_outlook, pitch_mm, tap_reach_at

__all__ = ["NEXT_TO_DEFECT", "false_call_reason", "is_edge", "reach_reason", "score_reason"]

Mask = NDArray[np.bool_]
NEXT_TO_DEFECT = "next to a defect, whose edge may be between the points"
_NEARLY, _JUST_OVER = 0.7, 1.5


def is_edge(zone: Zone) -> Mask:
    """Mark the points at a zone's ends, and along the sides of a panel."""
    edge = np.zeros(zone.grid_shape, dtype=bool)
    edge[[0, -1]] = True
    if not zone.is_tube:
        edge[:, [0, -1]] = True
    return edge


def reach_reason(plan: Plan, zone: Zone, method: str, depth_mm: float | None, size_mm: float) -> str:
    """Say what the method could not have detected of a defect of this depth and diameter; '' when nothing."""
    return (
        _tap_reason(plan, zone, depth_mm, size_mm)
        if method == "tap"
        else _ascan_reason(plan, zone, depth_mm, size_mm)
    )


def _tap_reason(plan: Plan, zone: Zone, depth_mm: float | None, size_mm: float) -> str:
    wall_mm = zone.laminate.thickness_mm
    if depth_mm is None or wall_mm is None:
        return _pitch_reason(zone, size_mm)
    if not 0 < depth_mm < wall_mm:
        return "deep: behind the wall, where a tap feels little" if depth_mm >= wall_mm else ""
    reach = tap_reach_at(plan, zone, depth_mm)
    if reach is not None and np.isinf(reach.detectable_mm):
        return f"deep: at {depth_mm:.2g} mm a patch curved like this tube is too stiff for a tap to detect"
    if reach is not None and size_mm < 2 * reach.detectable_mm:
        return (
            f"small for its depth: at {depth_mm:.2g} mm, taps are estimated to need "
            f"{2 * reach.detectable_mm:.0f} mm across"
        )
    return _pitch_reason(zone, size_mm)


def _ascan_reason(plan: Plan, zone: Zone, depth_mm: float | None, size_mm: float) -> str:
    reach = ascan_outlook(plan, zone).detectable
    if reach is not None and depth_mm is not None:
        if depth_mm < reach.shallowest_mm:
            return f"shallow: within {reach.shallowest_mm:.2g} mm the front-surface echo hides others"
        if reach.deepest_mm < depth_mm < (zone.laminate.thickness_mm or np.inf):
            return f"deep: beyond {reach.deepest_mm:.2g} mm the back-wall echo hides others"
    if reach is not None and reach.radius_mm is not None and size_mm < 2 * reach.radius_mm:
        return f"small: narrower than the beam of {2 * reach.radius_mm:.2g} mm"
    return _pitch_reason(zone, size_mm)


def _pitch_reason(zone: Zone, size_mm: float) -> str:
    diagonal = float(np.hypot(*pitch_mm(zone)))
    if size_mm >= diagonal:
        return ""
    return f"small: less than {diagonal:.3g} mm across, it may be between the points"


def score_reason(score: float, *, has_suspects: bool) -> str:
    """Say how near the readings came to being called."""
    if np.isnan(score):
        return "nothing was read there"
    if has_suspects:
        return "suspect points, but so few that chance may explain them: in no indication"
    if score >= _NEARLY:
        return f"just below the limit (score {score:.2f})"
    return f"its readings are like sound ones (score {score:.2f})"


def false_call_reason(*, score: float, is_near_defect: bool, is_at_edge: bool) -> str:
    """Say what may have made a sound point suspect.

    Examples
    --------
    >>> false_call_reason(score=1.2, is_near_defect=True, is_at_edge=False)
    'next to a defect, whose edge may be between the points; just above the limit (score 1.20)'
    """
    parts = []
    if is_near_defect:
        parts.append(NEXT_TO_DEFECT)
    if is_at_edge:
        parts.append("at the edge of the zone")
    if score < _JUST_OVER:
        parts.append(f"just above the limit (score {score:.2f})")
    return "; ".join(parts) or "nothing on the cut explains it"
