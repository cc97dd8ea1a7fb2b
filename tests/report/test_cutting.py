"""Outlines for a cutter, read back with readers that know nothing of tapscan."""

import io
import xml.etree.ElementTree as ET

import ezdxf
import numpy as np
import pytest

from tapscan.report.marking.cutting import dxf_text, layers_of, svg_text
from tests.report.fabricated import boom, panel, scanned, tapped, tube

SVG = "{http://www.w3.org/2000/svg}"


def shoelace(ring):
    u, v = np.asarray(ring).T
    return 0.5 * abs(np.sum(u * np.roll(v, -1) - np.roll(u, -1) * v))


def drawing_of(*screened):
    return ezdxf.read(io.StringIO(dxf_text(layers_of(screened[0].zone, screened))))


def polylines(document, layer):
    found = document.modelspace().query(f'POLYLINE[layer=="{layer}"]')
    return [
        (one.is_closed, np.array([tuple(vertex.dxf.location)[:2] for vertex in one.vertices]))
        for one in found
    ]


def test_the_dxf_reads_back_without_a_complaint():
    document = drawing_of(boom(), scanned(tube(), spots=((13, 1, 16.0),)))
    assert document.dxfversion == "AC1009"
    assert not document.audit().errors
    assert {"ZONE_EDGE", "DATUM_LINE", "OUTLINES_TAP_TEST", "OUTLINES_A_SCAN", "UNREAD_TAP_TEST"} <= {
        layer.dxf.name for layer in document.layers
    }
    numbers = {text.dxf.text for text in document.modelspace().query("TEXT")}
    assert numbers == {"BM STATION 1 END", "T1", "T2", "A1"}


def test_the_dxf_is_true_to_size_and_seen_from_outside():
    document = drawing_of(boom())
    ((is_closed, edge),) = polylines(document, "ZONE_EDGE")
    assert is_closed
    assert np.ptp(edge, axis=0) == pytest.approx([400.0, 120.0])
    ((_, datum),) = polylines(document, "DATUM_LINE")
    # Up in DXF is up on the map: the datum line, position 1, is half a step below the upper edge.
    assert datum[:, 1] == pytest.approx([55.0, 55.0])
    outlines = polylines(document, "OUTLINES_TAP_TEST")
    (whole,) = [corners for is_closed, corners in outlines if is_closed]
    # T2: a polygon of 24 corners on 14 mm about station 30, position 7.
    assert shoelace(whole) == pytest.approx(12 * 14**2 * np.sin(np.pi / 12), rel=1e-3)
    assert (whole.min(axis=0) + whole.max(axis=0)) / 2 == pytest.approx([295.0, -5.0], abs=1e-3)
    # T1 crosses the datum line and the cut beside it: open pieces at both edges of the sheet.
    ends = sorted(
        round(float(corner[1])) for is_closed, line in outlines if not is_closed for corner in line[[0, -1]]
    )
    assert ends == [-60, -60, 60, 60]


def test_a_cone_keeps_its_area():
    zone = tube(stations=12, end_mm=180.0)
    ((is_closed, edge),) = polylines(drawing_of(tapped(zone, spots=((6, 7, 12.0),))), "ZONE_EDGE")
    assert is_closed
    # Frustum: mean girth times slant.
    assert shoelace(edge) == pytest.approx(150.0 * np.hypot(120.0, 60.0 / (2 * np.pi)), rel=1e-4)


def test_the_svg_is_in_millimetres():
    root = ET.fromstring(svg_text(layers_of(tube(), (boom(),))))
    box = [float(n) for n in root.get("viewBox").split()]
    assert root.get("width") == f"{box[2]:g}mm"
    assert root.get("height") == f"{box[3]:g}mm"
    groups = {group.get("id"): group for group in root.iter(f"{SVG}g")}
    path = groups["ZONE_EDGE"].find(f"{SVG}path").get("d")
    assert path == "M0 -60L400 -60L400 60L0 60Z"
    datum = groups["DATUM_LINE"].find(f"{SVG}path").get("d")
    assert datum == "M0 -55L400 -55"  # downward in SVG
    assert [text.text for text in groups["NUMBERS_TAP_TEST"].iter(f"{SVG}text")] == ["T1", "T2"]
    assert len(list(groups["OUTLINES_TAP_TEST"].iter(f"{SVG}path"))) == 3


def test_what_there_is_none_of_has_no_layer():
    names = [layer.name for layer in layers_of(panel(), (scanned(panel(), spots=()),))]
    assert names == ["ZONE_EDGE", "DATUM_LINE"]
