"""Wraps measured from outside: an independent PDF reader reads the vectors back, in mm on the paper."""

import re
import subprocess
import sys
from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
from pypdf import PdfReader
from pypdf.generic import ContentStream

from tapscan.plan import Block
from tapscan.plan.developed import cut_columns, developed_mm, edge_mm, sector
from tapscan.report.marking.tiling import A4, LETTER, OVERLAP_MM, SHEET, tiled
from tapscan.report.marking.wraps import MOST_SHEETS, lap_mm, sheets_needed, wrap_pdfs
from tests.report.fabricated import boom, panel, scanned, tapped, tube

MM = 25.4 / 72


def stroked(operations):
    """Every line that is drawn: (width of the pen in pt, corners in pt from the lower left)."""
    pen, state, path = 1.0, [], []
    for operands, operator in operations:
        numbers = [float(n) for n in operands if isinstance(n, (int, float))]
        match operator:
            case b"q":
                state.append(pen)
            case b"Q":
                pen = state.pop()
            case b"w":
                pen = numbers[0]
            case b"m":
                path.append([numbers])
            case b"l":
                path[-1].append(numbers)
            case b"h":
                path[-1].append(path[-1][0])
            case b"S" | b"s" | b"B" | b"b" | b"f" | b"n":
                is_closed = operator in (b"s", b"b")
                if operator not in (b"f", b"n"):
                    yield from ((pen, line + [line[0]] * is_closed) for line in path)
                path = []


class Page:
    """The paths of one page: (width of the pen in pt, corners (n, 2) in mm from the sheet's upper left).

    The sheet is in the middle of the paper.
    """

    def __init__(self, page, reader):
        frame = page.mediabox
        self.size_mm = np.array([float(frame.width), float(frame.height)]) * MM
        way = SHEET.turned if frame.width > frame.height else SHEET
        self.beside_mm = (self.size_mm - [way.width_mm, way.height_mm]) / 2
        corner_mm = np.array([float(frame.left), float(frame.bottom)]) * MM
        assert corner_mm == pytest.approx(-self.beside_mm, abs=0.01)
        self.text = page.extract_text()
        self.paths = []
        for pen, line in stroked(ContentStream(page.get_contents(), reader).operations):
            corners = np.array(line) * MM
            corners[:, 1] = way.height_mm - corners[:, 1]
            self.paths.append((pen, corners))

    def lines(self, pen_pt):
        return [corners for pen, corners in self.paths if pen == pytest.approx(pen_pt, abs=1e-3)]


def wrap_pdf(zone, screened=()):
    return wrap_pdfs(zone, screened)["A4"]


def read(pdf):
    reader = PdfReader(BytesIO(pdf))
    return [Page(page, reader) for page in reader.pages]


def bars(page):
    """Horizontal and vertical extent of the check bars: the only straight lines of 0.8 pt."""
    straight = [np.ptp(line, axis=0) for line in page.lines(0.8) if len(line) == 2]
    return sorted(map(tuple, straight), reverse=True)


@pytest.mark.parametrize(("paper", "size"), [(A4, {210.0, 297.0}), (LETTER, {215.9, 279.4})])
def test_paper_and_check_bars_are_true(paper, size):
    for page in read(wrap_pdfs(tube(end_mm=80.0))[paper.name]):
        assert set(np.round(page.size_mm, 2)) == size
        assert np.array(bars(page)) == pytest.approx(np.array([(100.0, 0.0), (0.0, 100.0)]), abs=0.005)
        assert "Print at 100 %" in page.text
        assert "measure both bars" in page.text
        (thick,) = [np.ptp(line, axis=0) for line in page.lines(2.2) if len(line) == 2]
        assert thick == pytest.approx((20.0, 0.0), abs=0.005)
        assert "thick: 20 mm, for photos of cuts" in page.text


def crosses(page):
    """Middles of the points' crosses: lines of 0.6 pt, 3 mm long, two to each point."""
    arms = [line for line in page.lines(0.6) if len(line) == 2]
    middles = [
        line.mean(axis=0) for line in arms if np.hypot(*(line[1] - line[0])) == pytest.approx(3.0, abs=0.01)
    ]
    apart = np.hypot(*(np.array(middles)[:, None] - np.array(middles)).T)
    return np.array(middles)[~(np.tril(apart < 0.1, -1).any(axis=1))]


def test_the_grid_is_true_on_paper():
    zone = tube(stations=20)  # 10 mm apart along the part and round it
    first, *_ = read(wrap_pdf(zone))
    places = crosses(first)
    assert len(places) == 20 * 12
    u, v = (np.unique(np.round(column, 1)) for column in places.T)
    assert np.diff(u) == pytest.approx(np.full(19, 10.0), abs=0.06)
    assert np.diff(v) == pytest.approx(np.full(11, 10.0), abs=0.06)
    assert u[-1] - u[0] == pytest.approx(190.0, abs=0.05)
    assert v[-1] - v[0] == pytest.approx(110.0, abs=0.05)
    assert "BM-01-01" in first.text
    assert "BM-19-12" in first.text
    assert "20-12" in first.text  # short, for the room that is left at the edge
    assert "BM-20-12" not in first.text
    assert "datum line" in first.text
    assert "station 1 end" in first.text


