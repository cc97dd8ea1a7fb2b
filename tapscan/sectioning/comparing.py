"""Findings compared with what was called, point by point, defect by defect, indication by indication."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapscan.analysis import Results
from tapscan.plan import cell_area_mm2, neighbours, point_name
from tapscan.plan.zones import Plan, Zone
from tapscan.screening.results import CLEAR, SUSPECT, Indication, Screened
from tapscan.sectioning import outcomes
from tapscan.sectioning.findings.recorded import (
    FROM_CUTTING,
    NOT_CUT,
    SEPARATIONS,
    SOUND,
    Cause,
    Finding,
    Kind,
    defects_of,
    made_by_cutting,
    points_of,
    shown,
)
from tapscan.sectioning.outcomes import Compared, Defect, JudgedIndication
from tapscan.sectioning.reasons import (
    false_call_reason,
    is_edge,
    reach_reason,
    score_reason,
)

__all__ = ["compare", "compare_all"]

Mask = NDArray[np.bool_]
_Reasons = NDArray[np.str_]


def compare(plan: Plan, screened: Screened, findings: Sequence[Finding]) -> Compared:
    """Hold the findings of a zone against what one method had said of it.

    Only points that were cut are judged. A defect is hit when an indication shares a point with it; suspect
    points that chance may explain, and that are in no indication, are none.
    """
    zone = screened.zone
    truth = shown(zone, findings)
    suspect, read = screened.status == SUSPECT, np.isin(screened.status, (CLEAR, SUSPECT))
    bad = np.isin(truth, list(SEPARATIONS))
    outcome = np.full(zone.grid_shape, outcomes.UNCUT, dtype="U16")
    cut = truth != NOT_CUT
    outcome[cut & ~read] = outcomes.UNREAD_THERE
    outcome[cut & read & ~bad & (truth != SOUND)] = outcomes.ANOTHER_FLAW
    outcome[truth == FROM_CUTTING] = FROM_CUTTING
    outcome[bad & suspect] = outcomes.HIT
    outcome[bad & read & ~suspect] = outcomes.MISS
    outcome[(truth == SOUND) & suspect] = outcomes.FALSE_CALL
    outcome[(truth == SOUND) & read & ~suspect] = outcomes.AGREED
    defects = _Defects(plan, screened, findings).judged()
    reason = _reasons(screened, outcome, bad, defects)
    judged = tuple(_judge_indication(one, zone, truth, defects, reason) for one in screened.indications)
    return Compared(screened, truth, outcome, reason, defects, judged)


def compare_all(results: Results, findings: Sequence[Finding]) -> tuple[Compared, ...]:
    """Hold the findings of an inspection against each zone and method in which anything was cut."""
    cut = {one.zone for one in findings}
    plan = results.inspection.plan
    return tuple(compare(plan, one, findings) for one in results.screened if one.zone.code in cut)


def _reasons(screened: Screened, outcome: NDArray[np.str_], bad: Mask, defects: Sequence[Defect]) -> _Reasons:
    """Why each point is a miss or a false call."""
    zone = screened.zone
    reason = np.full(zone.grid_shape, "", dtype=object)
    near, edge = neighbours(zone, bad), is_edge(zone)
    for at in map(tuple, np.argwhere(outcome == outcomes.FALSE_CALL)):
        reason[at] = false_call_reason(
            score=float(screened.score[at]), is_near_defect=bool(near[at]), is_at_edge=bool(edge[at])
        )
    of_point = {
        name: one
        for one in defects
        if one.is_separation and one.verdict != FROM_CUTTING
        for name in one.points
    }
    for station, position in np.argwhere(outcome == outcomes.MISS):
        defect = of_point[point_name(zone.code, int(station) + 1, int(position) + 1)]
        is_found = defect.verdict == outcomes.HIT
        reason[station, position] = f"{defect.id} was found at other points" if is_found else defect.reason
    return reason


class _Defects:
    """Judges the defects of one zone by one method; holds what all of them need."""

    def __init__(self, plan: Plan, screened: Screened, findings: Sequence[Finding]) -> None:
        self._plan, self._screened, self._findings = plan, screened, findings
        self._groups = {
            name: _before_cutting(group) for name, group in defects_of(screened.zone, findings).items()
        }
        self._masks = {name: points_of(screened.zone, group) for name, group in self._groups.items()}
        self._cut = points_of(screened.zone, [one for one in findings if not made_by_cutting([one])])
        self._members = {one.id: _mask_of(screened.zone, one.points) for one in screened.indications}

    def judged(self) -> tuple[Defect, ...]:
        return tuple(self._judge(name, group) for name, group in self._groups.items())

    def _judge(self, name: str, group: tuple[Finding, ...]) -> Defect:
        screened, zone, mask = self._screened, self._screened.zone, self._masks[name]
        status = screened.status[mask]
        read = int(np.count_nonzero(np.isin(status, (CLEAR, SUSPECT))))
        touching = [one for one in screened.indications if (self._members[one.id] & mask).any()]
        kind, depth_mm = _kind(group), _depth_mm(group)
        area_mm2, size_from = _area_mm2(zone, group, mask)
        size_mm = 2 * float(np.sqrt(area_mm2 / np.pi))
        scores = screened.score[mask]
        score = float(np.max(scores[~np.isnan(scores)], initial=-np.inf))
        score = float("nan") if score == -np.inf else score
        verdict = _verdict(kind, read=read, is_called=bool(touching))
        if made_by_cutting(group):
            verdict, touching = FROM_CUTTING, []
        reason = ""
        if verdict in (outcomes.MISS, outcomes.UNREAD_THERE):
            reason = self._why_missed(mask, depth_mm, size_mm, score)
        result = self._reported_area(name, touching, size_from)
        reported_depth = next((one.depth_mm for one in touching if one.depth_mm is not None), None)
        return Defect(
            id=name,
            zone=zone.code,
            method=screened.method,
            kind=kind,
            points=_names(zone, mask),
            read=read,
            verdict=verdict,
            reason=reason,
            indications=tuple(one.id for one in touching),
            score=score,
            size_mm=size_mm,
            size_from=size_from,
            area_mm2=area_mm2,
            reported_area_mm2=result,
            area_ratio=None if result is None else result / area_mm2,
            is_within_bounds=None if result is None else _is_within(touching, area_mm2),
            depth_mm=depth_mm,
            reported_depth_mm=reported_depth,
            depth_error_mm=None if reported_depth is None or depth_mm is None else reported_depth - depth_mm,
            cause=_cause(group),
            starts_at=next((one.starts_at for one in group if one.starts_at), ""),
        )

    def _why_missed(self, mask: Mask, depth_mm: float | None, size_mm: float, score: float) -> str:
        screened, zone = self._screened, self._screened.zone
        unread = mask & ~np.isin(screened.status, (CLEAR, SUSPECT))
        parts = []
        if unread.any():
            words = sorted(set(screened.reason[unread].tolist()) - {""}) or ["left out of the plan"]
            few = "" if unread[mask].all() else f"at {np.count_nonzero(unread)} of its points "
            parts.append(f"unread {few}({', '.join(words)})")
        if not unread[mask].all():
            parts.append(reach_reason(self._plan, zone, screened.method, depth_mm, size_mm))
            if (mask & is_edge(zone)).any():
                parts.append("at the edge of the zone")
            if screened.method == "ascan" and self._is_shadowed(mask, depth_mm):
                parts.append("below another defect, in its shadow")
            suspects = bool((screened.status[mask] == SUSPECT).any())
            parts.append(score_reason(score, has_suspects=suspects))
        return "; ".join(part for part in parts if part)

    def _is_shadowed(self, mask: Mask, depth_mm: float | None) -> bool:
        """Whether a shallower separation covers all of a defect."""
        above = [
            self._masks[name]
            for name, group in self._groups.items()
            if group[0].kind in SEPARATIONS
            and not made_by_cutting(group)
            and depth_mm is not None
            and (_depth_mm(group) or np.inf) < depth_mm
        ]
        return bool(above) and bool(np.logical_or.reduce(above)[mask].all())

    def _reported_area(self, name: str, touching: Sequence[Indication], size_from: str) -> float | None:
        """Return the reported area of a defect; None where it cannot be compared with it alone.

        Another separation shares it, and so does another flaw beside the defect. A void inside it does not.
        """
        if not touching:
            return None
        own = self._masks[name]
        others = [
            mask if _kind(self._groups[other]) in SEPARATIONS else mask & ~own
            for other, mask in self._masks.items()
            if other != name and not made_by_cutting(self._groups[other])
        ]
        is_shared = any((self._members[one.id] & mask).any() for one in touching for mask in others)
        around = neighbours(self._screened.zone, own)
        if is_shared or (size_from == "points" and not self._cut[around].all()):
            return None
        return float(sum(one.area_mm2 for one in touching))


def _verdict(kind: str, *, read: int, is_called: bool) -> str:
    if not read:
        return outcomes.UNREAD_THERE
    if kind in SEPARATIONS:
        return outcomes.HIT if is_called else outcomes.MISS
    return "called" if is_called else "not called"


def _before_cutting(group: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Leave out of a defect what the cut did to it; a defect that the cut alone made is kept as it is."""
    return tuple(one for one in group if one.cause != "cutting") or group


