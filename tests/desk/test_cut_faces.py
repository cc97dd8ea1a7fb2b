"""A photo of a cut measured on the page: by touch, by keyboard, and what the desk refuses.

The photo is rendered with shapes of known size: 10 pixels are 1 mm in it. The browser's tests need Debian's
``chromium`` and the playwright package.
"""

import csv
import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tapscan.desk.cut_faces import picture_of
from tapscan.sectioning.cut_photos import cut_photos
from tests.cutface.photos import Camera, band, disc, rendered
from tests.desk.patch import watched_page

PHOTO, MARKS = "photos/cut-02.png", "photos/cut-02.measured.json"
CAMERA = Camera(600, 400, 10.0)
LAMINATE = band(lambda x: 0 * x - 12.0, lambda x: 0 * x - 9.0)  # 3 mm, its outer face at y = -12 mm
SCALE = {"points_px": [[100, 390], [300, 390]], "length_mm": 20.0}
SURFACE = [[10, 79.5], [590, 79.5]]


def keep_face(folder):
    (folder / "photos").mkdir(exist_ok=True)
    shapes = [(LAMINATE, 60.0), (disc(5.0, 5.0, 2.0), 30.0), (disc(-10.0, 8.0, 1.0), 30.0)]
    Image.fromarray(rendered(CAMERA, shapes)).save(folder / PHOTO)


@pytest.fixture
def face(desk):
    keep_face(desk.folder)
    return desk


def sent(**more):
    return {"was": "", "cut": "CS-02", "who": "", "scale": SCALE, "surface_px": SURFACE, "marks": [], **more}


WALL = {"kind": "wall thickness", "px": [[[100, 79.5], [100, 109.5]], [[200, 79.5], [200, 109.5]]]}
APART = {"kind": "delamination", "where": "CS-02-03", "px": [[[100, 94.5], [250, 94.5]]]}


def test_the_photo_is_listed_and_shown_the_right_way_up(face):
    turned = Image.open(face.folder / PHOTO).transpose(Image.Transpose.ROTATE_90)
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was turned
    turned.save(face.folder / "photos/turned.jpg", exif=exif)
    (face.folder / "photos/notes.txt").write_text("no photo", encoding="utf-8")
    listed = [one["photo"] for one in face.get("/api/cut-photos")]
    assert listed == [PHOTO, "photos/turned.jpg"]
    document = face.get("/api/cut-photos/turned.jpg")
    assert (document["width"], document["height"], document["marked"]) == (600, 400, None)
    status, headers, content = face.call("GET", "/cut-photos/turned.jpg")
    assert (status, headers["content-type"], content[:3]) == (200, "image/jpeg", b"\xff\xd8\xff")
    (face.folder / "shown.jpg").write_bytes(content)
    shown = np.asarray(Image.open(face.folder / "shown.jpg").convert("L"), dtype=float)
    truth = np.asarray(Image.open(face.folder / PHOTO), dtype=float)
    assert shown.shape == truth.shape
    assert np.abs(shown - truth).mean() < 8  # two times JPEG; the other way up it differs by more than 10
    assert np.abs(shown[::-1, ::-1] - truth).mean() > 10


def test_the_picture_shown_is_bounded_and_in_colour(folder):
    (folder / "photos").mkdir()
    Image.new("RGB", (5000, 1000), (200, 40, 40)).save(folder / "photos/wide.png")
    (folder / "shown.jpg").write_bytes(picture_of(folder, "photos/wide.png"))
    shown = Image.open(folder / "shown.jpg")
    assert (shown.size, shown.mode) == ((4096, 819), "RGB")
    assert shown.getpixel((9, 9))[0] > 180 > 60 > shown.getpixel((9, 9))[1]


def test_marks_are_measured_by_the_desk_and_become_findings_once(face):
    kept = face.post("/api/cut-photos/cut-02.png", sent(marks=[WALL, APART]))
    # By hand: 1.96 times the root sum of squares of clicks 0.1 mm, edges 0.1 mm, scale 0.03 mm.
    assert kept["words"][0][:2] == ["count 2", "mean 3.00 mm ±0.28"]
    assert "depth 1.50 mm ±0.2" in ", ".join(kept["words"][1])
    (shown,), doubts = cut_photos(face.folder)
    assert (shown.marked.photo, doubts) == (PHOTO, ())
    assert shown.results[0]["mean_mm"]["value"] == pytest.approx(3.0)
    logged = face.post("/api/cut-photos/cut-02.png/findings", {"was": kept["was"]})
    assert logged["added"] == 1
    assert logged["left_out"][0].startswith(f"{PHOTO}: mark 1, wall thickness: is no flaw")
    assert face.post("/api/cut-photos/cut-02.png/findings", {"was": kept["was"]})["added"] == 0
    (finding,) = face.get("/api/findings")["findings"]
    assert (finding["kind"], finding["where"], finding["photo"]) == ("delamination", "CS-02-03", PHOTO)
    assert finding["sizes"] == "depth 1.5 mm, width 15 mm"


