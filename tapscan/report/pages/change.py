"""``results/change/``: what changed since an earlier inspection, as a page, a table, and maps.

A comparison goes in, bytes come out. The same comparison gives the same bytes.
"""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.plan import Zone, point_name, s_mm, x_mm
from tapscan.records.runs import RESULTS, fingerprint
from tapscan.records.tables import csv_text, json_text
from tapscan.records.writing import write_bytes, write_text
from tapscan.report import words
from tapscan.report.filling import filled
from tapscan.report.maps.figures import drawing, png_bytes
from tapscan.report.maps.layers import Layer
from tapscan.report.maps.palette import SIGNS
from tapscan.report.maps.photo_maps import zone_map
from tapscan.report.pages import change_words
from tapscan.report.pictures import Picture
from tapscan.report.results_folder import results_folder
from tapscan.screening.change.changes import CHANGED, UNCHANGED
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from tapscan.screening.change.changes import ZoneChange
    from tapscan.screening.change.comparison import Comparison
    from tapscan.screening.results import Indication, Screened

__all__ = ["FOLDER", "change_columns", "change_document", "draw_change", "page_text", "write_change"]

FOLDER = "change"
# Columns of the table, beside those that every point has, as they were and as they are.
COMPARED = ("centroid_hz", "peak_hz", "decay_time_s", "backwall_db", "depth_mm", "thickness_mm")


