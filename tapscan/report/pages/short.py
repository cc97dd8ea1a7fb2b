"""The short report: one page with verdict box, map, table and limits, to be read and signed first."""

from typing import TYPE_CHECKING

from tapscan.report import words
from tapscan.report.filling import filled
from tapscan.report.maps.doubts import doubt_sentences
from tapscan.report.maps.figures import png_bytes
from tapscan.report.maps.layers import score_layer
from tapscan.report.maps.photo_maps import zone_map
from tapscan.report.pages import sentences
from tapscan.report.pictures import Picture

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tapscan.analysis import Results
    from tapscan.plan.zones import Zone
    from tapscan.screening.results import Indication, Screened

__all__ = ["SHORT_NAME", "short_text"]

SHORT_NAME = "report_short.html"
# What one printed page holds.
_MOST_MAPS, _MOST_ROWS, _MOST_COUNTS = 2, 6, 6


def short_text(results: "Results") -> str:
    """Fill the one page: all counts, the largest indications, maps of the zones that they are in."""
    screened = results.screened
    mapped = _mapped(screened)
    found = [(one, part.zone) for part in screened for one in part.indications]
    largest = sorted(found, key=lambda pair: (-pair[0].area_mm2, pair[0].id))[:_MOST_ROWS]
    counts = [sentences.counts(part) for part in screened]
    doubts = doubt_sentences(results.summary)
    if len(counts) > _MOST_COUNTS:
        counts = [*counts[:_MOST_COUNTS], f"{len(counts) - _MOST_COUNTS} more in report.html."]
    others = [part for part in screened if part not in mapped]
    names = [f"{part.zone.code} ({words.METHOD_NAMES[part.method]})" for part in others]
    warnings = len(results.summary.get("warnings", []))
    return filled(
        "short.html.jinja",
        part=results.inspection.plan.part,
        headline=sentences.summary(screened)[0],
        counts=[*doubts, *counts],
        maps=[_map(part, 7.2 / len(mapped), results.inspection.folder) for part in mapped],
        more_maps=words.joined(names) if len(names) <= _MOST_COUNTS else f"{len(names)} more zones",
        rows=[_row(one, zone) for one, zone in largest],
        more_rows=len(found) - len(largest),
        chance=sentences.chance(results.inspection.plan.false_call_rate, screened),
        warnings=f"Report.html lists {words.count_text(warnings, 'warning')}." if warnings else "",
        version=results.summary.get("version", ""),
        run=str(results.summary.get("run", ""))[:12],
    )


def _mapped(screened: "Sequence[Screened]") -> "list[Screened]":
    """Choose what is drawn: the zones with the largest indications, in plan order."""
    size = {id(part): max((one.area_mm2 for one in part.indications), default=0.0) for part in screened}
    chosen = sorted(screened, key=lambda part: -size[id(part)])[:_MOST_MAPS]
    return [part for part in screened if part in chosen]


def _map(screened: "Screened", width_in: float, home: "Path") -> Picture:
    layer = score_layer(screened)
    png = png_bytes(zone_map(screened, layer, home, width_in, with_key=False))
    return Picture(f"small_{screened.zone.code}.png", png, sentences.map_alt(screened, layer.title), "")


def _row(indication: "Indication", zone: "Zone") -> dict[str, str]:
    return {
        "id": indication.id,
        "place": words.place_in_words(indication, zone),
        "range": words.range_in_mm(indication, zone),
        "area": words.area_text(indication.area_mm2),
        "bounds": words.bounds_text(indication),
        "disc": words.disc_text(indication.area_mm2, zone),
        "depth": words.depth_text(indication, zone),
        "kind": words.kind_text(indication),
    }
