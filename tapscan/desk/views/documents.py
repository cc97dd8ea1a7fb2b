"""The plan and every zone for the page, as plain data; nothing is computed here."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.desk.plan.blocks import neat_blocks
from tapscan.desk.plan.notes import left_notes
from tapscan.desk.views.photo_zones import photo_document
from tapscan.errors import TapscanError
from tapscan.plan import block_mask, parse_point
from tapscan.records.coverage import cover
from tapscan.report import words
from tapscan.report.maps.doubts import doubt_sentences
from tapscan.report.maps.layers import backwall_layer, depth_layer, score_layer
from tapscan.report.maps.palette import SIGNS, css_variables, hex_text, ramp_rgb
from tapscan.report.pages import sentences
from tapscan.report.point_arrays import STATUSES
from tapscan.screening.scans import methods

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from numpy.typing import NDArray

    from tapscan.analysis import Results
    from tapscan.plan import Zone
    from tapscan.records.coverage import ZoneCoverage
    from tapscan.records.inspection import Inspection
    from tapscan.report.maps.layers import Layer
    from tapscan.screening.results import Indication, Screened

__all__ = [
    "MOST_CELLS_DRAWN",
    "MOST_POINTS_DRAWN",
    "STEPS",
    "layer_document",
    "layer_steps",
    "layers_of",
    "palette_css",
    "plan_document",
    "results_document",
    "zone_document",
]

# A ramp on the page has so many colours; the eye hardly resolves more.
STEPS = 24
# Up to here every point is a shape of its own, beyond it a dot of one picture.
MOST_CELLS_DRAWN = 10_000
# What a browser draws without stalling. The report's pictures have no such limit.
MOST_POINTS_DRAWN = 1_000_000


def palette_css() -> str:
    """Write the palette as custom properties, for light and dark, and a class for each colour of a ramp."""
    light, dark = (
        "".join(f"--{name}: {colour}; " for name, colour in _colours(is_dark)) for is_dark in (False, True)
    )
    steps = "\n".join(
        f".{name}-{i} {{ fill: var(--{name}-{i}); }}" for name in ("score", "depth") for i in range(STEPS)
    )
    return (
        f":root {{ color-scheme: light dark; {light}}}\n"
        f"@media (prefers-color-scheme: dark) {{ :root {{ {dark}}} }}\n{steps}\n"
    )


def _colours(is_dark: bool) -> "Iterable[tuple[str, str]]":
    yield from css_variables(dark=is_dark).items()
    for name in ("score", "depth"):
        for i, colour in enumerate(ramp_rgb(name, STEPS, dark=is_dark)):
            yield f"{name}-{i}", hex_text(colour)


def plan_document(inspection: "Inspection") -> dict[str, Any]:
    """Give the part, its zones, and which points have readings."""
    covered, faults = cover(inspection)
    plan = inspection.plan
    return {
        "part": asdict(plan.part),
        "notes": {str(note.point): note.text for zone in plan.zones for note in zone.notes},
        "taps_per_point": plan.taps_per_point,
        "signs": SIGNS,
        "statuses": STATUSES,
        "most_cells_drawn": MOST_CELLS_DRAWN,
        "most_points_drawn": MOST_POINTS_DRAWN,
        "method_names": words.METHOD_NAMES,
        "zones": [
            {
                **_geometry(one.zone, inspection.folder),
                "methods": methods(inspection, one.zone),
                "read": _flat_read(one),
                "has_readings": any(bool(mask.any()) for mask in one.read.values()),
            }
            for one in covered
        ],
        "warnings": [*inspection.warnings, *faults, *left_notes(inspection.folder)],
    }


def _flat_read(one: "ZoneCoverage") -> dict[str, list[int]]:
    """List the points that have a reading by each method, counted from 0 station by station.

    None are listed of a zone that the page draws as one picture.
    """
    if one.is_planned.size > MOST_CELLS_DRAWN:
        return {method: [] for method in one.read}
    return {method: np.flatnonzero(mask).tolist() for method, mask in one.read.items()}


def _geometry(zone: "Zone", folder: "Path") -> dict[str, Any]:
    return {
        "code": zone.code,
        "name": zone.name,
        "title": words.zone_name(zone),
        "shape": zone.shape,
        "photo": photo_document(zone, folder),
        "stations": zone.stations,
        "positions": zone.positions,
        "station_pitch_mm": zone.station_pitch_mm,
        "girth_start_mm": zone.girth_start_mm,
        "girth_end_mm": zone.girth_end_mm,
        "position_pitch_mm": zone.position_pitch_mm,
        "thickness_mm": zone.laminate.thickness_mm,
        "velocity_m_s": zone.laminate.velocity_m_s,
        "reference": np.flatnonzero(block_mask(zone, zone.reference)).tolist(),
        "skip": np.flatnonzero(block_mask(zone, zone.skip)).tolist(),
    }


def results_document(results: "Results") -> dict[str, Any]:
    """Give the results as a whole, in the report's sentences."""
    return {
        "summary": sentences.summary(results.screened),
        "chance": sentences.chance(results.inspection.plan.false_call_rate, results.screened),
        "warnings": [*doubt_sentences(results.summary), *results.summary["warnings"]],
        "version": results.summary["version"],
        "indications": [_indication(one, part) for part in results.screened for one in part.indications],
    }


