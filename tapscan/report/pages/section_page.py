"""``section.html`` and the drawings beside it: what cutting showed of what had been called."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapscan.cutface.porosity import POLISHED
from tapscan.records.runs import RESULTS
from tapscan.records.tables import csv_text, json_text
from tapscan.records.writing import write_bytes, write_text
from tapscan.report import words
from tapscan.report.cuts.faces import face_lines, face_picture
from tapscan.report.cuts.joints import joint_lines, joint_picture
from tapscan.report.cuts.photo_sections import draw_photo_section
from tapscan.report.cuts.sections import draw_section
from tapscan.report.cuts.strips import strips_picture
from tapscan.report.filling import filled
from tapscan.report.maps.figures import drawing, png_bytes
from tapscan.report.pages.story import story_of
from tapscan.report.pictures import Picture
from tapscan.report.results_folder import results_folder
from tapscan.sectioning import outcomes
from tapscan.sectioning.cautions import CUTTING_CAUTIONS
from tapscan.sectioning.findings.recorded import NOT_CUT
from tapscan.sectioning.joints import joint_of
from tapscan.sectioning.pod.binomial import Share
from tapscan.sectioning.reasons import NEXT_TO_DEFECT
from tapscan.sectioning.section_data import defect_columns, false_calls, section_document, separations_found

if TYPE_CHECKING:
    from tapscan.plan.zones import Part
    from tapscan.sectioning.cut_photos import CutPhoto
    from tapscan.sectioning.findings.recorded import Finding
    from tapscan.sectioning.outcomes import Compared, Defect

__all__ = [
    "PAGE_NAME",
    "SectionReport",
    "false_call_text",
    "found_text",
    "share_text",
    "write_sections",
]

PAGE_NAME = "section.html"


@dataclass(frozen=True, slots=True, eq=False)
class SectionReport:
    """Everything on the page: the part, the comparisons, the findings behind them, and warnings.

    `photos` are of cuts that were measured. `origin` names the run that the findings were compared with;
    see `tapscan.analysis.Results`.
    """

    part: "Part"
    version: str
    compared: "tuple[Compared, ...]"
    findings: "tuple[Finding, ...]"
    false_call_rate: float
    warnings: tuple[str, ...]
    origin: "Mapping[str, str]"
    photos: "tuple[CutPhoto, ...]" = ()


def write_sections(report: SectionReport, home: Path) -> Path:
    """Write ``sections.json``, ``sections.csv``, the drawings and the page into ``results/``.

    Returns the path of the page.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    pictures = _pictures(report, home)
    faces = _faces(report)
    strips = _strips(report)
    document = {"version": report.version, **section_document(report.compared, report.findings)}
    document["warnings"] = list(report.warnings)
    with results_folder(home, "section", report.origin) as folder:
        write_text(folder / "sections.json", json_text(document))
        write_text(folder / "sections.csv", csv_text(defect_columns(report.compared)))
        for picture in (*pictures, *_shown(faces), *strips.values()):
            write_bytes(folder / picture.name, picture.png)
        write_bytes(folder / PAGE_NAME, _page(report, pictures, faces, strips).encode("utf-8", "replace"))
    return home / RESULTS / PAGE_NAME


def _pictures(report: SectionReport, home: Path) -> list[Picture]:
    """One drawing for each zone and method; the first of a zone bears the zone's name alone."""
    seen: set[str] = set()
    pictures = []
    with drawing():
        for one in report.compared:
            code = one.screened.zone.code
            name = f"section_{code}_{one.screened.method}.png" if code in seen else f"section_{code}.png"
            seen.add(code)
            is_gridded = one.screened.zone.layout is None
            figure = (
                draw_section(one, report.findings)
                if is_gridded
                else draw_photo_section(one, report.findings, home)
            )
            png = png_bytes(figure)
            pictures.append(Picture(name, png, _alt(one), _caption(one)))
    return pictures


def _strips(report: SectionReport) -> dict[int, Picture]:
    """Draw the cut lines of each comparison that has any, by its number."""
    with drawing():
        # A cut through scattered points of a photo is no line along a station or position.
        gridded = {n: one for n, one in enumerate(report.compared) if one.screened.zone.layout is None}
        drawn = {number: strips_picture(one) for number, one in gridded.items()}
    return {number: picture for number, picture in drawn.items() if picture is not None}


