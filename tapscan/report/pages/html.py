"""The report: one self-contained page for the customer, and its pictures beside it as files.

Results go in, bytes come out; nothing about the part is computed here. The same results give the same bytes.
"""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapscan.plan.surfaces import placed
from tapscan.records.writing import write_bytes
from tapscan.report import words
from tapscan.report.filling import filled
from tapscan.report.maps.detectable import TAP_HEADS, ascan_sentence, detectable_picture, tap_rows
from tapscan.report.maps.doubts import doubt_sentences
from tapscan.report.maps.figures import drawing, png_bytes
from tapscan.report.maps.layers import backwall_layer, depth_layer, score_layer, thickness_layer
from tapscan.report.maps.palette import SIGNS
from tapscan.report.maps.photo_maps import zone_map
from tapscan.report.maps.rounds import draw_round
from tapscan.report.marking.files import marked_names
from tapscan.report.pages import sentences
from tapscan.report.pages.both import both_picture, indication_rows, point_rows
from tapscan.report.pages.evidence import draw_evidence
from tapscan.report.pages.short import SHORT_NAME, short_text
from tapscan.report.pictures import Picture
from tapscan.screening.reach import outlook_of
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from tapscan.analysis import Results
    from tapscan.plan.zones import Zone
    from tapscan.report.maps.layers import Layer
    from tapscan.screening.results import Indication, Screened

__all__ = [
    "MOST_EVIDENCE",
    "MOST_RANGES",
    "REPORT_NAME",
    "page_text",
    "pictures_of",
    "write_report",
]

REPORT_NAME = "report.html"
MOST_EVIDENCE = 12  # pictures of evidence per zone and method: the strongest indications
MOST_RANGES = 2000  # unread ranges written out for one reason; beyond, points.csv lists them


def write_report(results: "Results", folder: Path) -> Path:
    """Write ``report.html``, its pictures and ``report_short.html`` into `folder`; return the page's path.

    Raises
    ------
    OSError
        When the folder cannot be written or the disk is full.
    """
    pictures = pictures_of(results)
    outlooks, twice = _outlooks(results), _twice(results)
    page = page_text(results, pictures, outlooks, twice)
    named = [picture for group in pictures for picture in group]
    named += [one["picture"] for one in (*outlooks, *twice) if one["picture"] is not None]
    for picture in named:
        write_bytes(folder / picture.name, picture.png)
    # A file's name may hold bytes that are no text; they must not stop the report.
    write_bytes(folder / REPORT_NAME, page.encode("utf-8", "replace"))
    with drawing():
        write_bytes(folder / SHORT_NAME, short_text(results).encode("utf-8", "replace"))
    return folder / REPORT_NAME


def pictures_of(results: "Results") -> list[list[Picture]]:
    """Draw all pictures: one list per zone and method, maps (flat, then round) before evidence."""
    seen: set[str] = set()
    groups = []
    with drawing():
        for screened in results.screened:
            code = screened.zone.code
            first = f"map_{code}.png" if code not in seen else f"map_{code}_{screened.method}.png"
            seen.add(code)
            groups.append([*_maps(screened, first, results.inspection.folder), *_evidence(screened)])
    return groups


def _maps(screened: "Screened", first_name: str, home: Path) -> "Iterator[Picture]":
    code = screened.zone.code
    layers: list[tuple[str, Layer | None]] = [(first_name, score_layer(screened))]
    if screened.method == "ascan":
        layers.append((f"map_{code}_depth.png", depth_layer(screened)))
        layers.append((f"map_{code}_thickness.png", thickness_layer(screened)))
        layers.append((f"map_{code}_backwall.png", backwall_layer(screened)))
    for name, layer in layers:
        if layer is not None:
            png = png_bytes(zone_map(screened, layer, home))
            yield Picture(
                name,
                png,
                sentences.map_alt(screened, layer.title),
                sentences.map_caption(screened, layer.title),
            )
        if name == first_name and layer is not None and screened.zone.is_tube:
            yield Picture(
                name.replace("map_", "round_", 1),
                png_bytes(draw_round(screened, layer)),
                sentences.round_alt(screened, layer.title),
                sentences.round_caption(screened, layer.title),
            )