def zone_document(screened: "Screened") -> dict[str, Any]:
    """Give one zone by one method: every point's status, the layers that colour it, its indications.

    Lists over points run station by station.

    Raises
    ------
    TapscanError
        When the zone has more points than a page can draw.
    """
    zone = screened.zone
    points = zone.stations * zone.positions
    if points > MOST_POINTS_DRAWN:
        where = f"zone {zone.code}"
        what = f"has {points:,} points, more than the page can draw ({MOST_POINTS_DRAWN:,})"
        raise TapscanError(where, what, "see its map in the report, or split the zone")
    layers = layers_of(screened)
    is_raster = points > MOST_CELLS_DRAWN
    each = (
        {"layers": [_layer_facts(layer) for layer in layers]}
        if is_raster
        else {
            "status": [STATUSES.index(word) for word in screened.status.ravel().tolist()],
            "reference": np.flatnonzero(screened.is_reference).tolist(),
            "layers": [layer_document(layer) for layer in layers],
        }
    )
    return {
        "code": zone.code,
        "method": screened.method,
        "is_raster": is_raster,
        **each,
        "alt": sentences.map_alt(screened, layers[0].title),
        "counts": sentences.counts(screened),
        "apart": sentences.remarks(screened),
        "baseline": screened.baseline,
        "indications": [_indication(one, screened) for one in screened.indications],
    }


def layers_of(screened: "Screened") -> "list[Layer]":
    """List what the colours of a zone's map can show."""
    layers = [score_layer(screened)]
    if screened.method == "ascan":
        layers += [layer for layer in (depth_layer(screened), backwall_layer(screened)) if layer is not None]
    return layers


def layer_document(layer: "Layer") -> dict[str, Any]:
    """Give each point the number of its colour in the ramp, -1 where it has no value."""
    return {**_layer_facts(layer), "steps": layer_steps(layer).ravel().tolist()}


def _layer_facts(layer: "Layer") -> dict[str, Any]:
    return {
        "title": layer.title,
        "label": layer.label,
        "low": layer.low,
        "high": layer.high,
        "ramp": layer.ramp,
        "is_strong_first": layer.dark_first,
        "empty": layer.read_but_empty,
    }


def layer_steps(layer: "Layer") -> "NDArray[np.int_]":
    """Give the number of each point's colour in the ramp, (stations, positions); -1 where it has no value."""
    span = layer.high - layer.low or 1.0
    share = np.clip((layer.values - layer.low) / span, 0, 1)
    if layer.dark_first:
        share = 1 - share
    return np.where(np.isfinite(share), np.round(np.nan_to_num(share) * (STEPS - 1)), -1).astype(np.int_)


def _indication(one: "Indication", screened: "Screened") -> dict[str, Any]:
    return {
        "id": one.id,
        "number": words.short_id(one),
        "zone": one.zone,
        "method": one.method,
        "kind": one.kind,
        "place": words.place_in_words(one, screened.zone),
        "range": words.range_in_mm(one, screened.zone),
        "area": words.area_text(one.area_mm2),
        "bounds": words.bounds_text(one),
        "disc": words.disc_text(one.area_mm2, screened.zone),
        "depth": words.depth_text(one, screened.zone),
        "peak": one.peak_point,
        "points": one.points,
        "where": _places(one, screened.zone),
        "score": one.score,
        "outline": one.outline,
    }


def _places(one: "Indication", zone: "Zone") -> str:
    """Write an indication's points as few blocks, the way a finding names its place."""
    mask = np.zeros(zone.grid_shape, dtype=bool)
    for point in filter(None, map(parse_point, one.points)):
        mask[point.station - 1, point.position - 1] = True
    return " ".join(f"{zone.code}-{block}" for block in neat_blocks(mask, is_closed=zone.is_tube))