def test_what_the_saw_made_is_logged_as_from_cutting(face):
    kept = face.post("/api/cut-photos/cut-02.png", sent(marks=[{**APART, "cause": "cutting"}]))
    face.post("/api/cut-photos/cut-02.png/findings", {"was": kept["was"]})
    (finding,) = face.get("/api/findings")["findings"]
    assert finding["row"]["cause"] == "cutting"


def test_proposals_count_only_once_accepted(face):
    region = [[200, 130], [590, 130], [590, 370], [200, 370]]
    kept = face.post("/api/cut-photos/cut-02.png", sent(region_px=region))
    found = face.post("/api/cut-photos/cut-02.png/proposals", {"was": kept["was"], "find": "voids"})
    marks = found["marked"]["marks"]
    assert [(one["kind"], one["state"]) for one in marks] == [("void", "proposed"), ("porosity", "proposed")]
    logged = face.post("/api/cut-photos/cut-02.png/findings", {"was": found["was"]})
    assert logged["added"] == 0
    assert "is a proposal that nobody accepted" in logged["left_out"][0]
    accepted = [{**marks[0], "state": "accepted", "where": "CS-02-02"}, marks[1]]
    kept = face.post("/api/cut-photos/cut-02.png", sent(region_px=region, marks=accepted, was=found["was"]))
    assert face.post("/api/cut-photos/cut-02.png/findings", {"was": kept["was"]})["added"] == 1


@pytest.mark.parametrize(
    ("more", "match"),
    [
        ({"was": "0" * 64}, "changed since this page read it"),
        ({"scale": {**SCALE, "length_mm": 0}}, "0 mm is no length"),
        ({"scale": None}, "scale: input should be"),
        ({"cut": "CS-99"}, "Which cut"),
        ({"marks": [{**APART, "where": "CS-99-01"}]}, "measure 1, delamination"),
        ({"marks": [APART], "surface_px": []}, "needs the outer surface"),
        ({"marks": [{"kind": "void", "px": [[[1, 1], [2, 2]]]}]}, "needs at least 3 points"),
        ({"photo": "photos/other.png"}, "is not what the desk expects"),
    ],
)
def test_marks_that_make_no_sense_are_refused_and_nothing_is_written(face, more, match):
    fault = face.post("/api/cut-photos/cut-02.png", sent(**more), status=400)["fault"]
    assert match in fault
    assert not (face.folder / MARKS).exists()


@pytest.mark.parametrize("body", [b"[]", b"{}", b"\xff", b'{"was": ""}'])
def test_a_message_that_is_none_is_refused_in_a_sentence(face, body):
    for more in ("", "/proposals", "/findings"):
        status, _, content = face.call("POST", f"/api/cut-photos/cut-02.png{more}", body)
        assert status == 400
        assert json.loads(content)["fault"]


@pytest.mark.parametrize("name", ["..%2Finspection.toml", "none.png", "notes.txt", "%00.png"])
def test_only_photos_of_the_inspection_are_opened(face, name):
    (face.folder / "photos/notes.txt").write_text("x", encoding="utf-8")
    for path in (f"/api/cut-photos/{name}", f"/cut-photos/{name}"):
        status, _, _ = face.call("GET", path)
        assert status in (400, 404)


def test_a_photo_that_is_a_link_elsewhere_is_not_listed(face, tmp_path):
    shutil.copy(face.folder / PHOTO, tmp_path / "secret.png")
    (face.folder / "photos/link.png").symlink_to(tmp_path / "secret.png")
    assert [one["photo"] for one in face.get("/api/cut-photos")] == [PHOTO]


def test_marks_of_another_photo_are_not_written_over(face):
    kept = face.post("/api/cut-photos/cut-02.png", sent(marks=[WALL]))
    shutil.copy(face.folder / PHOTO, face.folder / "photos/cut-02.tif")
    fault = face.post("/api/cut-photos/cut-02.tif", sent(was=kept["was"]), status=400)["fault"]
    assert "is of photos/cut-02.png, not of photos/cut-02.tif" in fault


