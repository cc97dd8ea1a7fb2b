from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
from matplotlib.patches import PathPatch, Polygon
from PIL import Image

from tapscan.plan import Block, cell_area_mm2
from tapscan.report.maps.figures import Setting, add_words, drawing, new_figure, png_bytes
from tapscan.report.maps.layers import backwall_layer, depth_layer, score_layer
from tapscan.report.maps.rounds import draw_round
from tapscan.report.maps.unrolled import draw_map
from tests.report.fabricated import boom, panel, round_indication, scanned, tapped, tube


def drawn(screened, layer=None):
    with drawing():
        return draw_map(screened, layer or score_layer(screened))


def parts(figure, gid):
    return figure.findobj(lambda artist: artist.get_gid() == gid)


def area_mm2(patch):
    """Area that a patch of many quadrilaterals covers (shoelace formula)."""
    corners = patch.get_path().vertices.reshape(-1, 5, 2)
    x, s = corners[..., 0], corners[..., 1]
    return float(np.abs((x[:, :-1] * s[:, 1:] - x[:, 1:] * s[:, :-1]).sum(axis=1) / 2).sum())


def test_every_indication_is_outlined_and_numbered():
    figure = drawn(boom())
    assert len(parts(figure, "indication BM-T2")) == 1
    assert [label.get_text() for label in parts(figure, "number BM-T2")] == ["T2"]


def test_an_indication_across_the_seam_is_seen_whole_at_either_edge():
    figure = drawn(boom())
    axes = parts(figure, "strip 1")[0]
    low, high = sorted(axes.get_ylim())
    outlines = parts(figure, "indication BM-T1")
    assert len(outlines) == 2
    assert len(parts(figure, "number BM-T1")) == 2
    for outline in outlines:
        assert isinstance(outline, Polygon)
        assert outline.get_xy()[:, 1].min() >= low
        assert outline.get_xy()[:, 1].max() <= high
    first, second = (outline.get_xy()[:, 1].mean() for outline in outlines)
    assert second - first == pytest.approx(120.0)


def test_unread_points_are_hatched_and_skipped_ones_empty():
    screened = boom()
    figure = drawn(screened)
    cell = float(cell_area_mm2(screened.zone)[0, 0])
    (unread,) = parts(figure, "unread")
    assert isinstance(unread, PathPatch)
    assert unread.get_hatch()
    assert area_mm2(unread) == pytest.approx(screened.count("unread") * cell)
    (skipped,) = parts(figure, "skipped")
    assert not skipped.get_hatch()
    assert area_mm2(skipped) == pytest.approx(screened.count("skipped") * cell)


def test_unread_points_stay_hatched_on_every_kind_of_map():
    screened = scanned(panel(), unread=[(2, 3), (20, 15)])
    for layer in (score_layer(screened), depth_layer(screened), backwall_layer(screened)):
        assert area_mm2(parts(drawn(screened, layer), "unread")[0]) == pytest.approx(2 * 25.0)


def test_only_read_points_are_coloured():
    screened = boom()
    (cells,) = parts(drawn(screened), "cells")
    read = np.isin(screened.status, ("clear", "suspect"))
    np.testing.assert_array_equal(~np.ma.getmaskarray(cells.get_array()), read)


def test_suspect_and_reference_points_carry_their_signs():
    screened = boom()
    figure = drawn(screened)
    assert len(parts(figure, "suspect")[0].get_offsets()) == screened.count("suspect")
    assert len(parts(figure, "reference")[0].get_offsets()) == screened.is_reference.sum()
    words = [text.get_text() for text in figure.legends[0].get_texts()]
    assert {"suspect point", "unread point", "left out on purpose", "reference point", "datum line"} <= set(
        words
    )


def test_the_datum_line_shows_at_both_ends_of_a_tube_and_once_on_a_panel():
    assert len(parts(drawn(boom()), "datum line")) == 2
    assert len(parts(drawn(scanned(panel())), "datum line")) == 1


