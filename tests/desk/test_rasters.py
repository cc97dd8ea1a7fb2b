"""Zones of many points: what the desk hands to the page, and what the page makes of it."""

import io
import json
import shutil
import socket
import threading

import numpy as np
import pytest
import uvicorn

from tapscan.desk.views.closeups import point_document
from tapscan.desk.views.documents import plan_document, zone_document
from tapscan.desk.views.rasters import line_document, points_between, raster_bytes
from tapscan.desk.web.guard import Door
from tapscan.desk.web.routes import desk_app
from tapscan.errors import TapscanError
from tapscan.plan import Point
from tapscan.records.arrays import npz_bytes
from tapscan.report.point_arrays import STATUSES, point_arrays
from tests.desk.scanned import depths, scanned_bench

STATIONS, POSITIONS = 150, 100


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return scanned_bench(tmp_path_factory.mktemp("scan") / "panel", STATIONS, POSITIONS)


@pytest.fixture(scope="module")
def screened(bench):
    return bench.analysed.results.screened[0]


def test_the_page_gets_every_point_as_arrays_and_no_lists(screened):
    document = zone_document(screened)
    assert document["is_raster"]
    assert "status" not in document
    assert all("steps" not in layer for layer in document["layers"])
    assert len(json.dumps(document, default=str)) < 50_000
    arrays = np.load(io.BytesIO(raster_bytes(screened)))
    words = np.array(STATUSES)[arrays["status"]]
    np.testing.assert_array_equal(words, screened.status)
    # The layers' colours: strong first where the score is high; 255 where there is none.
    score = arrays["layer_0"]
    assert (score[screened.status == "unread"] == 255).all()
    assert score[screened.status == "suspect"].min() > score[screened.status == "clear"].max()
    np.testing.assert_allclose(arrays["depth_mm"], screened.features["depth_mm"], rtol=1e-6)


def test_a_zone_of_many_points_counts_as_read_without_listing_its_points(bench):
    (zone,) = plan_document(bench.inspection())["zones"]
    assert zone["has_readings"]
    assert zone["read"] == {"ascan": []}


def test_the_compact_table_says_what_the_table_says_and_has_the_same_bytes_each_time(bench, screened):
    columns = bench.analysed.results.points
    content = npz_bytes(point_arrays([screened]))
    assert content == npz_bytes(point_arrays([screened]))
    assert b"\x00\x21\x00" in content  # 1 January 1980, whatever the clock
    arrays = np.load(io.BytesIO(content))
    planned = screened.status != "skipped"
    assert (arrays["statuses"][arrays["SC/ascan/status"]][planned] == columns["status"]).all()
    assert (arrays["reasons"][arrays["SC/ascan/reason"]][planned] == columns["reason"]).all()
    for name in ("score", "p_value", "depth_mm", "thickness_mm", "backwall_db"):
        np.testing.assert_allclose(
            arrays[f"SC/ascan/{name}"][planned], columns[name].astype(float), rtol=1e-6
        )
    assert len(content) < len(bench.analysed.results.tables["points.csv"]) / 3


@pytest.mark.parametrize(
    ("first", "last"), [((0, 0), (9, 4)), ((9, 4), (0, 0)), ((3, 8), (3, 1)), ((5, 5), (5, 5))]
)
def test_a_line_goes_from_end_to_end_by_neighbours(first, last):
    line = points_between(first, last)
    assert (tuple(line[0]), tuple(line[-1])) == (first, last)
    assert (np.abs(np.diff(line, axis=0)).max(axis=1) == 1).all()


def test_the_section_along_a_line_shows_echoes_at_their_depth(screened):
    depth = depths(STATIONS, POSITIONS)
    document = line_document(screened, Point("SC", 20, 41), Point("SC", 75, 41))
    levels = np.asarray(document["levels"])
    line = points_between((19, 40), (74, 40))
    assert levels.shape[1] == document["traces"] == len(line)
    time_us = np.linspace(document["first_us"], document["last_us"], levels.shape[0], endpoint=False)
    deep = time_us * document["mm_per_us"]
    for column, (station, position) in enumerate(line):
        below = deep > 0.4
        strongest = deep[below][np.argmax(levels[below, column])]
        wanted = depth[station, position] if np.isfinite(depth[station, position]) else 3.0
        assert strongest == pytest.approx(wanted, abs=0.06)


def test_a_line_across_a_million_points_is_thinned_to_a_screen(bench):
    whole = line_document(bench.analysed.results.screened[0], Point("SC", 1, 5), Point("SC", 150, 100))
    assert len(whole["levels"][0]) <= 400
    assert whole["traces"] == 150


def test_a_line_out_of_the_zone_or_without_scans_is_one_sentence(screened, demo_desk):
    with pytest.raises(TapscanError, match=r"SC-151-01: is not a point of zone SC"):
        line_document(screened, Point("SC", 1, 1), Point("SC", 151, 1))
    status, _, content = demo_desk.call("GET", "/api/lines/BM-01-01/SP-01-01")
    assert (status, b"is not in zone BM" in content) == (400, True)


def test_a_point_of_a_large_zone_has_its_a_scan(screened):
    document = point_document(screened, Point("SC", 46, 41))
    assert document["features"]["depth_mm"] == pytest.approx(0.8)
    assert document["trace"]["mm_per_us"] == pytest.approx(1.475)


sync_api = pytest.importorskip("playwright.sync_api", reason="the playwright package drives the browser")
CHROMIUM = shutil.which("chromium")
in_browser = pytest.mark.skipif(CHROMIUM is None, reason="Debian's chromium is not installed")