def _faces(report: SectionReport) -> list[dict[str, Any]]:
    """Say what was measured on each photo, drawn over it, with the joint where adhesive was measured."""
    with drawing():
        return [_face(photo) for photo in report.photos]


def _page(
    report: SectionReport,
    pictures: Sequence[Picture],
    faces: Sequence[Mapping[str, Any]],
    strips: Mapping[int, Picture],
) -> str:
    sections = [
        {**_section(one, picture, report), "strips": strips.get(number)}
        for number, (one, picture) in enumerate(zip(report.compared, pictures, strict=True))
    ]
    return filled(
        "section.html.jinja",
        part=report.part,
        sections=sections,
        stories=_stories(report),
        faces=faces,
        polished=POLISHED,
        cautions=CUTTING_CAUTIONS,
        findings=[_finding_row(one) for one in report.findings],
        warnings=report.warnings,
        version=report.version,
    )


def _face(photo: "CutPhoto") -> dict[str, Any]:
    marked, joint = photo.marked, joint_of(photo.marked)
    by = ", ".join(filter(None, [marked.cut and f"cut {marked.cut}", marked.who, marked.when]))
    face = {"name": marked.photo, "by": by, "picture": face_picture(photo), "lines": face_lines(photo)}
    shown = None if joint is None else joint_picture(joint, marked.photo)
    return {**face, "joint": shown, "joint_lines": [] if joint is None else joint_lines(joint)}


def _shown(faces: Sequence[Mapping[str, Any]]) -> list[Picture]:
    return [face[name] for face in faces for name in ("picture", "joint") if face[name]]


def _stories(report: SectionReport) -> list[dict[str, Any]]:
    """Give each zone's story once, whatever the number of methods."""
    zones = dict.fromkeys(one.screened.zone for one in report.compared)
    return [
        {
            "code": zone.code,
            "chapters": story_of(
                [one for one in report.compared if one.screened.zone.code == zone.code], report.findings
            ),
        }
        for zone in zones
    ]


def _section(one: "Compared", picture: Picture, report: SectionReport) -> dict[str, Any]:
    screened = one.screened
    cut = int((one.shown != NOT_CUT).sum())
    return {
        "anchor": f"zone-{screened.zone.code}-{screened.method}",
        "code": screened.zone.code,
        "name": screened.zone.name,
        "method": words.METHOD_NAMES[screened.method],
        "picture": picture,
        "cut": f"{words.count_text(cut, 'point')} of {screened.status.size:,} cut",
        "found": found_text(one),
        "false_calls": false_call_text(one, report.false_call_rate),
        "defects": [_defect_row(defect) for defect in one.defects],
        "indications": [
            {
                "id": judged.id,
                "verdict": _verdict_words(judged.verdict),
                "cut": f"{judged.cut} of {judged.points}",
                "why": judged.reason or ", ".join(judged.defects),
            }
            for judged in one.indications
        ],
        "points": [
            (str(outcome), words.count_text(one.count(outcome), "point"))
            for outcome in outcomes.OUTCOMES
            if one.count(outcome)
        ],
        "called": _false_points(one),
    }


def found_text(one: "Compared") -> str:
    """Say how many defects were found, and what that shows.

    Examples
    --------
    With two of two found: ``2 of 2 delaminations and disbonds were found: at least 22 % of such are, with
    95 % confidence``.
    """
    found = separations_found(one)
    unread = len(one.separations(outcomes.UNREAD_THERE))
    missed = f"; {words.count_text(unread, 'more', 'more')} were where nothing was read" if unread else ""
    if not found.trials:
        return f"No delamination or disbond was cut{missed}: nothing is shown about finding them."
    from tapscan.sectioning.pod.binomial import lower_bound

    least = lower_bound(found.hits, found.trials)
    return (
        f"{found.hits} of {found.trials} delaminations and disbonds that were cut had been found{missed}. "
        f"By itself that shows, with 95 % confidence, that at least {100 * least:.0f} % of such are found."
    )


def share_text(one: Share) -> str:
    """Write a share with its interval, for example ``1 of 29 (3.4 %, between 0.1 and 17.8 %)``."""
    if not one.trials:
        return "none of none"
    return (
        f"{one.hits:,} of {one.trials:,} ({100 * one.value:.1f} %, between {100 * one.low:.1f} and "
        f"{100 * one.high:.1f} %)"
    )