def test_skipped_points_are_empty():
    zone = tube(stations=20, skip=(Block(10, 5, 11, 6),))
    (page,) = read(wrap_pdf(zone))
    assert len(crosses(page)) == 20 * 12 - 4
    assert "BM-10-05" not in page.text
    assert "BM-10-04" in page.text


def test_the_two_papers_differ_in_their_frames_only():
    a4, letter = wrap_pdfs(tube()).values()
    frames = re.compile(rb"/MediaBox \[[^]]*\] *")
    assert len(a4) == len(letter)
    assert frames.sub(b"", a4) == frames.sub(b"", letter)
    for pdf in (a4, letter):
        for page in read(pdf):
            corners = np.vstack([line for pen, line in page.paths if pen == pytest.approx(0.8)])
            room = np.vstack([corners, page.size_mm - 2 * page.beside_mm - corners]) + page.beside_mm
            assert room.min() >= 10.0  # what printers leave white


def test_a_cone_is_true_on_paper():
    zone = tube(stations=12, end_mm=180.0)  # girth 120 to 180 mm over 120 mm
    (page,) = read(wrap_pdf(zone))
    flat = sector(zone)
    # The first edge, drawn thick, is an arc as long as the girth there, about an apex to its left.
    (arc,) = page.lines(2.0)
    assert np.hypot(*np.diff(arc, axis=0).T).sum() == pytest.approx(120.0, abs=0.02)
    chord = np.hypot(*(arc[-1] - arc[0]))
    assert chord == pytest.approx(2 * flat.start_radius_mm * np.sin(flat.angle_rad / 2), abs=0.02)
    slant = np.hypot(120.0, 60.0 / (2 * np.pi))
    datum = max((line for line in page.lines(1.0) if len(line) == 2), key=lambda line: np.ptp(line[:, 0]))
    assert np.hypot(*(datum[1] - datum[0])) == pytest.approx(slant, abs=0.01)
    assert len(crosses(page)) == 12 * 12


def marks(page):
    """Middles of the joining crosses: lines of 0.6 pt, 8 mm long, straight across or down."""
    arms = [line for line in page.lines(0.6) if len(line) == 2]
    return np.unique(
        [
            np.round(line.mean(axis=0), 3)
            for line in arms
            if sorted(np.ptp(line, axis=0)) == pytest.approx([0.0, 8.0], abs=0.01)
        ],
        axis=0,
    )


def test_neighbouring_sheets_meet_at_their_marks():
    """What both sheets show must coincide once the marks do: here, the points' crosses in the overlap."""
    first, second = read(wrap_pdf(tube()))
    one, other = marks(first), marks(second)
    assert len(one) == len(other) == 2
    shift = other - one
    assert shift[0] == pytest.approx(shift[1], abs=0.01)
    moved = crosses(first) + shift[0]
    left = SHEET.turned.window_mm[0]
    shared = moved[moved[:, 0] > left + 1.5]
    assert len(shared) >= 12
    for place in shared:
        assert np.hypot(*(crosses(second) - place).T).min() < 0.03
    assert "row 1 of 1, column 2 of 2" in second.text


@pytest.mark.parametrize("paper", [A4, LETTER, SHEET])
def test_every_point_is_on_a_sheet_and_marks_on_two(paper):
    zone = tube(stations=60, positions=60, end_mm=240.0)
    shape = edge_mm(zone)
    layout = tiled(paper, shape, 6.0)
    assert len(layout.tiles) > 4
    _, _, width, height = layout.paper.window_mm
    low = np.array([(tile.u_mm, tile.v_mm) for tile in layout.tiles])
    inside = np.linspace(cut_columns(zone)[0], cut_columns(zone)[1], 80)
    places = developed_mm(zone, np.linspace(0, 600, 70)[:, None], inside).reshape(-1, 1, 2)
    assert ((places >= low) & (places <= low + np.array([width, height]))).all(axis=2).any(axis=1).all()
    assert len({mark.letter for mark in layout.marks}) == len(layout.marks)
    for mark in layout.marks:
        for number in (mark.first, mark.second):
            tile = layout.tiles[number - 1]
            assert OVERLAP_MM / 2 - 1e-9 <= mark.u_mm - tile.u_mm <= width - OVERLAP_MM / 2 + 1e-9
            assert OVERLAP_MM / 2 - 1e-9 <= mark.v_mm - tile.v_mm <= height - OVERLAP_MM / 2 + 1e-9


def test_empty_sheets_are_left_out():
    wide = tube(stations=30, positions=48, end_mm=500.0)
    layout = tiled(A4, edge_mm(wide), 6.0)
    assert len(layout.tiles) < layout.rows * layout.columns


