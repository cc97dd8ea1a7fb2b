"""The demo's cut: its rendered photo, what was measured on it, and the findings that follow."""

import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from tapscan.plan.text.reading import parse_plan
from tapscan.sectioning.cut_photos import findings_of, marks_name, proposed, write_marks
from tapscan.sectioning.findings.csv_text import findings_text, parse_findings
from tapscan.sectioning.findings.recorded import FINDINGS_NAME, Finding
from tapscan.sectioning.measured import Mark, Marked, ScaleMark
from tapscan.synth.demo import DEMO_SEED
from tapscan.synth.folder import PLAN_FILE, write_inspection
from tapscan.synth.rendered import cut_photo

__all__ = ["cut_files"]

_NOTE = "synthetic: no part was cut"
_START = "SP-V1"  # the flaw that the delamination runs from


def cut_files(part: Mapping[str, bytes]) -> dict[str, bytes]:
    """Compute the demo's cut photo, its marks and its findings, by name; the same bytes every time.

    `part` are the demo's own files, whose findings are kept: those of the seat pan's larger delamination gain
    what the photo shows, the flaw that it runs from.
    """
    plan = parse_plan(part[PLAN_FILE].decode())
    name = cut_photo.PHOTO_NAME
    files = {name: cut_photo.cut_photo(DEMO_SEED)}
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        write_inspection(folder, {PLAN_FILE: part[PLAN_FILE], **files})
        marked = _marked(name)
        voids = proposed(folder, marked, "voids")[-2:]
        accepted = [
            one.model_copy(update={"state": "accepted", "note": _NOTE, "where": where, "cause": cause})
            for one, where, cause in zip(voids, ("SP-10-09", ""), ("manufacture", "unknown"), strict=True)
        ]
        written = write_marks(folder, marked.model_copy(update={"marks": (*marked.marks, *accepted)}))
        files[marks_name(name)] = (folder / marks_name(name)).read_bytes()
        found, _ = findings_of(folder, plan, written)
    old = parse_findings(part[FINDINGS_NAME].decode(), plan, FINDINGS_NAME)
    rows = [*map(_explained, old), *(_named(one) for one in found if one.kind != "delamination")]
    return {**files, FINDINGS_NAME: findings_text(rows).encode()}


def _explained(finding: Finding) -> Finding:
    if finding.defect != "SP-D1":
        return finding
    return replace(finding, cause="impact", starts_at=_START, line=0)


def _named(finding: Finding) -> Finding:
    return replace(finding, defect=_START if finding.kind == "planar void" else "SP-V2")


def _marked(name: str) -> Marked:
    """Mark what a person would: square, surface, walls, the delamination and the planar void it runs from."""

    def px(*places: tuple[float, float]) -> tuple[tuple[float, float], ...]:
        spots = cut_photo.to_px(np.array(places)).round(1)
        return tuple((float(x), float(y)) for x, y in spots)

    first, last = cut_photo.SEPARATION_MM
    wall = cut_photo.WALL_MM
    along = [(float(x), 1.0) for x in np.linspace(first, last, 9)]
    return Marked(
        photo=name,
        cut="SP-10",
        who="the simulator",
        when="2026-02-09",
        scale=ScaleMark(points_px=px(*cut_photo.SQUARE_MM), length_mm=20.0),
        surface_px=px((-28.0, 0.0), (0.0, 0.0), (28.0, 0.0)),
        region_px=px((-24.0, 1.3), (26.0, 1.3), (26.0, 2.2), (-24.0, 2.2)),
        marks=(
            Mark(kind="wall thickness", px=tuple(px((x, 0.0), (x, wall)) for x in (21.0, 24.0, 27.0))),
            Mark(kind="delamination", where="SP-10-05:10-11", px=(px(*along),), note=_NOTE, cause="impact"),
            Mark(
                kind="planar void",
                where="SP-10-05",
                px=(px(*map(tuple, cut_photo.planar_void_mm())),),
                note=_NOTE,
                cause="manufacture",
            ),
        ),
    )