def _evidence(screened: "Screened") -> "Iterator[Picture]":
    for indication in strongest(screened):
        figure = draw_evidence(screened, indication)
        if figure is not None:
            name = re.sub(r"[^A-Za-z0-9-]", "-", indication.id)
            yield Picture(
                f"evidence_{name}.png",
                png_bytes(figure),
                sentences.evidence_alt(screened, indication),
                sentences.evidence_caption(screened, indication),
                anchor=f"evidence-{name}",
            )


def strongest(screened: "Screened") -> "list[Indication]":
    """Pick the indications whose evidence is drawn, in the order of their numbers."""
    ranked = sorted(screened.indications, key=lambda one: (-one.score, one.id))[:MOST_EVIDENCE]
    return [one for one in screened.indications if one in ranked]


def page_text(
    results: "Results",
    pictures: list[list[Picture]],
    outlooks: list[dict[str, Any]],
    twice: list[dict[str, Any]],
) -> str:
    """Fill the page with results and pictures."""
    plan = results.inspection.plan
    sections = [_section(screened, group) for screened, group in zip(results.screened, pictures, strict=True)]
    # Both methods of a zone are marked out together, so its files are named once.
    for zone, section in {
        one.zone.code: (one.zone, section)
        for one, section in reversed(list(zip(results.screened, sections, strict=True)))
    }.values():
        section["marking"] = marked_names(zone)
    return filled(
        "report.html.jinja",
        signs=SIGNS,
        part=plan.part,
        totals={word: sum(screened.count(word) for screened in results.screened) for word in SIGNS},
        summary=sentences.summary(results.screened),
        proofs=_proofs(results.summary),
        chance=sentences.chance(plan.false_call_rate, results.screened),
        sections=sections,
        outlooks=outlooks,
        twice=twice,
        tap_heads=TAP_HEADS,
        notes=_notes(results),
        methods={screened.method for screened in results.screened},
        zones=[_zone_row(zone) for zone in plan.zones],
        settings=words.setting_rows(results.summary.get("settings", {})),
        warnings=results.summary.get("warnings", []),
        inputs=_inputs(results.summary),
        version=results.summary.get("version", ""),
        run=str(results.summary.get("run", ""))[:12],
    )


def _proofs(summary: "Mapping[str, Any]") -> "list[str]":
    """Say what was proved of the setup, and where the velocity comes from when it was measured."""
    setup = summary.get("setup", {"proofs": [], "velocity": None})
    lines = [sentence for one in setup["proofs"] for sentence in one["sentences"]]
    lines += doubt_sentences(summary)
    if setup["velocity"] is not None:
        lines.append(words.velocity_text(setup["velocity"]))
    return lines


def _inputs(summary: "Mapping[str, Any]") -> dict[str, str]:
    """List the files that the report rests on: its own, then those of what it was compared with."""
    own = dict(summary.get("inputs", {}))
    for other in summary.get("against", []):
        own |= {f"{other['folder']}: {name}": digest for name, digest in other["inputs"].items()}
    return own


def _section(screened: "Screened", pictures: list[Picture]) -> dict[str, Any]:
    """Gather what the page shows of one zone by one method."""
    anchors = {picture.anchor for picture in pictures}
    rows = [_indication_row(one, screened.zone, anchors) for one in screened.indications]
    evidence = [picture for picture in pictures if picture.anchor]
    return {
        "anchor": f"zone-{screened.zone.code}-{screened.method}",
        "code": screened.zone.code,
        "name": screened.zone.name,
        "method": words.METHOD_NAMES[screened.method],
        "counts": {word: screened.count(word) for word in (CLEAR, SUSPECT, UNREAD, SKIPPED)},
        "sentence": sentences.counts(screened),
        "apart": sentences.remarks(screened),
        "baseline": screened.baseline,
        "look_for": sentences.evidence_intro(screened.method),
        "references": words.count_text(int(screened.is_reference.sum()), "point"),
        "indications": rows,
        "marking": [],
        "maps": [picture for picture in pictures if not picture.anchor],
        "evidence": evidence,
        "without_evidence": len(rows) - len(evidence),
        "unread": [_unread_row(*group) for group in words.unread_by_reason(screened)],
        "skipped": [
            str(block) for block in words.blocks_of((screened.status == SKIPPED) & placed(screened.zone))
        ],
    }


