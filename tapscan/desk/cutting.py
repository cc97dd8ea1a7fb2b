"""What cutting showed, logged on the page: findings so far, the best places to cut, a form's row.

The page goes through the same functions as `tapscan section`, so that both say the same.
"""

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import tapscan
from tapscan.errors import TapscanError
from tapscan.report.pages.section_page import SectionReport, write_sections
from tapscan.sectioning.cautions import CUTTING_CAUTIONS, EDGE_QUESTION
from tapscan.sectioning.comparing import compare_all
from tapscan.sectioning.cut_photos import cut_photos
from tapscan.sectioning.cuts import plan_cuts
from tapscan.sectioning.findings import logbook
from tapscan.sectioning.findings.csv_text import COLUMNS, parse_row
from tapscan.sectioning.findings.logbook import add_findings, read_findings
from tapscan.sectioning.findings.recorded import CAUSES, FINDINGS_NAME, KINDS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tapscan.desk.bench import Bench
    from tapscan.sectioning.cuts import PlannedCut
    from tapscan.sectioning.findings.recorded import Finding

__all__ = ["MOST_FIELD_CHARACTERS", "change_finding", "cutting_document", "log_finding", "write_section"]

MOST_FIELD_CHARACTERS = 2000
_SIZES = ("depth_mm", "length_mm", "width_mm", "thickness_mm", "area_mm2")


def cutting_document(bench: "Bench") -> dict[str, Any]:
    """List the kinds of finding, what to mind before cutting, what was found, and which cuts to make next.

    Raises
    ------
    TapscanError
        When ``findings.csv`` cannot be read.
    """
    findings = read_findings(bench.folder, bench.inspection().plan)
    analysed = bench.analysed
    cuts = plan_cuts(analysed.results.screened, findings.rows) if analysed is not None else ()
    return {
        "kinds": [{"kind": kind, "words": "nothing there" if kind == "none" else kind} for kind in KINDS],
        "causes": ("unknown", *(cause for cause in CAUSES if cause != "unknown")),
        "edge_question": EDGE_QUESTION,
        "cautions": CUTTING_CAUTIONS,
        "findings": [_row(one) for one in findings.rows],
        "warnings": findings.warnings,
        "cuts": [_cut(one) for one in cuts],
    }


def log_finding(bench: "Bench", row: "Mapping[str, str]") -> bool:
    """Add one finding, column name to text, to ``findings.csv``; False when it was there already.

    Raises
    ------
    TapscanError
        With the field that is wrong, or when the file cannot be written.
    """
    plan = bench.inspection().plan
    finding = parse_row(row, plan, "the finding")
    return add_findings(bench.folder, plan, [finding]) == 1


def change_finding(bench: "Bench", old: "Mapping[str, str]", new: "Mapping[str, str]") -> None:
    """Put the finding `new` in the place of `old`, both column name to text; an empty `new` takes it out.

    Raises
    ------
    TapscanError
        With the field that is wrong, when there is no such finding any more, or the file cannot be written.
    """
    plan = bench.inspection().plan
    was = parse_row(old, plan, "the finding")
    now = parse_row(new, plan, "the finding") if new else None
    try:
        logbook.change_finding(bench.folder, plan, was, now)
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(FINDINGS_NAME, what, "make room, or make the file writable") from None


def write_section(bench: "Bench") -> bool:
    """Write what cutting showed, compared with the latest analysis, into ``results/``; False without either.

    Raises
    ------
    TapscanError
        When ``findings.csv`` cannot be read, or ``results`` cannot be written.
    """
    plan = bench.inspection().plan
    findings = read_findings(bench.folder, plan)
    if not findings.rows or bench.analysed is None:
        return False
    photos, doubts = cut_photos(bench.folder)
    report = SectionReport(
        part=plan.part,
        version=tapscan.__version__,
        compared=compare_all(bench.analysed.results, findings.rows),
        findings=findings.rows,
        false_call_rate=plan.false_call_rate,
        warnings=(*findings.warnings, *doubts),
        photos=photos,
        origin=bench.analysed.results.origin,
    )
    write_sections(report, bench.folder)
    return True


def _row(finding: "Finding") -> dict[str, Any]:
    values = asdict(finding)
    sizes = [
        f"{name.rpartition('_')[0]} {values[name]:g} {'mm²' if name.endswith('2') else 'mm'}"
        for name in _SIZES
        if values[name] is not None
    ]
    return {
        "kind": "nothing there" if finding.kind == "none" else finding.kind,
        "where": finding.where,
        "sizes": ", ".join(sizes),
        "photo": finding.photo,
        "row": {name: _cell(values, finding, name) for name in COLUMNS},
        "note": ", ".join(
            text for text in (finding.defect, *_origin(finding), finding.seen_by, finding.note) if text
        ),
    }


def _origin(finding: "Finding") -> tuple[str, str]:
    cause = f"from {finding.cause}" if finding.cause != "unknown" else ""
    return cause, f"runs from {finding.starts_at}" if finding.starts_at else ""


def _cell(values: "Mapping[str, Any]", finding: "Finding", name: str) -> str:
    """Write a value as the form has it: nothing where it is not known."""
    value = getattr(finding, name) if name == "where" else values[name]
    return "" if value is None else f"{value:.10g}" if isinstance(value, float) else str(value)


def _cut(cut: "PlannedCut") -> dict[str, Any]:
    return {"zone": cut.zone, "along": cut.along, "reason": cut.reason, "points": cut.points}
