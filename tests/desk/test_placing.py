"""A zone on a photo made on the page: by touch, by mouse, by keyboard alone, in Chromium and in Firefox.

The photo is drawn: 5 pixels are 1 mm in it. The browsers' tests need Debian's ``chromium`` and the playwright
package, or Debian's ``firefox-esr``.
"""

import json
import os
import tomllib
from pathlib import Path

import pytest
from PIL import Image, ImageDraw

from tapscan.plan.photos.sharing import shared_points
from tapscan.plan.text.reading import read_plan
from tests.desk import firefox
from tests.desk.patch import watched_page
from tests.desk.test_page import AXE, axe

SIZE = (1200, 900)
PHOTO = "photos/joint.jpg"
OUTLINE = [[150, 150], [1050, 150], [1050, 450], [700, 450], [700, 800], [450, 800], [450, 450], [150, 450]]
RULE = [[200, 850], [700, 850]]  # 100 mm


def keep_photo(folder):
    """Draw a joint of two tubes on a bench, with a rule and a printed square beside it."""
    picture = Image.new("RGB", SIZE, (196, 190, 178))
    pen = ImageDraw.Draw(picture)
    pen.polygon([tuple(place) for place in OUTLINE], fill=(58, 60, 64))
    for shade, inset in ((72, 40), (84, 80)):
        pen.rectangle([150, 150 + inset, 1050, 450 - inset], fill=(shade, shade + 2, shade + 6))
    pen.line([tuple(place) for place in RULE], fill=(20, 20, 20), width=6)
    pen.rectangle([800, 600, 950, 750], fill=(255, 255, 255), outline=(0, 0, 0), width=8)
    (folder / "photos").mkdir(exist_ok=True)
    picture.save(folder / PHOTO, quality=90)


@pytest.fixture
def joint(desk):
    keep_photo(desk.folder)
    return desk


def zone_of(desk):
    return read_plan(desk.folder).zones[2]


@pytest.fixture
def page(browser, joint, request):
    """The plan pane; the page may log no error."""
    with watched_page(browser, *getattr(request, "param", ((1280, 800), "light", False))) as fresh:
        fresh.goto(f"{joint.origin}/?token={joint.door.token}")
        fresh.goto(f"{joint.origin}/#plan")
        fresh.locator(".placing").wait_for()
        yield fresh


def on_screen(page, place):
    """Where a pixel of the photo is on the screen."""
    return page.evaluate(
        """([x, y]) => {
            const svg = document.querySelector(".placing svg.face-photo");
            svg.scrollIntoView({ block: "center" });
            const at = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM());
            return [at.x, at.y];
        }""",
        place,
    )


def press(page, name):
    page.locator(".placing").get_by_role("button", name=name, exact=True).click()


def said(page, words):
    page.locator(".placing .answer", has_text=words).wait_for()


def counted(page, words):
    page.locator(".placing .set-count", has_text=words).wait_for()


def touch(page, *places):
    for place in places:
        page.touchscreen.tap(*on_screen(page, place))


def click(page, *places):
    for place in places:
        page.mouse.click(*on_screen(page, place))


def drag(page, start, end):
    page.mouse.move(*on_screen(page, start))
    page.mouse.down()
    page.mouse.move(*on_screen(page, end), steps=4)
    page.mouse.up()


def has_point(page, place):
    """Wait until a point is drawn here."""
    for _ in range(200):
        drawn = page.locator(".placing .face-dots").first.get_attribute("d")
        dots = [[float(one) for one in dot.split()] for dot in drawn.replace("h0", "").split("M")[1:]]
        if any(dot == pytest.approx(place, abs=2) for dot in dots):
            return
        page.wait_for_timeout(100)
    pytest.fail(f"no point at {place}: {dots}")


def combo(page, name):
    return page.locator(".placing").get_by_role("combobox", name=name, exact=True)