def test_point_names_are_along_the_edges():
    figure = drawn(boom())
    (stations,) = [part.get_label().split() for part in parts(figure, "edge bottom") if part.get_label()]
    assert stations[:3] == ["01", "03", "05"]
    positions, repeated = (part.get_label().split() for part in parts(figure, "edge left"))
    assert positions == [f"{p:02d}" for p in range(1, 13)]
    assert repeated == ["10", "11", "12", "01", "02", "03"]  # beyond the datum line
    titles = {side: parts(figure, f"edge {side} title")[0].get_text() for side in ("bottom", "left", "top")}
    assert titles == {"bottom": "station", "left": "position", "top": "x along the part, mm"}


def test_words_are_set_where_they_belong():
    """Corners of what is written, read back from the picture itself, in pixels."""
    for across, down, at in (
        ("left", "top", (0, 0)),
        ("right", "bottom", (1, 1)),
        ("center", "center", None),
    ):
        with drawing():
            figure = new_figure(1.0, 1.0)
            axes = figure.add_axes((0, 0, 1, 1))
            axes.axis("off")
            look = Setting(across=across, down=down, is_clipped=False)
            add_words(axes, np.array([[0.5, 0.5]]), ["88"], np.array([20.0]), look)
            picture = np.asarray(Image.open(BytesIO(png_bytes(figure))).convert("L"))
        rows, columns = (np.flatnonzero((picture < 128).any(axis=way)) / 180 for way in (1, 0))
        wide, high = np.ptp(columns), np.ptp(rows)
        assert high == pytest.approx(20 * 0.73 / 72, rel=0.1)
        middle = {None: (0.5, 0.5), (0, 0): (0.5 + wide / 2, 0.5 + high / 2)}.get(
            at, (0.5 - wide / 2, 0.5 - high / 2)
        )
        assert (columns.mean(), rows.mean()) == pytest.approx(middle, abs=0.03)


def test_positions_run_downward_as_seen_from_outside():
    axes = parts(drawn(boom()), "strip 1")[0]
    bottom, top = axes.get_ylim()
    assert bottom > top


@pytest.mark.parametrize("zone", [tube(), tube(stations=200), tube(stations=6, positions=40), panel()])
def test_a_millimetre_is_as_long_along_the_part_as_across(zone):
    figure = drawn(tapped(zone, spots=()))
    for axes in (a for a in figure.axes if str(a.get_gid()).startswith("strip")):
        width_in, height_in = axes.get_position().size * figure.get_size_inches()
        assert width_in / abs(np.diff(axes.get_xlim())[0]) == pytest.approx(
            height_in / abs(np.diff(axes.get_ylim())[0])
        )


def test_a_long_zone_shows_every_station_and_an_indication_on_each_strip_it_touches():
    zone = tube(stations=200)
    screened = tapped(zone, spots=())
    last_of_first_strip = 67  # 200 stations in three strips
    one = round_indication(zone, "tap", 1, (last_of_first_strip, 6), 16.0)
    figure = drawn(replace(screened, indications=(one,)))
    assert len([a for a in figure.axes if str(a.get_gid()).startswith("strip")]) == 3
    assert len(parts(figure, "indication BM-T1")) == 2


def test_a_sound_zone_keeps_to_the_light_part_of_the_colours():
    layer = score_layer(tapped(tube(), spots=()))
    assert (layer.low, layer.high) == (0.5, 2.0)  # the same for every zone: no stretching of noise


def test_scores_that_cannot_be_drawn_are_not_lost():
    screened = boom()
    score = screened.score.copy()
    station, position = np.argwhere(screened.status == "suspect")[0]
    score[station, position] = np.inf
    station_clear, position_clear = np.argwhere(screened.status == "clear")[0]
    score[station_clear, position_clear] = np.nan
    layer = score_layer(replace(screened, score=score))
    assert layer.values[station, position] == layer.high
    assert np.isfinite(layer.values[station_clear, position_clear])


def test_no_depth_map_without_a_depth():
    screened = scanned(panel(), spots=())
    assert depth_layer(screened) is None
    assert depth_layer(boom()) is None
    assert backwall_layer(boom()) is None