def _cause(group: Sequence[Finding]) -> Cause:
    return next((one.cause for one in group if one.cause != "unknown"), "unknown")


def _kind(group: Sequence[Finding]) -> Kind:
    """Give the kind of a defect that was called by several: a separation before any other."""
    return next((one.kind for one in group if one.kind in SEPARATIONS), group[0].kind)


def _depth_mm(group: Sequence[Finding]) -> float | None:
    depths = [one.depth_mm for one in group if one.depth_mm is not None]
    return float(np.median(depths)) if depths else None


def _area_mm2(zone: Zone, group: Sequence[Finding], mask: Mask) -> tuple[float, str]:
    """Area of a defect as well as it was measured, and what that rests on."""
    areas = [one.area_mm2 for one in group if one.area_mm2 is not None]
    if areas:
        return max(areas), "area"
    lengths = [one.length_mm for one in group if one.length_mm is not None]
    widths = [one.width_mm for one in group if one.width_mm is not None]
    if lengths and widths:
        return float(np.pi / 4 * max(lengths) * max(widths)), "length and width"
    return float(cell_area_mm2(zone)[mask].sum()), "points"


def _is_within(touching: Sequence[Indication], area_mm2: float) -> bool:
    low = sum(one.area_low_mm2 for one in touching)
    return bool(low <= area_mm2 <= sum(one.area_high_mm2 for one in touching))