def begin(page):
    page.get_by_label("Code, on the part").last.fill("HT")
    combo(page, "Photo").select_option(PHOTO)
    page.locator(".placing svg.face-photo").wait_for()


def scale_and_outline(page, set_places):
    page.get_by_label("Length, or side of the square, mm").fill("100")
    press(page, "Known length")
    set_places(page, *RULE)
    page.locator(".placing li", has_text="Length 1: 100 mm").wait_for()
    press(page, "Outline")
    set_places(page, *OUTLINE)
    counted(page, "8 places are set.")
    press(page, "Done")


TOUCHED = [((820, 1180), "light", True), ((390, 844), "dark", True)]


@pytest.mark.parametrize("page", TOUCHED, indirect=True, ids=["tablet", "phone"])
def test_a_zone_is_made_by_touch_with_a_bent_grid(page, joint):
    begin(page)
    scale_and_outline(page, touch)
    page.get_by_label("Stations", exact=True).fill("5")
    page.get_by_label("Positions", exact=True).last.fill("3")
    press(page, "Bent grid")
    touch(page, [200, 200], [1000, 200], [1000, 400], [200, 400])
    counted(page, "The grid has 15 points.")
    drag(page, [600, 200], [600, 240])  # the middle handle of the first side
    has_point(page, [600, 240])
    look(page, "placing-grid")
    press(page, "Done")
    counted(page, "15 points.")
    press(page, "Save zone")
    said(page, "Saved: zone HT with 15 points.")
    layout = zone_of(joint).layout
    at = {(one.station, one.position): one.at_px for one in layout.points}
    assert at[1, 1] == pytest.approx((200, 200), abs=2)
    assert at[5, 3] == pytest.approx((1000, 400), abs=2)
    assert at[3, 1] == pytest.approx((600, 240), abs=2)
    assert layout.lengths[0].length_mm == 100
    assert layout.outline_px[3] == pytest.approx((700, 450), abs=2)
    look(page, "placing-saved")
    press(page, "Undo save")
    said(page, "The plan is as it was before")
    assert len(read_plan(joint.folder).zones) == 2
    press(page, "Save zone")
    said(page, "Saved: zone HT")
    assert len(zone_of(joint).layout.points) == 15


def test_points_are_placed_moved_renamed_deleted_and_taken_back(page, joint):
    begin(page)
    scale_and_outline(page, click)
    press(page, "Points one by one")
    click(page, [250, 250], [400, 250], [550, 250])
    counted(page, "3 points.")
    press(page, "Next station")
    click(page, [250, 350])
    counted(page, "4 points.")
    drag(page, [400, 250], [420, 300])
    has_point(page, [420, 300])
    click(page, [550, 250])
    renamed = page.get_by_label("New name")
    assert renamed.input_value() == "01-03"
    renamed.fill("1-2")
    renamed.press("Tab")
    said(page, "01-02 is there already: give each point its own name.")
    renamed.fill("1-7")
    renamed.press("Tab")
    said(page, "01-03 is now 01-07.")
    press(page, "Delete point")
    said(page, "01-07 is deleted; Undo brings it back.")
    counted(page, "3 points.")
    press(page, "Undo")
    counted(page, "4 points.")
    press(page, "Undo")
    press(page, "Redo")
    press(page, "Save zone")
    said(page, "Saved: zone HT with 4 points.")
    points = {(one.station, one.position): one.at_px for one in zone_of(joint).layout.points}
    assert set(points) == {(1, 1), (1, 2), (1, 7), (2, 1)}
    assert points[1, 2] == pytest.approx((420, 300), abs=2)