def test_outlines_are_drawn_where_they_were_found():
    screened = boom()
    pages = read(wrap_pdf(screened.zone, (screened,)))
    text = " ".join(page.text for page in pages)
    assert "T1" in text
    assert "T2" in text
    assert "unread" in text
    assert "not proof of soundness" in text
    # T2: a circle of 14 mm radius, whole on one of the sheets.
    whole = [
        line
        for page in pages
        for line in page.lines(1.4)
        if np.ptp(line, axis=0) == pytest.approx([28.0, 28.0], abs=0.05)
    ]
    assert whole


def test_both_methods_on_one_wrap():
    tap = tapped(tube())
    scan = scanned(tube(), spots=((13, 1, 16.0),), unread=[(2, 3)])
    text = " ".join(page.text for page in read(wrap_pdf(tap.zone, (tap, scan))))
    assert "Tap test: solid" in text
    assert "A-scan: dashed" in text
    assert "A1" in text


@pytest.mark.parametrize(
    "zone",
    [
        tube(stations=1, positions=1, station_pitch_mm=0.5),
        tube(stations=2, positions=2, end_mm=121.0),
        tube(stations=200, positions=150, station_pitch_mm=0.7, girth_start_mm=60.0, girth_end_mm=200.0),
        tube(stations=3, station_pitch_mm=1.0, girth_start_mm=20.0, girth_end_mm=300.0),
        panel(stations=1, positions=1, station_pitch_mm=0.01, position_pitch_mm=0.01),
        panel(skip=(Block(1, 1, 24, 16),)),
    ],
)
def test_odd_zones_make_pages_too(zone):
    for page in read(wrap_pdf(zone)):
        assert len(bars(page)) == 2


def test_a_huge_zone_is_counted_without_laying_it_out():
    huge = panel(stations=100_000, positions=40, station_pitch_mm=1000.0, position_pitch_mm=1000.0)
    assert sheets_needed(huge) > 1000 * MOST_SHEETS


def test_a_lap_that_would_cover_the_part_itself_is_left_out():
    flat = tube(stations=3, station_pitch_mm=1.0, girth_start_mm=20.0, girth_end_mm=300.0)
    assert lap_mm(flat) is None
    assert lap_mm(panel()) is None
    lap = lap_mm(tube())
    assert lap[:, 1].max() - lap[:, 1].min() == pytest.approx(12.0)


def test_hundreds_of_outlines():
    rng = np.random.default_rng(5)
    zone = tube(stations=60, positions=36)
    spots = tuple(
        (int(i), int(p), 9.0) for i, p in zip(rng.integers(2, 59, 300), rng.integers(1, 37, 300), strict=True)
    )
    screened = tapped(zone, spots=spots)
    text = " ".join(page.text for page in read(wrap_pdf(zone, (screened,))))
    assert all(f"T{n}" in text for n in range(1, 301))


def test_names_give_way_where_there_is_no_room():
    zone = replace(panel(stations=100, positions=100), station_pitch_mm=1.0, position_pitch_mm=1.0)
    (page,) = read(wrap_pdf(zone))
    assert "01-01" in page.text
    assert "BM-02-02" not in page.text
    assert len(crosses(page)) < 500


def test_the_same_bytes_whatever_the_hash_seed_and_the_clock(tmp_path):
    script = (
        "import sys, pathlib; from tapscan.report.marking.wraps import wrap_pdfs; "
        "from tests.report.fabricated import boom; one = boom(); "
        "pathlib.Path(sys.argv[1]).write_bytes(wrap_pdfs(one.zone, (one,))['Letter'])"
    )
    for seed, name in (("1", "one.pdf"), ("2", "two.pdf")):
        subprocess.run(
            [sys.executable, "-c", script, str(tmp_path / name)],
            check=True,
            env={"PYTHONHASHSEED": seed, "TZ": "UTC"},
        )
    first = (tmp_path / "one.pdf").read_bytes()
    assert first == (tmp_path / "two.pdf").read_bytes()
    assert b"CreationDate" not in first
    assert b"Producer" not in first


def test_names_are_whole_at_the_joins_of_sheets():
    zone = tube(stations=60)
    pages = read(wrap_pdf(zone))
    assert len(pages) > 1
    words = [word for page in pages for word in page.text.split() if word.startswith("BM-")]
    assert set(words) >= {
        f"BM-{station:02d}-{position:02d}" for station in range(1, 60) for position in (1, 12)
    }
    layout = tiled(SHEET, np.vstack([edge_mm(zone), lap_mm(zone)]), 6.0)
    wide_mm = layout.paper.window_mm[2]
    # A name is 9 mm long: one that begins in the last 8 mm of a window is left to the next sheet.
    cut = [f"BM-{n:02d}-05" for n in range(1, 61) if 0 < layout.tiles[0].u_mm + wide_mm - (n - 0.5) * 10 < 8]
    assert cut
    assert not any(name in pages[0].text for name in cut)
    assert all(name in pages[1].text for name in cut)