def write_change(comparison: "Comparison") -> "Path":
    """Write table, document, maps and page into the later inspection's folder; return the page's path.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    pictures = [_picture(zone, comparison.after.folder) for zone in comparison.zones]
    home, inputs = comparison.after.folder, fingerprint(comparison.summary["after"]["inputs"])
    with results_folder(home, "compare", {"inputs": inputs}) as results:
        folder = results / FOLDER
        write_text(folder / "change.csv", csv_text(change_columns(comparison.zones)))
        write_text(folder / "change.json", json_text(change_document(comparison)))
        for picture in pictures:
            write_bytes(folder / picture.name, picture.png)
        page = page_text(comparison, pictures).encode("utf-8", "replace")
        write_bytes(folder / "change.html", page)
    return home / RESULTS / FOLDER / "change.html"


def change_columns(zones: "tuple[ZoneChange, ...]") -> "dict[str, NDArray[Any]]":
    """Lay all planned points out as the columns of ``change.csv``: one row per point and method."""
    columns = [name for name in COMPARED if any(name in zone.before for zone in zones)]
    rows = [_rows(zone, columns) for zone in zones]
    return {name: np.concatenate([row[name] for row in rows]) for name in rows[0]} if rows else {}


def _rows(change: "ZoneChange", columns: list[str]) -> "dict[str, NDArray[Any]]":
    zone, planned = change.zone, change.status != SKIPPED
    station, position = (axis[planned] + 1 for axis in np.indices(zone.grid_shape))
    names = [point_name(zone.code, i, p) for i, p in zip(station, position, strict=True)]
    unknown = np.full(zone.grid_shape, np.nan)
    rows: dict[str, NDArray[Any]] = {
        "point": np.array(names, dtype=object),
        "zone": np.full(station.size, zone.code, dtype=object),
        "station": station,
        "position": position,
        "x_mm": x_mm(zone)[planned],
        "s_mm": s_mm(zone)[planned],
        "method": np.full(station.size, change.method, dtype=object),
        "status": change.status[planned].astype(object),
        "reason": change.reason[planned].astype(object),
        "score": change.score[planned],
        "p_value": change.p_value[planned],
        "status_before": change.before_status[planned].astype(object),
        "status_after": change.after.status[planned].astype(object),
        "score_before": change.before["score"][planned],
        "score_after": change.after.score[planned],
    }
    for name in columns:
        rows[f"before_{name}"] = change.before.get(name, unknown)[planned]
        rows[f"after_{name}"] = change.after.features.get(name, unknown)[planned]
    return rows


def change_document(comparison: "Comparison") -> dict[str, Any]:
    """Lay out ``change.json``: the summary, and every change with the areas that it is about."""
    listed = [
        {
            "id": one.id,
            "kind": one.kind,
            "zone": one.zone,
            "method": one.method,
            "before": [_indication(each) for each in one.before],
            "after": [_indication(each) for each in one.after],
            "area_before_mm2": one.area_before_mm2,
            "area_after_mm2": one.area_after_mm2,
            "changed_points": one.changed,
            "peak_point": one.shown[0].peak_point,
        }
        for zone in comparison.zones
        for one in zone.changes
    ]
    return {**comparison.summary, "changes": listed}


def _indication(one: "Indication") -> dict[str, Any]:
    keys = ("id", "points", "area_mm2", "area_low_mm2", "area_high_mm2", "x_mm", "s_mm", "depth_mm")
    return {key: getattr(one, key) for key in keys}


def _picture(change: "ZoneChange", home: "Path") -> Picture:
    with drawing():
        png = png_bytes(draw_change(change, home))
    name = f"change_{change.zone.code}_{change.method}.png"
    return Picture(name, png, change_words.map_alt(change), change_words.map_caption(change))


def draw_change(change: "ZoneChange", home: "Path") -> Any:
    """Draw the map of one zone: how far readings changed, what is outlined now, and faintly what was."""
    return zone_map(as_screened(change), change_layer(change), home)


def as_screened(change: "ZoneChange") -> "Screened":
    """Put a change into the shape that maps draw: changed points marked, areas named by their fate."""
    renamed = {CHANGED: SUSPECT, UNCHANGED: CLEAR, UNREAD: UNREAD, SKIPPED: SKIPPED}
    status = np.array([renamed[word] for word in change.status.ravel()]).reshape(change.status.shape)
    outlined = tuple(
        replace(area, id=change_words.label(one, area))
        for one in change.changes
        if one.after or one.kind == "elsewhere"
        for area in one.shown
    )
    nothing = np.zeros(status.shape, dtype=bool)
    return replace(
        change.after, status=status, score=change.score, indications=outlined, is_reference=nothing
    )


def change_layer(change: "ZoneChange") -> Layer:
    """Colour by how far readings changed; 1 is where a change counts."""
    fate = {each.id: one.kind for one in change.changes if not one.after for each in one.before}
    faint = tuple(
        (f"{words.short_id(one)} {fate[one.id]}" if one.id in fate and not number else "", ring)
        for one in change.earlier.indications
        for number, ring in enumerate(one.outline)
    )
    return Layer(
        f"change, {words.METHOD_NAMES[change.method]}",
        "change: 1 is where it counts",
        np.where(np.isin(change.status, (CHANGED, UNCHANGED)), change.score, np.nan),
        0.5,
        2.0,
        "score",
        outline_words="indication now",
        suspect_words="changed point",
        faint_words="indication before" if faint else "",
        faint_outlines=faint,
    )


def page_text(comparison: "Comparison", pictures: list[Picture]) -> str:
    """Fill the page."""
    summary = comparison.summary
    sections = [_section(zone, picture) for zone, picture in zip(comparison.zones, pictures, strict=True)]
    inputs = {f"{summary['before']['folder']}: {k}": v for k, v in summary["before"]["inputs"].items()}
    return filled(
        "change.html.jinja",
        part=comparison.after.plan.part,
        before=comparison.before.plan.part,
        before_folder=summary["before"]["folder"],
        lead=change_words.lead(comparison.zones),
        tally=change_words.tally(comparison.zones),
        totals={word: sum(zone.count(word) for zone in comparison.zones) for word in (CHANGED, UNREAD)},
        signs=SIGNS,
        chance=change_words.chance(summary["false_call_rate"]),
        sections=sections,
        warnings=summary["warnings"],
        inputs=inputs | summary["after"]["inputs"],
        version=summary["version"],
    )


def _section(change: "ZoneChange", picture: Picture) -> dict[str, Any]:
    zone: Zone = change.zone
    return {
        "anchor": f"zone-{zone.code}-{change.method}",
        "title": " · ".join(filter(None, [zone.code, zone.name, words.METHOD_NAMES[change.method]])),
        "sentence": change_words.counts(change),
        "basis": change.words,
        "rows": [change_words.row(one, zone) for one in change.changes],
        "picture": picture,
    }
