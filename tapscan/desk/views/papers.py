"""Report, wraps and outlines: what can be printed or handed on, named for people, written when asked for."""

from typing import TYPE_CHECKING, Any

from tapscan.desk.cutting import write_section
from tapscan.records.runs import RESULTS
from tapscan.report.marking.files import marked_names
from tapscan.report.marking.squares import squares_names
from tapscan.report.marking.tiling import PAPERS
from tapscan.report.pages.html import REPORT_NAME
from tapscan.report.pages.section_page import PAGE_NAME as SECTION_NAME
from tapscan.report.pages.short import SHORT_NAME
from tapscan.report.words import zone_name

if TYPE_CHECKING:
    from pathlib import Path

    from tapscan.desk.bench import Bench
    from tapscan.plan import Plan, Zone

__all__ = ["MEDIA_TYPES", "paper_path", "papers_document"]

MEDIA_TYPES = {
    ".html": "text/html",
    ".pdf": "application/pdf",
    ".svg": "image/svg+xml",
    ".dxf": "image/vnd.dxf",
    ".csv": "text/csv",
    ".json": "application/json",
    ".npz": "application/octet-stream",
}
_TABLES = {
    "points.csv": "Every point's numbers, as a table",
    "points.npz": "The same, compact, as arrays for programs",
    "indications.json": "The indications, for programs",
    "summary.json": "Settings, counts, warnings and digests, for programs",
}


def papers_document(plan: "Plan", *, is_analysed: bool) -> list[dict[str, Any]]:
    """List what there is to print or hand on, in groups; one that belongs to a zone names it."""
    groups = []
    if is_analysed:
        reports = [_paper(SHORT_NAME, "Short report"), _paper(REPORT_NAME, "Full report")]
        groups.append(_group("Report", reports))
    for zone in plan.zones:
        papers = [_paper(name, f"Grid to mark the part, {size}") for name, size in _grids(zone)]
        if is_analysed:
            papers += [_paper(name, _marked_title(name)) for name in marked_names(zone)]
        groups.append(_group(f"Prints at 1:1: {zone_name(zone)}", papers, zone.code))
    squares = [_paper(name, f"Squares to cut out, {_size(name)}") for name in squares_names()]
    groups.append(_group("Prints at 1:1: scale for photos", squares, ""))
    if is_analysed:
        groups.append(_group("Numbers", [_paper(name, text) for name, text in _TABLES.items()], ""))
    return groups


def _group(title: str, papers: list[dict[str, str]], zone: str | None = None) -> dict[str, Any]:
    """Put papers together that belong to the whole part (None), to a zone, or to neither ('')."""
    return {"title": title, "papers": papers, "zone": zone}


def _grids(zone: "Zone") -> list[tuple[str, str]]:
    """Name the grids of a zone and their paper; one that nobody would join from so many sheets has none."""
    marked = marked_names(zone)
    kind = "wrap" if zone.layout is None else "photo"
    sizes = [paper.name for paper in PAPERS if f"{kind}_{zone.code}_marked_{paper.name}.pdf" in marked]
    return [(f"{kind}_{zone.code}_{size}.pdf", size) for size in sizes]


def _paper(name: str, title: str) -> dict[str, str]:
    return {"name": name, "title": title}


def _size(name: str) -> str:
    return name.removesuffix(".pdf").rpartition("_")[2]


def _marked_title(name: str) -> str:
    if name.endswith(".pdf"):
        return f"Grid with indications, {_size(name)}"
    if name.endswith(".csv"):
        return "Outlines as a list, with distances from two points"
    return f"Outlines for a cutter, {name.rpartition('.')[2].upper()}"


def paper_path(bench: "Bench", name: str) -> "Path | None":
    """Write what is asked for unless it is there, and return its path; None when no paper has this name.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    plan = bench.inspection().plan
    grids = {name for zone in plan.zones for name, _ in _grids(zone)}
    marked = {name for zone in plan.zones for name in marked_names(zone)}
    if name in grids or name in squares_names():
        bench.write_grids(name)
    elif name in marked | {REPORT_NAME, SHORT_NAME, *_TABLES}:
        bench.save(name)
    elif name != SECTION_NAME or not write_section(bench):
        return None  # a page about sections of long ago is none of this analysis
    path = bench.folder / RESULTS / name
    is_inside = path.resolve().is_relative_to(bench.folder.resolve())
    return path if path.is_file() and is_inside else None