def false_call_text(one: "Compared", rate: float) -> str:
    """Say how many sound points had been called suspect, and which rate was requested."""
    called = false_calls(one)
    if not called.trials:
        return (
            "No sound point was cut: nothing is shown about false calls, nor about what was missed elsewhere."
        )
    text = (
        f"Of the points that were cut and sound, {share_text(called)} had been called suspect; "
        f"{100 * rate:g} % was requested. The interval is exact, at 95 % confidence."
    )
    reasons = one.reason[one.outcome == outcomes.FALSE_CALL].tolist()
    if near := sum(reason.startswith(NEXT_TO_DEFECT) for reason in reasons):
        which = f"{near} of these" if near < called.hits else "All of these"
        text += f" {which} are {NEXT_TO_DEFECT}; the requested rate is for points farther away."
    return text


def _false_points(one: "Compared") -> list[tuple[str, str]]:
    rows = zip(*(axis.tolist() for axis in (one.outcome == outcomes.FALSE_CALL).nonzero()), strict=True)
    code = one.screened.zone.code
    return [(f"{code}-{i + 1:02d}-{p + 1:02d}", str(one.reason[i, p])) for i, p in rows]


def _verdict_words(verdict: str) -> str:
    return {
        "confirmed": "confirmed",
        "false": "false: all of it was cut, and it is sound",
        outcomes.ANOTHER_FLAW: "another flaw is there",
        "open": "open: not all of it was cut, nothing found so far",
    }[verdict]


def _defect_row(defect: "Defect") -> dict[str, str]:
    size = f"{words.mm_text(defect.size_mm)} mm"
    result = ratio = ""
    if defect.reported_area_mm2 is not None and defect.area_ratio is not None:
        result = f"{words.area_text(defect.reported_area_mm2)} mm² reported"
        inside = "within" if defect.is_within_bounds else "outside"
        ratio = f"{defect.area_ratio:.2f} of the true area, which is {inside} the reported bounds"
    depth = "not measured" if defect.depth_mm is None else f"{defect.depth_mm:.2f} mm"
    off = (
        ""
        if defect.depth_error_mm is None
        else f"reported {defect.reported_depth_mm:.2f} mm, {defect.depth_error_mm:+.2f} mm"
    )
    return {
        "id": defect.id,
        "kind": defect.kind,
        "where": f"{defect.points[0]} and {len(defect.points) - 1} more"
        if len(defect.points) > 1
        else defect.points[0],
        "verdict": defect.verdict,
        "by": ", ".join(defect.indications),
        "reason": defect.reason,
        "size": f"{words.area_text(defect.area_mm2)} mm²",
        "disc": f"a disc {size} across, from its {defect.size_from}",
        "reported_size": result,
        "ratio": ratio,
        "depth": depth,
        "off": off.replace("-", "−"),
    }


def _finding_row(finding: "Finding") -> dict[str, str]:
    sizes = (
        ("deep", finding.depth_mm),
        ("long", finding.length_mm),
        ("wide", finding.width_mm),
        ("thick", finding.thickness_mm),
    )
    result = [f"{value:g} mm {name}" for name, value in sizes if value is not None]
    result += [f"{finding.area_mm2:g} mm²"] if finding.area_mm2 is not None else []
    return {
        "kind": "nothing found" if finding.kind == "none" else finding.kind,
        "where": finding.where,
        "defect": finding.defect,
        "size": ", ".join(result),
        "seen_by": finding.seen_by,
        "note": finding.note,
        "origin": _origin(finding),
        "photo": finding.photo,
    }


def _origin(finding: "Finding") -> str:
    cause = f"cause: {finding.cause}" if finding.kind != "none" else ""
    return ", ".join(filter(None, [cause, f"runs from {finding.starts_at}" if finding.starts_at else ""]))


def _alt(one: "Compared") -> str:
    zone = one.screened.zone
    defects = [f"{defect.id}, a {defect.kind}, {defect.verdict}" for defect in one.defects]
    result = f"Defects: {words.joined(defects)}." if defects else "No defect was found on a cut."
    return (
        f"Section drawing of zone {zone.code}: cuts as white windows on the grey of what was not cut, "
        f"findings, and the outlines of {words.count_text(len(one.indications), 'indication')}. {result}"
    )


def _caption(one: "Compared") -> str:
    zone = one.screened.zone
    laid = "cut open half a step before the datum line and laid flat" if zone.is_tube else "seen from outside"
    return (
        f"Zone {zone.code}, {laid}. Grey was not cut, and is not known. Crayon lines are the indications; "
        "dashed lines are defects as large as they were measured."
    )