def test_a_saved_zone_is_opened_again_and_comments_beside_its_points_stay(page, joint):
    begin(page)
    scale_and_outline(page, click)
    press(page, "Points one by one")
    click(page, [250, 250], [400, 250])
    counted(page, "2 points.")
    press(page, "Save zone")
    said(page, "Saved: zone HT with 2 points.")
    path = joint.folder / "inspection.toml"
    text = path.read_text(encoding="utf-8")
    line = next(one for one in text.splitlines() if '"01-01"' in one)
    path.write_text(text.replace(line, f"{line}  # by the weld"), encoding="utf-8")
    page.reload()
    combo(page, "Zone").select_option(label="HT")
    page.locator(".placing svg.face-photo").wait_for()
    press(page, "Points one by one")
    click(page, [800, 300])
    counted(page, "3 points.")
    press(page, "Save zone")
    said(page, "Saved: zone HT with 3 points.")
    assert f"{line}  # by the weld" in path.read_text(encoding="utf-8")
    # The map has the zone, with its photo.
    page.get_by_role("link", name="Map").click()
    page.locator("#look select").first.select_option("HT tap")
    page.locator("#look image.photo").wait_for()
    look(page, "placing-map", "#look")


def test_what_is_wrong_is_said_beside_its_step_and_a_steep_face_needs_another_photo(page):
    begin(page)
    press(page, "Save zone")
    said(page, "Not saved: what is wrong is marked beside the steps.")
    steps = page.locator(".placing fieldset")
    assert "outline is missing for shape" in steps.nth(2).inner_text()
    assert "points is missing for shape" in steps.nth(3).inner_text()
    press(page, "Bent grid")
    said(page, "Set the scale first")
    press(page, "Printed square")
    click(page, [800, 600], [860, 600], [860, 750], [800, 750])
    wrong = steps.nth(1).locator(".wrong")
    page.locator(".placing .wrong", has_text="sees the face at 66° from square on").wait_for()
    assert "take another photo that looks straight at this face" in wrong.inner_text()
    press(page, "Undo")
    press(page, "Printed square")
    click(page, [800, 600], [950, 600], [950, 750], [800, 750])
    page.locator(".placing .quiet", has_text="The face is seen at").wait_for()
    press(page, "Outline")
    click(page, [150, 150], [1050, 150], [1050, 450])
    press(page, "Done")
    press(page, "Points one by one")
    click(page, [300, 700])
    page.locator(".placing .wrong", has_text="outside the outline, or in a hole: 01-01").wait_for()
    look(page, "placing-wrong")
    # Loaded again, what was drawn is there.
    page.reload()
    said(page, "What was drawn before is here again")
    assert page.locator(".placing .face-dots").count() == 2


def test_a_zone_of_the_form_goes_on_with_its_photo(page):
    page.get_by_role("button", name="Add a zone").click()
    box = page.locator(".plan-zone").last
    box.get_by_label("Code, on the part").fill("LG")
    box.get_by_label("Shape").select_option("photo")
    assert not box.get_by_label("Stations (along)").is_visible()
    box.get_by_role("button", name="Place its points on a photo").click()
    page.locator(".placing select:focus").wait_for()
    assert page.locator(".plan-zone").count() == 2  # the form has nothing that is not in the file
    assert page.locator(".placing").get_by_label("Code, on the part").input_value() == "LG"
    page.locator(".plan-zone").first.get_by_label("Name").fill("Stay")
    combo(page, "Photo").select_option(PHOTO)
    press(page, "Save zone")
    said(page, "Save or discard the changes in the form above first")


def test_a_photo_is_chosen_from_the_tablet_and_its_place_taken_out(page, joint, tmp_path):
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (51.0, 30.0, 0.0)}
    with Image.open(joint.folder / PHOTO) as picture:
        picture.save(tmp_path / "IMG 7.jpg", exif=exif)
    page.locator(".placing input[type=file]").last.set_input_files(tmp_path / "IMG 7.jpg")
    page.locator(".placing .stale", has_text="may be the customer's address").wait_for()
    press(page, "Take the place out of the file")
    page.locator(".placing .stale").wait_for(state="detached")
    with Image.open(joint.folder / "photos/IMG-7.jpg") as kept:
        assert not kept.getexif().get_ifd(0x8825)
    assert page.locator(".placing input[capture=environment]").count() == 1


