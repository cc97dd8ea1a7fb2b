"""Marking out: which files put the grid, and later the outlines, back on the part.

Before the inspection ``wrap_BM_A4.pdf`` and its twin on Letter, with ``scale_squares_A4.pdf`` for photos;
after it ``wrap_BM_marked_A4.pdf`` and its twin, and ``outline_BM.svg`` and ``outline_BM.dxf`` for a cutter.
"""

from typing import TYPE_CHECKING

from tapscan.errors import sentence
from tapscan.plan.text.reading import PLAN_NAME
from tapscan.records.runs import RESULTS
from tapscan.records.writing import write_bytes, write_text
from tapscan.report.marking.cutting import dxf_text, layers_of, svg_text
from tapscan.report.marking.photo_sheets import outline_table, photo_pdfs
from tapscan.report.marking.squares import squares_name, squares_pdf
from tapscan.report.marking.tiling import PAPERS
from tapscan.report.marking.wraps import MOST_SHEETS, sheets_needed, wrap_pdfs
from tapscan.report.results_folder import results_folder

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tapscan.plan.zones import Plan, Zone
    from tapscan.screening.results import Screened

__all__ = ["marked_names", "write_marked", "write_templates"]


def write_templates(plan: "Plan", folder: "Path") -> "tuple[list[Path], list[str]]":
    """Write every zone's grid at true size into ``results/`` of the inspection folder.

    Templates of zones that the plan no longer has are taken away. A sheet of squares for the scale of photos
    is written beside them.

    Returns
    -------
    paths, warnings
        The grids that were written, and a sentence for each wrap that nobody would join.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    written, warnings = [], []
    with results_folder(folder, "grid") as results:
        for paper in PAPERS:
            write_bytes(results / squares_name(paper), squares_pdf(paper))
        for zone in plan.zones:
            if zone.layout is None and _is_too_large(zone):
                warnings.append(_too_large(zone))
                continue
            files = wrap_pdfs(zone) if zone.layout is None else photo_pdfs(zone, folder)
            kind = "wrap" if zone.layout is None else "photo"
            for paper_name, pdf in files.items():
                name = f"{kind}_{zone.code}_{paper_name}.pdf"
                write_bytes(results / name, pdf)
                written.append(folder / RESULTS / name)
    return written, warnings


def write_marked(screened: "Sequence[Screened]", results: "Path", home: "Path") -> None:
    """Write every inspected zone's outlines at true size into `results`, on paper and for a cutter.

    A zone on a photo in the inspection folder `home` has its photo, and a table of distances.

    Raises
    ------
    OSError
        When the folder cannot be written or the disk is full.
    """
    for zone in {one.zone.code: one.zone for one in screened}.values():
        found = tuple(one for one in screened if one.zone.code == zone.code)
        if zone.layout is not None:
            for paper, pdf in photo_pdfs(zone, home, found).items():
                write_bytes(results / f"photo_{zone.code}_marked_{paper}.pdf", pdf)
            write_text(results / f"outline_{zone.code}.csv", outline_table(zone, found))
            continue
        if not _is_too_large(zone):
            for paper, pdf in wrap_pdfs(zone, found).items():
                write_bytes(results / f"wrap_{zone.code}_marked_{paper}.pdf", pdf)
        layers = layers_of(zone, found)
        write_text(results / f"outline_{zone.code}.svg", svg_text(layers))
        write_text(results / f"outline_{zone.code}.dxf", dxf_text(layers))


def marked_names(zone: "Zone") -> list[str]:
    """Name the files that `write_marked` makes of a zone: those on paper first.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> marked_names(parse_plan(text + 'girth_mm = 80.0}]').zones[0])[1:3]
    ['wrap_BM_marked_Letter.pdf', 'outline_BM.svg']
    """
    if zone.layout is not None:
        photos = [f"photo_{zone.code}_marked_{paper.name}.pdf" for paper in PAPERS]
        return [*photos, f"outline_{zone.code}.csv"]
    papers = () if _is_too_large(zone) else PAPERS
    wraps = [f"wrap_{zone.code}_marked_{paper.name}.pdf" for paper in papers]
    return [*wraps, f"outline_{zone.code}.svg", f"outline_{zone.code}.dxf"]


def _is_too_large(zone: "Zone") -> bool:
    return sheets_needed(zone) > MOST_SHEETS


def _too_large(zone: "Zone") -> str:
    what = f"its wrap would take {sheets_needed(zone):,} sheets and was not written"
    return sentence(f'{PLAN_NAME}: zone "{zone.code}"', what, "split the zone, if it is to be wrapped")