@pytest.fixture(scope="module")
def address(bench):
    listener = socket.create_server(("127.0.0.1", 0))
    door = Door("127.0.0.1", listener.getsockname()[1], "the-token")
    config = uvicorn.Config(desk_app(bench, door), ws="websockets-sansio", lifespan="off", log_level="error")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listener],))
    thread.start()
    yield door.url
    server.should_exit = True
    thread.join(timeout=20)


@pytest.fixture(scope="module")
def browser():
    from tests.desk.test_page import FLAGS

    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def page(browser, address):
    context = browser.new_context(viewport={"width": 1280, "height": 800}, has_touch=True)
    context.set_default_timeout(120_000)  # a busy machine takes its time
    fresh = context.new_page()
    complaints = []
    context.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    context.on("weberror", lambda e: complaints.append(str(e.error)))
    fresh.goto(address)
    fresh.wait_for_selector("canvas.raster[data-drawn]")
    yield fresh
    context.close()
    assert complaints == []


# The colour of the picture at a place, in px of the page.
COLOUR = """([u, v]) => {
  const canvas = document.querySelector("canvas.raster");
  return [...canvas.getContext("2d").getImageData(u * devicePixelRatio, v * devicePixelRatio, 1, 1).data];
}"""


def spot(page, station, position):
    """Where a point is on the picture that shows the whole zone, in px of the canvas."""
    box = page.locator("canvas.raster").bounding_box()
    per_mm = min((box["width"] - 38) / STATIONS, (box["height"] - 26) / POSITIONS)
    return 38 + (station - 0.5) * per_mm, 26 + (position - 0.5) * per_mm, box


class Colour:
    """The colour at one place of the picture, waited for: it is drawn at the next frame."""

    def __init__(self, page, *at):
        self.page, self.at = page, list(at)
        self.first = self.now()

    def now(self):
        return self.page.evaluate(COLOUR, self.at)

    def until(self, is_first):
        work = f"([at, first, isFirst]) => (({COLOUR})(at).join() === first.join()) === isFirst"
        self.page.wait_for_function(work, arg=[self.at, self.first, is_first])


def touch(page, station, position):
    u, v, box = spot(page, station, position)
    page.mouse.click(box["x"] + u, box["y"] + v)


@in_browser
def test_a_scanned_zone_opens_on_its_map_and_a_click_shows_the_a_scan_by_depth(page):
    assert page.locator("#look").is_visible()
    touch(page, 46, 41)
    page.locator("#point-name", has_text="SC-46-41").wait_for()
    chart = page.locator(".sheet .chart").first
    assert "echo 1.14 µs, 0.80 mm deep" in chart.get_attribute("aria-label")
    assert chart.get_by_text("depth below the front surface, mm").count() == 1


@in_browser
def test_unread_points_are_hatched_and_delaminations_dark(page):
    inside, sound = (page.evaluate(COLOUR, list(spot(page, *at)[:2])) for at in ((46, 38), (75, 10)))
    assert sum(inside[:3]) < sum(sound[:3]) - 150
    u, v, _ = spot(page, 140, 8)
    row = {tuple(page.evaluate(COLOUR, [u + step, v])) for step in range(6)}
    assert len(row) > 1


@in_browser
def test_wheel_keys_and_drag_move_the_picture(page):
    page.locator("#point-name", has_text="SC-46-41").wait_for()  # the strongest suspect
    u, v, box = spot(page, 46, 38)
    beside = Colour(page, u + 60, v)
    page.mouse.move(box["x"] + u, box["y"] + v)
    for _ in range(6):
        page.mouse.wheel(0, -300)
    # The delamination fills the picture now, about the point under the pointer.
    beside.until(is_first=False)
    page.locator("#look .map").focus()
    page.keyboard.press("0")
    beside.until(is_first=True)
    page.keyboard.press("ArrowRight")
    page.locator("#point-name", has_text="SC-47-41").wait_for()
    page.keyboard.press("0")
    for _ in range(8):
        page.keyboard.press("+")
    beside.until(is_first=False)
    zoomed = Colour(page, *spot(page, 46, 38)[:2])
    for _ in range(3):
        page.keyboard.press("Control+ArrowRight")
    zoomed.until(is_first=False)
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    moved = Colour(page, *zoomed.at)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] - 5, box["y"] + box["height"] / 2, steps=4)
    page.mouse.up()
    moved.until(is_first=False)


@in_browser
def test_a_dragged_line_gives_its_b_scan_by_depth(page):
    page.get_by_role("button", name="B-scan line").click()
    (u, v, box), (to_u, to_v, _) = spot(page, 20, 41), spot(page, 75, 41)
    page.mouse.move(box["x"] + u, box["y"] + v)
    page.mouse.down()
    page.mouse.move(box["x"] + to_u, box["y"] + to_v, steps=6)
    page.mouse.up()
    page.get_by_role("heading", name="B-scan from SC-20-41 to SC-75-41, 56 points").wait_for()
    section = page.locator("svg.section")
    assert section.get_by_text("depth, mm").count() == 1
    assert section.locator("image").get_attribute("href").startswith("data:image/png")


@in_browser
def test_the_depth_range_takes_other_depths_away_and_is_the_gate_of_the_a_scan(page):
    touch(page, 46, 38)
    page.locator("#point-name", has_text="SC-46-38").wait_for()
    page.locator(".sheet .chart").first.wait_for()
    shallow, deep = (Colour(page, *spot(page, *at)[:2]) for at in ((48, 36), (105, 60)))
    page.get_by_label("Depth shown, from, mm").fill("1.5")
    page.get_by_text("1.50 to 3.00 mm").wait_for()
    shallow.until(is_first=False)
    assert deep.now() == deep.first
    page.locator(".sheet .gate").wait_for()