def test_a_second_photo_shows_the_same_points_from_another_side(page, joint):
    begin(page)
    scale_and_outline(page, click)
    press(page, "Points one by one")
    click(page, [250, 250], [400, 250])
    counted(page, "2 points.")
    press(page, "Save zone")
    said(page, "Saved: zone HT with 2 points.")
    combo(page, "Zone").select_option("")
    page.locator(".placing").get_by_label("Code, on the part").fill("HA")
    combo(page, "Same points as").select_option("HT")
    combo(page, "Photo").select_option(PHOTO)
    scale_and_outline(page, click)
    press(page, "Points one by one")
    click(page, [300, 300])
    counted(page, "1 point.")
    press(page, "Save zone")
    said(page, "Saved: zone HA with 1 point.")
    plan = read_plan(joint.folder)
    assert [str(one) for pair in shared_points(plan).items() for one in pair] == ["HA-01-01", "HT-01-01"]


def go(page, place, now):
    """Move the cross with the arrow keys, as somebody would: far steps, then single pixels."""
    for at, to, forth, back in ((now[0], place[0], "Right", "Left"), (now[1], place[1], "Down", "Up")):
        key = f"Arrow{forth if to > at else back}"
        far, near = divmod(abs(to - at), 24)
        for one in [key] * far + [f"Shift+{key}"] * near:
            page.keyboard.press(one)
    return place


def key_photo_and_scale(page, placing):
    placing.get_by_label("Code, on the part").press_sequentially("HT")
    page.keyboard.press("Tab")
    photos = combo(page, "Photo")
    photos.focus()
    page.keyboard.press("j")  # the photo that begins with it
    placing.locator("svg.face-photo").wait_for()
    mm = page.get_by_label("Length, or side of the square, mm")
    mm.focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("100")
    placing.get_by_role("button", name="Known length").press("Enter")
    assert placing.locator("svg.face-photo").evaluate("(one) => document.activeElement === one")
    cross = [600, 450]
    for place in RULE:
        cross = go(page, place, cross)
        page.keyboard.press("Enter")
    placing.locator("li", has_text="Length 1: 100 mm").wait_for()
    return cross


def test_a_zone_is_made_by_keyboard_alone(page, joint):
    placing = page.locator(".placing")
    cross = key_photo_and_scale(page, placing)
    placing.get_by_role("button", name="Outline").press("Enter")
    for place in ([160, 160], [1040, 160], [1040, 440], [160, 440], [160, 300]):
        cross = go(page, place, cross)
        page.keyboard.press("Enter")
    page.keyboard.press("Backspace")
    counted(page, "4 places are set.")
    page.keyboard.press("d")
    placing.get_by_role("button", name="Points one by one").press("Enter")
    for place in ([300, 300], [500, 300], [700, 300]):
        cross = go(page, place, cross)
        page.keyboard.press("Enter")
    counted(page, "3 points.")
    page.keyboard.press("m")  # picked up, carried, put down
    cross = go(page, [724, 324], cross)
    page.keyboard.press("m")
    has_point(page, [724, 324])
    combo(page, "Point").select_option("01-02")
    placing.locator("svg.face-photo").focus()
    page.keyboard.press("Delete")
    counted(page, "2 points.")
    page.keyboard.press("Control+z")
    counted(page, "3 points.")
    placing.get_by_role("button", name="Save zone").press("Enter")
    said(page, "Saved: zone HT with 3 points.")
    points = [one.at_px for one in zone_of(joint).layout.points]
    assert points == [(300, 300), (500, 300), (724, 324)]
    assert zone_of(joint).layout.outline_px[0] == (160, 160)


@pytest.mark.parametrize("page", TOUCHED, indirect=True, ids=["tablet", "phone"])
def test_everything_to_touch_is_large_enough_and_nothing_sticks_out(page):
    begin(page)
    small = page.evaluate(
        """() => [...document.querySelectorAll(".placing :is(button, input, select)")]
            .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 44)
            .map((one) => one.outerHTML)"""
    )
    assert small == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