def test_a_lost_back_wall_is_the_darkest_there_is():
    screened = scanned(panel())
    level = screened.features["backwall_db"].copy()
    level[7, 5] = np.nan
    lost = replace(screened, features={**screened.features, "backwall_db": level})
    figure = drawn(lost, backwall_layer(lost))
    (empty,) = parts(figure, "read but empty")
    assert area_mm2(empty) == pytest.approx(25.0)


@pytest.mark.parametrize(
    "screened",
    [
        tapped(tube(stations=1, positions=1), spots=()),
        tapped(tube(stations=1, positions=2), spots=((1, 1, 1.0),)),
        tapped(panel(stations=1, positions=1), spots=()),
        tapped(tube(), spots=(), unread=[(i, p) for i in range(1, 41) for p in range(1, 13)]),
        tapped(tube(skip=(Block(1, 1, 40, 12),)), spots=()),
        tapped(tube(stations=3000, positions=3), spots=((1500, 1, 30.0),)),
        tapped(tube(end_mm=20.0)),
        tapped(tube(), spots=tuple((i, p, 4.0) for i in range(1, 40, 3) for p in range(1, 13))),
    ],
    ids=["point", "two points", "one panel point", "unread", "skipped", "long", "steep taper", "crowded"],
)
def test_odd_zones_are_drawn(screened):
    figure = drawn(screened)
    assert png_bytes(figure).startswith(b"\x89PNG")
    for one in screened.indications:
        assert parts(figure, f"indication {one.id}")


def test_an_area_all_the_way_round_has_its_number():
    zone = tube()
    ring = ((100.0, -5.0), (140.0, -5.0), (140.0, 115.0), (100.0, 115.0), (100.0, -5.0))
    one = replace(round_indication(zone, "tap", 1, (12, 6), 16.0), outline=(ring,))
    figure = drawn(replace(tapped(zone, spots=()), indications=(one,)))
    assert parts(figure, "number BM-T1")


def test_signs_of_points_are_above_outlines_and_datum_lines_and_numbers_hide_none():
    figure = drawn(boom())
    signs = parts(figure, "suspect")[0]
    lines = [
        *parts(figure, "indication BM-T1"),
        *parts(figure, "indication BM-T2"),
        *parts(figure, "datum line"),
    ]
    assert all(line.get_zorder() < signs.get_zorder() for line in lines)
    figure.canvas.draw()
    places = signs.axes.transData.transform(signs.get_offsets())
    for number in ("number BM-T1", "number BM-T2"):
        for label in parts(figure, number):
            box = label.get_bbox_patch().get_window_extent()
            assert not any(box.contains(x, y) for x, y in places)


DOUBT = "The setup check for taps of 2026-02-08 16:00 UTC, after this work, failed."
PICTURES = {
    "map": lambda one: draw_map(one, score_layer(one)),
    "small map": lambda one: draw_map(one, score_layer(one), 2.4, with_key=False),
    "round part": lambda one: draw_round(one, score_layer(one)),
}


@pytest.mark.parametrize("picture", PICTURES)
def test_a_setup_check_that_failed_is_on_the_picture_and_hides_nothing(picture):
    with drawing():
        plain, marked = (PICTURES[picture](one) for one in (boom(), replace(boom(), doubt=DOUBT)))
    assert parts(plain, "in doubt") == []
    (band,) = parts(marked, "in doubt")
    assert band.get_text().replace("\n", " ") == DOUBT
    marked.canvas.draw()
    lowest = band.get_window_extent().y0
    others = [text.get_window_extent() for text in marked.texts if text is not band]
    others += [axes.get_tightbbox() for axes in marked.axes]
    assert max(box.y1 for box in others) < lowest
    assert band.get_window_extent().x0 > 0
    heights = [axes.get_window_extent().height for axes in plain.axes]
    assert [axes.get_window_extent().height for axes in marked.axes] == pytest.approx(heights)