# ---- in a browser ----


@pytest.fixture
def page(browser, face, request):
    """The findings pane with the photo open; the page may log no error."""
    with watched_page(browser, *getattr(request, "param", ((1280, 800), "light", False))) as fresh:
        fresh.goto(f"{face.origin}/?token={face.door.token}#cut")
        fresh.goto(f"{face.origin}/#cut")
        fresh.locator(".face select").select_option(PHOTO)
        fresh.locator("svg.face-photo").wait_for()
        yield fresh


def on_screen(page, place):
    """Where a pixel of the photo is on the screen."""
    return page.evaluate(
        """([x, y]) => {
            const svg = document.querySelector("svg.face-photo");
            svg.scrollIntoView({ block: "center" });
            const at = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM());
            return [at.x, at.y];
        }""",
        place,
    )


def said(page, words):
    page.locator(".face .answer", has_text=words).wait_for()


def pressed(page, name):
    page.locator(".face").get_by_role("button", name=name).first.click()


def tap(page, *places):
    for place in places:
        page.touchscreen.tap(*on_screen(page, place))


def touch_scale_and_surface(page):
    pressed(page, "Two ends of a length")
    tap(page, *SCALE["points_px"])
    said(page, "Kept in")
    tap(page, *SURFACE)
    pressed(page, "Done")
    page.locator(".face .here", has_text="Choose what to measure").wait_for()


TOUCHED = [((390, 844), "dark", True), ((1280, 800), "light", True)]


@pytest.mark.parametrize("page", TOUCHED, indirect=True, ids=["phone", "tablet"])
def test_a_cut_is_measured_by_touch_and_logged(page, face):
    pressed(page, "Void")  # before there is a scale
    said(page, "Set the scale first")
    touch_scale_and_surface(page)
    pressed(page, "Wall thickness")
    for _ in range(2):
        pressed(page, "Closer")
    tap(page, [450, 79.5], [450, 109.5], [520, 79.5], [520, 109.5])  # one after the other, without a wait
    said(page, "Wall thickness: count 2")
    pressed(page, "Whole photo")
    pressed(page, "Delamination")
    tap(page, [200, 94.5], [350, 94.5])
    pressed(page, "Done")
    said(page, "Delamination: length")
    page.get_by_label("Place of measure 2, delamination").fill("CS-02-03")
    page.get_by_label("Which cut").fill("CS-02")
    pressed(page, "Adhesive thickness")
    tap(page, [500, 200], [500, 210])
    said(page, "Adhesive thickness: count 1")
    page.get_by_label("Face of the joint").select_option("below")
    said(page, "Kept in")
    pressed(page, "Region to search")
    tap(page, [200, 130], [590, 130], [590, 370], [200, 370])
    pressed(page, "Done")
    pressed(page, "Find dark voids")
    said(page, "Proposals are drawn with broken lines")
    assert page.locator(".face-list li.proposed").count() == 2
    look(page, "cutface")
    page.get_by_role("button", name="Accept measure 4, void").click()
    page.locator(".face-list li.proposed").nth(1).wait_for(state="detached")
    pressed(page, "Write findings")
    page.get_by_role("button", name="It was there before").click()
    said(page, "findings.csv: 1 finding added.")
    (row,) = csv.DictReader((face.folder / "findings.csv").read_text(encoding="utf-8").splitlines())
    assert (row["kind"], row["where"], row["photo"]) == ("delamination", "CS-02-03", PHOTO)
    assert float(row["depth_mm"]) == pytest.approx(1.5, abs=0.3)  # as well as a finger on this screen
    assert float(row["width_mm"]) == pytest.approx(15.0, abs=0.6)
    (shown,), _ = cut_photos(face.folder)
    assert shown.results[0]["mean_mm"]["value"] == pytest.approx(3.0, abs=0.15)
    assert shown.marked.marks[2].face == "below"
    assert shown.results[3]["area_mm2"]["value"] == pytest.approx(
        np.pi * 4.5, rel=0.05
    )  # one, and half of one