def _judge_indication(
    one: Indication, zone: Zone, truth: NDArray[np.str_], defects: Sequence[Defect], reason: _Reasons
) -> JudgedIndication:
    members = _mask_of(zone, one.points)
    met = [defect for defect in defects if one.id in defect.indications]
    cut = int(np.count_nonzero(~np.isin(truth[members], [NOT_CUT, FROM_CUTTING])))
    why = ""
    if any(defect.is_separation for defect in met):
        verdict = "confirmed"
    elif met:
        verdict, why = outcomes.ANOTHER_FLAW, f"over {' and '.join(sorted({defect.kind for defect in met}))}"
    elif cut < len(one.points):
        verdict = "open"
    else:
        verdict, why = "false", str(reason[members].tolist()[0])
    names = tuple(defect.id for defect in met)
    return JudgedIndication(one.id, zone.code, one.method, verdict, why, names, cut, len(one.points))


def _mask_of(zone: Zone, points: Sequence[str]) -> Mask:
    mask = np.zeros(zone.grid_shape, dtype=bool)
    for name in points:
        _, station, position = name.split("-")
        mask[int(station) - 1, int(position) - 1] = True
    return mask


def _names(zone: Zone, mask: Mask) -> tuple[str, ...]:
    return tuple(point_name(zone.code, i, p) for i, p in (np.argwhere(mask) + 1).tolist())