LOOKS = [((1280, 800), "dark", False), ((820, 1180), "light", True), ((390, 844), "dark", True)]


@pytest.mark.skipif(not AXE, reason="TAPSCAN_AXE does not name the script of axe-core")
@pytest.mark.parametrize("page", LOOKS, indirect=True, ids=["desk dark", "tablet light", "phone dark"])
def test_the_page_has_no_fault_for_those_who_see_or_move_otherwise(page):
    begin(page)
    scale_and_outline(page, click)
    press(page, "Points one by one")
    click(page, [250, 250], [400, 250], [550, 250], [300, 700])
    page.locator(".placing .wrong", has_text="outside the outline").wait_for()
    look(page, "placing-axe")
    assert axe(page) == []


@pytest.mark.skipif(firefox.FIREFOX is None, reason="Debian's firefox-esr is not installed")
def test_a_zone_is_made_in_firefox(joint, tmp_path):
    with firefox.opened(tmp_path / "profile") as tab:
        tab.size(1280, 900)
        tab.open(f"{joint.origin}/?token={joint.door.token}")
        tab.open(f"{joint.origin}/#plan")
        option = f"document.querySelector('.placing option[value=\"{PHOTO}\"]')"
        tab.until(f"{option} !== null")
        choose = "(one, value) => { one.value = value; one.dispatchEvent(new Event('change')); }"
        tab.run(f"({choose})([...document.querySelectorAll('.placing input')][0], 'HT')")
        tab.run(f"({choose})({option}.parentElement, '{PHOTO}')")
        tab.until("document.querySelector('.placing svg.face-photo').checkVisibility()")
        place_in_firefox(tab)
        tab.click(".placing button", "Save zone")
        tab.until("document.querySelector('.placing').textContent.includes('Saved: zone HT with 8 points')")
    zone = zone_of(joint)
    assert zone.grid_shape == (4, 2)
    at = {(one.station, one.position): one.at_px for one in zone.layout.points}
    assert at[4, 2] == pytest.approx((1000, 400), abs=2)
    assert tomllib.loads((joint.folder / "inspection.toml").read_text(encoding="utf-8"))["zone"][2]["points"]


def place_in_firefox(tab):
    def point(place):
        where = f"""(() => {{ const svg = document.querySelector('.placing svg.face-photo');
            svg.scrollIntoView({{ block: 'center' }});
            const at = new DOMPoint({place[0]}, {place[1]}).matrixTransform(svg.getScreenCTM());
            return `${{at.x}} ${{at.y}}`; }})()"""
        tab.click_at(*map(float, tab.run(where).split()))

    def wait(words):
        tab.until(f"document.querySelector('.placing').textContent.includes({json.dumps(words)})")

    tab.click(".placing button", "Known length")
    for place in RULE:
        point(place)
    wait("Length 1: 50 mm")
    tab.click(".placing button", "Outline")
    for place in OUTLINE:
        point(place)
    wait("8 places are set.")
    tab.press("d")
    fields = "[...document.querySelectorAll('.placing input[type=number]')]"
    tab.run(f"{fields}[0].value = 4; {fields}[1].value = 2; 0")
    tab.click(".placing button", "Bent grid")
    for place in ([200, 200], [1000, 200], [1000, 400], [200, 400]):
        point(place)
    wait("The grid has 8 points.")
    tab.press("d")
    wait("Points one by one: Click to place the next point.")
    wait("areas are sure to")  # the desk's answer is there: no button moves any more


def look(page, name, place=".placing"):
    """Keep a picture of the page, where somebody wants to look at it."""
    folder = os.environ.get("TAPSCAN_PICTURES")
    if folder:
        size = page.viewport_size["width"]
        page.locator(place).screenshot(path=str(Path(folder) / f"{name}-{size}.png"))