@pytest.mark.parametrize("page", TOUCHED[:1], indirect=True, ids=["phone"])
def test_the_photo_stays_where_it_is_whatever_is_chosen_and_set(page):
    place = on_screen(page, [0, 0])
    touch_scale_and_surface(page)
    for name in ("Region to search", "Wrinkle"):
        pressed(page, name)
        assert on_screen(page, [0, 0]) == place
        tap(page, [300, 300])
        page.locator(".face .said", has_text="1 point is set").wait_for()
        assert on_screen(page, [0, 0]) == place


@pytest.mark.parametrize("page", TOUCHED[:1], indirect=True, ids=["phone"])
def test_everything_to_touch_is_large_enough_and_nothing_sticks_out(page):
    small = page.evaluate(
        """() => [...document.querySelectorAll(".face button, .face input, .face select")]
            .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 44)
            .map((one) => one.textContent || one.placeholder)"""
    )
    assert small == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def go(page, place):
    """Move the cross with the arrow keys, as somebody would: far steps, then single pixels; set a point."""
    x, y = page.evaluate("window.crossed ?? [300, 200]")
    for now, to, forth, back in ((x, place[0], "Right", "Left"), (y, place[1], "Down", "Up")):
        key = f"Arrow{forth if to > now else back}"
        far, near = divmod(abs(to - now), 12)
        for press in [key] * far + [f"Shift+{key}"] * near:
            page.keyboard.press(press)
    page.evaluate("(place) => { window.crossed = place; }", place)
    page.keyboard.press("Enter")


def key_tool(page, name):
    page.locator(".face").get_by_role("button", name=name, exact=True).press("Enter")
    assert page.locator("svg.face-photo").evaluate("(one) => document.activeElement === one")


def key_scale_and_surface(page):
    key_tool(page, "Two ends of a length")
    for place in ([300, 388], [100, 388]):
        go(page, place)
    said(page, "Kept in")
    for place in ([12, 79], [588, 79], [588, 60]):
        go(page, place)
    page.keyboard.press("Backspace")
    page.keyboard.press("d")
    page.locator(".face .here", has_text="Choose what to measure").wait_for()


def test_a_cut_is_measured_by_keyboard_alone(page, face):
    key_scale_and_surface(page)
    key_tool(page, "Wrinkle")
    for place in ([200, 91], [220, 99], [240, 103], [260, 99], [280, 91]):
        go(page, place)
    page.keyboard.press("d")
    said(page, "Wrinkle: height 1.2")
    key_tool(page, "Resin pool")
    for place in ([300, 200], [400, 200], [400, 250], [300, 250]):
        go(page, place)
    page.keyboard.press("d")
    said(page, "Resin pool: count 1, area 50.0 mm²")
    place = page.get_by_label("Place of measure 2, resin pool")
    place.fill("CS-99-01")
    place.press("Enter")
    said(page, "measure 2, resin pool")  # refused
    place.fill("CS-02-04")
    place.press("Tab")
    said(page, "Kept in")
    look(page, "cutface-keys")
    page.get_by_role("button", name="Write findings").press("Enter")
    said(page, "findings.csv: 1 finding added.")
    (row,) = csv.DictReader((face.folder / "findings.csv").read_text(encoding="utf-8").splitlines())
    assert (row["kind"], row["where"]) == ("resin pool", "CS-02-04")
    assert "area 5" in row["note"]


def test_a_point_can_be_dragged_and_the_view_zoomed(page):
    pressed(page, "Two ends of a length")
    page.mouse.click(*on_screen(page, [100, 380]))
    page.mouse.move(*on_screen(page, [100, 380]))
    page.mouse.down()
    page.mouse.move(*on_screen(page, [150, 300]), steps=4)
    page.mouse.up()
    page.mouse.click(*on_screen(page, [350, 300]))
    said(page, "Kept in")
    before = page.locator("svg.face-photo").get_attribute("viewBox")
    pressed(page, "Closer")
    assert page.locator("svg.face-photo").get_attribute("viewBox") != before
    pressed(page, "Whole photo")
    assert page.locator("svg.face-photo").get_attribute("viewBox") == before
    text = page.evaluate("async () => (await fetch('/api/cut-photos/cut-02.png')).json()")
    first, second = text["marked"]["scale"]["points_px"]
    assert first == pytest.approx([150, 300], abs=2)
    assert second == pytest.approx([350, 300], abs=2)


def look(page, name):
    """Keep a picture of the page, where somebody wants to look at it."""
    folder = os.environ.get("TAPSCAN_PICTURES")
    if folder:
        size = page.viewport_size["width"]
        page.locator(".face").screenshot(path=str(Path(folder) / f"{name}-{size}.png"))