def _twice(results: "Results") -> list[dict[str, Any]]:
    """Gather what the two methods say of the zones that were inspected by both."""
    found = []
    for entry in results.summary.get("agreement", []):
        parts = tuple(one for one in results.screened if one.zone.code == entry["zone"])
        tap, scan = (next(one for one in parts if one.method == method) for method in ("tap", "ascan"))
        found.append(
            {
                "title": f"{tap.zone.code} · {tap.zone.name}" if tap.zone.name else tap.zone.code,
                "points": point_rows(entry),
                "indications": indication_rows(entry, parts),
                "picture": both_picture(tap, scan) if tap.zone.layout is None else None,
            }
        )
    return found


def _notes(results: "Results") -> list[tuple[str, str, str]]:
    """Gather what was noticed at points: the point, what each method says of it, and the note."""
    found = []
    for zone in results.inspection.plan.zones:
        seen = [screened for screened in results.screened if screened.zone.code == zone.code]
        for note in zone.notes:
            at = (note.point.station - 1, note.point.position - 1)
            status = [f"{one.status[at]} ({words.METHOD_NAMES[one.method]})" for one in seen]
            found.append((str(note.point), "; ".join(status), note.text))
    return found


def _outlooks(results: "Results") -> list[dict[str, Any]]:
    """Gather what could have been found in each zone, by the methods that were used there."""
    found = []
    for zone in {one.zone.code: one.zone for one in results.screened}.values():
        used = [one.method for one in results.screened if one.zone.code == zone.code]
        outlook = outlook_of(results.inspection.plan, zone, used)
        parts = [part for part in (outlook.taps, outlook.ascans) if part is not None]
        found.append(
            {
                "title": f"{zone.code} · {zone.name}" if zone.name else zone.code,
                "rows": tap_rows(outlook.taps.detectable) if outlook.taps else [],
                "ascans": ascan_sentence(outlook.ascans) if outlook.ascans else "",
                "picture": detectable_picture(outlook),
                "assumptions": [line for part in parts for line in part.assumptions],
                "warnings": outlook.warnings,
            }
        )
    return found


def _indication_row(indication: "Indication", zone: "Zone", anchors: set[str]) -> dict[str, str]:
    anchor = f"evidence-{re.sub(r'[^A-Za-z0-9-]', '-', indication.id)}"
    return {
        "id": indication.id,
        "anchor": anchor if anchor in anchors else "",
        "place": words.place_in_words(indication, zone),
        "kind": words.kind_text(indication),
        "range": words.range_in_mm(indication, zone),
        "area": words.area_text(indication.area_mm2),
        "bounds": words.bounds_text(indication),
        "disc": words.disc_text(indication.area_mm2, zone),
        "depth": words.depth_text(indication, zone),
        "peak": indication.peak_point,
        "points": str(len(indication.points)),
        "score": f"{indication.score:.1f}",
    }


def _unread_row(reason: str, count: int, blocks: list[Any]) -> dict[str, Any]:
    return {
        "reason": reason,
        "count": count,
        "ranges": [str(block) for block in blocks[:MOST_RANGES]],
        "more": max(0, len(blocks) - MOST_RANGES),
    }


def _zone_row(zone: "Zone") -> dict[str, str]:
    """One zone's grid and laminate, in words; what the plan does not say is not filled in."""
    laminate = zone.laminate
    if zone.is_tube:
        start, end = zone.girth_start_mm or 0.0, zone.girth_end_mm or 0.0
        ends = dict.fromkeys(words.length_text(length, zone) for length in (start, end))
        across = f"girth {' to '.join(ends)}"
    else:
        across = f"position pitch {words.length_text(zone.position_pitch_mm or 0.0, zone)}"
    values = (
        ("thickness", laminate.thickness_mm, "mm"),
        ("bending modulus", laminate.modulus_gpa, "GPa"),
        ("Poisson's ratio", laminate.poisson, ""),
        ("density", laminate.density_kg_m3, "kg/m³"),
        ("velocity through the wall", laminate.velocity_m_s, "m/s"),
    )
    return {
        "code": zone.code,
        "name": zone.name,
        "grid": f"{zone.shape}, {zone.stations} stations × {zone.positions} positions",
        "pitch": f"station pitch {words.length_text(zone.station_pitch_mm, zone)}, {across}",
        "laminate": "; ".join(
            f"{name} {value:g} {unit}".rstrip() for name, value, unit in values if value is not None
        ),
        "reference": ", ".join(str(block) for block in zone.reference),
        "skip": ", ".join(str(block) for block in zone.skip),
    }
