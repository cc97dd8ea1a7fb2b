"""Outlines for a cutter: the developed zone with its indications, at true size, as SVG and as DXF.

Both are written here by hand: they hold a few lines each. SVG is the W3C's 1.1, whose units in `width` and
`height` against `viewBox` make one user unit one millimetre. DXF is Release 12's open ASCII form (POLYLINE,
VERTEX, TEXT), which every cutter's program reads; it has no place for a unit, so a comment names it. (Group
codes from memory.) SVG counts y downward and DXF upward: both show the zone from outside, station 1 left.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.developed import cut_columns, developed_mm, edge_mm
from tapscan.report.maps.palette import CRAYON, INK, MUTED
from tapscan.report.marking.outlining import outlines_of, unread_rings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone
    from tapscan.screening.results import Screened

    Grid = NDArray[np.float64]

__all__ = ["Layer", "Text", "dxf_text", "layers_of", "svg_text"]

_MARGIN_MM, _LETTER_MM = 5.0, 4.0
_METHODS = {"tap": "TAP_TEST", "ascan": "A_SCAN"}


@dataclass(frozen=True, slots=True)
class Text:
    """Words at a place (u, v) in mm."""

    words: str
    at_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """Lines (u, v) and words of one kind. `colour` is for SVG, `index` the colour's number in DXF."""

    name: str
    colour: str
    index: int
    lines: "tuple[Grid, ...]" = ()
    texts: tuple[Text, ...] = ()


def layers_of(zone: "Zone", screened: "tuple[Screened, ...]") -> list[Layer]:
    """Lay out what a cutter gets of one zone: its edge, the datum line, the outlines, what was not read.

    Layers of what there is none of are left out.
    """
    length_mm = zone.stations * zone.station_pitch_mm
    datum = developed_mm(zone, [0.0, length_mm], [0.0, 0.0])
    start = developed_mm(zone, 0.0, cut_columns(zone)[0])
    layers = [
        Layer("ZONE_EDGE", INK, 7, (edge_mm(zone),)),
        Layer("DATUM_LINE", INK, 5, (datum,), (Text(f"{zone.code} STATION 1 END", _pair(start - [0, 1.5])),)),
    ]
    for one in screened:
        outlines = outlines_of([one])
        lines = tuple(line for outline in outlines for line in outline.lines)
        numbers = tuple(Text(outline.number, outline.label_mm) for outline in outlines)
        method = _METHODS[one.method]
        layers += [
            Layer(f"OUTLINES_{method}", CRAYON, 1, lines),
            Layer(f"NUMBERS_{method}", CRAYON, 1, (), numbers),
            Layer(f"UNREAD_{method}", MUTED, 8, tuple(unread_rings(one))),
        ]
    return [layer for layer in layers if layer.lines or layer.texts]


def _pair(place: "Grid") -> tuple[float, float]:
    return float(place[0]), float(place[1])


def svg_text(layers: list[Layer]) -> str:
    """Write the layers as SVG, each a group with its name."""
    everything = np.vstack([line for layer in layers for line in layer.lines])
    low = everything.min(axis=0) - [_MARGIN_MM, _MARGIN_MM + _LETTER_MM]
    width, height = everything.max(axis=0) + _MARGIN_MM - low
    box = f"{_number(low[0])} {_number(low[1])} {_number(width)} {_number(height)}"
    size = f'width="{_number(width)}mm" height="{_number(height)}mm"'
    said = (
        "Lengths in millimetres, seen from outside, station 1 at the left. "
        "Outside an outline is not proof of soundness."
    )
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" {size} viewBox="{box}">',
        f"<desc>{said}</desc>",
    ]
    for layer in layers:
        lines.append(f'<g id="{layer.name}" fill="none" stroke="{layer.colour}" stroke-width="0.2">')
        for line in layer.lines:
            corners, is_closed = _open_end(line)
            steps = "L".join(f"{_number(u)} {_number(v)}" for u, v in corners)
            lines.append(f'<path d="M{steps}{"Z" if is_closed else ""}"/>')
        look = (
            f'fill="{layer.colour}" stroke="none" font-family="sans-serif" font-size="{_number(_LETTER_MM)}"'
        )
        for text in layer.texts:
            u, v = text.at_mm
            lines.append(f'<text x="{_number(u)}" y="{_number(v)}" {look}>{text.words}</text>')
        lines.append("</g>")
    return "\n".join([*lines, "</svg>", ""])


def dxf_text(layers: list[Layer]) -> str:
    """Write the layers as DXF, Release 12, each on a layer of its name."""
    pairs = [(999, "lengths in millimetres, seen from outside, station 1 at the left")]
    pairs += [(0, "SECTION"), (2, "HEADER"), (9, "$ACADVER"), (1, "AC1009"), (0, "ENDSEC")]
    pairs += [(0, "SECTION"), (2, "TABLES")]
    pairs += [(0, "TABLE"), (2, "LTYPE"), (70, "1"), (0, "LTYPE"), (2, "CONTINUOUS"), (70, "0")]
    pairs += [(3, "solid line"), (72, "65"), (73, "0"), (40, "0.0"), (0, "ENDTAB")]
    pairs += [(0, "TABLE"), (2, "LAYER"), (70, str(len(layers)))]
    for layer in layers:
        pairs += [(0, "LAYER"), (2, layer.name), (70, "0"), (62, str(layer.index)), (6, "CONTINUOUS")]
    pairs += [(0, "ENDTAB"), (0, "ENDSEC"), (0, "SECTION"), (2, "ENTITIES")]
    for layer in layers:
        for line in layer.lines:
            pairs += _polyline(line, layer.name)
        for text in layer.texts:
            pairs += [(0, "TEXT"), (8, layer.name), *_place(*text.at_mm)]
            pairs += [(40, _number(_LETTER_MM)), (1, text.words)]
    pairs += [(0, "ENDSEC"), (0, "EOF")]
    return "".join(f"{code}\n{value}\n" for code, value in pairs)


def _polyline(line: "Grid", layer: str) -> "Iterator[tuple[int, str]]":
    corners, is_closed = _open_end(line)
    yield from [(0, "POLYLINE"), (8, layer), (66, "1"), *_place(0.0, 0.0), (70, "1" if is_closed else "0")]
    for u, v in corners:
        yield from [(0, "VERTEX"), (8, layer), *_place(float(u), float(v))]
    yield from [(0, "SEQEND"), (8, layer)]


def _place(u: float, v: float) -> list[tuple[int, str]]:
    return [(10, _number(u)), (20, _number(-v)), (30, "0")]


def _open_end(line: "Grid") -> "tuple[Grid, bool]":
    """Take the repeated last corner off a closed line, and say whether it was closed."""
    is_closed = len(line) > 2 and bool((np.abs(line[0] - line[-1]) < 1e-6).all())
    return (line[:-1] if is_closed else line), is_closed


def _number(value: float) -> str:
    """Write a length to a thousandth of a millimetre, without needless zeros.

    Examples
    --------
    >>> _number(12.5), _number(-0.0001), _number(400.0)
    ('12.5', '0', '400')
    """
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
