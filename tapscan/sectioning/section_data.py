"""What a comparison says: plain data for ``sections.json`` and ``sections.csv``, and counts for people."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from tapscan.plan import point_name
from tapscan.sectioning import outcomes
from tapscan.sectioning.findings.recorded import Finding
from tapscan.sectioning.outcomes import Compared
from tapscan.sectioning.pod.binomial import Share, share

__all__ = ["defect_columns", "false_calls", "section_document", "separations_found"]


def separations_found(compared: Compared) -> Share:
    """How many of the delaminations and disbonds that could be judged were hit, with the exact interval."""
    hits = len(compared.separations(outcomes.HIT))
    return share(hits, hits + len(compared.separations(outcomes.MISS)))


def false_calls(compared: Compared) -> Share:
    """How many of the points that were cut and found sound had been called suspect."""
    called = compared.count(outcomes.FALSE_CALL)
    return share(called, called + compared.count(outcomes.AGREED))


def section_document(compared: Sequence[Compared], findings: Sequence[Finding]) -> dict[str, Any]:
    """Lay everything out for ``sections.json``.

    `points` lists the points that were cut only; a point that is not in it is not known.
    """
    return {
        "findings": [_finding(one) for one in findings],
        "compared": [_zone(one) for one in compared],
        "defects": [asdict(defect) for one in compared for defect in one.defects],
        "indications": [asdict(judged) for one in compared for judged in one.indications],
        "points": [point for one in compared for point in _points(one)],
    }


def defect_columns(compared: Sequence[Compared]) -> dict[str, list[Any]]:
    """Columns of ``sections.csv``: one row for each defect and method."""
    rows = [defect for one in compared for defect in one.defects]
    names = (
        "id", "zone", "method", "kind", "verdict", "reason", "read", "score", "size_mm", "size_from",
        "area_mm2", "reported_area_mm2", "area_ratio", "is_within_bounds", "depth_mm",
        "reported_depth_mm", "depth_error_mm", "cause", "starts_at",
    )  # fmt: skip
    columns: dict[str, list[Any]] = {name: [getattr(row, name) for row in rows] for name in names}
    columns["indications"] = [" ".join(row.indications) for row in rows]
    columns["points"] = [" ".join(row.points) for row in rows]
    return columns


def _finding(finding: Finding) -> dict[str, Any]:
    result = {name: value for name, value in asdict(finding).items() if name not in ("blocks", "line")}
    return {**result, "where": finding.where}


def _zone(one: Compared) -> dict[str, Any]:
    found, called = separations_found(one), false_calls(one)
    return {
        "zone": one.screened.zone.code,
        "method": one.screened.method,
        "points_by_outcome": {outcome: one.count(outcome) for outcome in outcomes.OUTCOMES},
        "defects_found": _share(found),
        "defects_unread": len(one.separations(outcomes.UNREAD_THERE)),
        "false_calls": _share(called),
        "indications": {
            verdict: sum(judged.verdict == verdict for judged in one.indications)
            for verdict in ("confirmed", "false", outcomes.ANOTHER_FLAW, "open")
        },
    }


def _share(one: Share) -> dict[str, Any]:
    result = {"count": one.hits, "of": one.trials, "share": None, "low_95": None, "high_95": None}
    return (
        result
        if not one.trials
        else {
            **result,
            "share": one.value,
            "low_95": one.low,
            "high_95": one.high,
        }
    )


def _points(one: Compared) -> list[dict[str, Any]]:
    screened = one.screened
    return [
        {
            "point": point_name(screened.zone.code, int(i) + 1, int(p) + 1),
            "method": screened.method,
            "shown": str(one.shown[i, p]),
            "status": str(screened.status[i, p]),
            "score": screened.score[i, p],
            "outcome": str(one.outcome[i, p]),
            "reason": str(one.reason[i, p]),
        }
        for i, p in np.argwhere(one.outcome != outcomes.UNCUT)
    ]
