"""The whole job on the page, from an empty plan to the report: by keyboard, by touch, and in Firefox.

It needs Debian's ``chromium`` and the playwright package; the last one ``firefox-esr`` and PulseAudio.
"""

import json
import shutil
import subprocess
import time
import tomllib

import pytest

from tapscan.plan.text.template import PLAN_TEMPLATE
from tapscan.records.inspection import open_inspection
from tests.capture.soundcard import needs_sound_server, sound_server
from tests.desk import firefox
from tests.desk.patch import DEMO, FLAGS, nearly_tapped, served, walk_wav

sync_api = pytest.importorskip("playwright.sync_api", reason="the playwright package drives the browser")
CHROMIUM = shutil.which("chromium")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="Debian's chromium is not installed")

ZONE = {
    "code": "PT",
    "shape": "panel",
    "stations": "7",
    "positions": "7",
    "station_pitch_mm": "10",
    "position_pitch_mm": "10",
}
LONG_MS = 120_000


@pytest.fixture
def job(tmp_path):
    """A folder whose plan is still empty, with all points tapped but the last, and the sound of those."""
    root = tmp_path / "part"
    last, rate_hz = nearly_tapped(root)
    (root / "inspection.toml").write_text(PLAN_TEMPLATE, encoding="utf-8")
    walk_wav(tmp_path / "last.wav", last, rate_hz)
    return root, tmp_path / "last.wav"


@pytest.fixture
def browser(job):
    with sync_api.sync_playwright() as playwright:
        flags = [*FLAGS, f"--use-file-for-fake-audio-capture={job[1]}"]
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield chromium
        chromium.close()


def checked(root):
    """What must be in the folder at the end of the job."""
    text = (root / "inspection.toml").read_text(encoding="utf-8")
    zone = tomllib.loads(text)["zone"][0]
    assert {key: str(zone[key]).removesuffix(".0") for key in ZONE} == ZONE
    assert list(zone["notes"].values()) == ["rings dull"]
    assert zone["reference"] == []  # was marked, and undone
    comments = [line.partition("#")[2] for line in PLAN_TEMPLATE.splitlines() if "# tube: circum" not in line]
    assert all(comment in text for comment in comments)
    assert len(open_inspection(root).tap_files) == 49
    findings = (root / "findings.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[0] for line in findings] == ["kind", "delamination"]
    assert "rings dull" in (root / "results/report.html").read_text(encoding="utf-8")


class Keyboard:
    """A person who has nothing but a keyboard."""

    def __init__(self, page):
        self.page, self.press, self.type = page, page.keyboard.press, page.keyboard.type

    def tab_to(self, selector, text=""):
        find = f"document.activeElement.matches({json.dumps(selector)})"
        find += f" && document.activeElement.textContent.includes({json.dumps(text)})"
        for _ in range(150):
            if self.page.evaluate(find):
                return
            self.press("Tab")
        pytest.fail(f"Tab does not reach {selector} {text}")

    def choose(self, selector, text=""):
        self.tab_to(selector, text)
        self.press("Enter")

    def analyse(self):
        self.choose("#analyse")
        self.page.locator("#state", has_text="Analysed and saved").wait_for()
        self.tab_to("#look .map")


@needs_chromium
def test_the_whole_job_by_keyboard_alone(browser, job):
    page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
    page.set_default_timeout(LONG_MS)
    keys = Keyboard(page)
    with served(job[0]) as address:
        page.goto(address)
        plan_by_keyboard(page, keys)
        keys.choose("a[href='#collect']")
        page.locator("#collect .big", has_text="ready").wait_for()
        keys.press("Space")
        page.locator("#collect .big", has_text="all done").wait_for()
        keys.choose("#collect button", "Finish")
        keys.choose("a[href='#look']")
        keys.analyse()
        look_by_keyboard(page, keys)
        keys.analyse()
        keys.choose("#look button", "Log finding")
        page.locator("#cut input[type=radio]:focus").wait_for()
        keys.press("Space")
        keys.press("Enter")
        keys.choose("dialog button", "It was there before")
        page.locator(".answer", has_text="Saved: delamination at PT-").wait_for()
        page.goto("about:blank")
    checked(job[0])


def plan_by_keyboard(page, keys):
    page.locator("form.plan [name='zone.0.code']").wait_for()
    for key, text in ZONE.items():
        keys.tab_to(f"[name='zone.0.{key}']")
        keys.type(text)
    keys.choose("summary", "Tap test")
    keys.tab_to("[name='tap.taps_per_point']")
    keys.press("Control+a")
    keys.type("1")
    keys.press("Enter")
    page.locator(".answer", has_text="Plan saved").wait_for()


def look_by_keyboard(page, keys):
    keys.press("i")
    page.locator("#look .verdict", has_text="suspect").wait_for()
    page.locator(".play").wait_for()
    keys.press("n")
    page.get_by_text("Playing: PT-").first.wait_for()
    keys.press("g")
    page.get_by_role("dialog").get_by_text("damage marked known good hides damage").wait_for()
    keys.press("Tab")
    keys.press("Enter")
    page.locator(".said", has_text="now known good").wait_for()
    keys.tab_to("#look .map")
    keys.press("Control+z")
    page.locator(".said", has_text="Undone: known good").wait_for()
    keys.tab_to("#note")
    keys.type("rings dull")
    keys.press("Control+Enter")
    page.locator(".said", has_text="saved").wait_for()


@needs_chromium
def test_the_whole_job_by_touch_alone(browser, job):
    size = {"width": 820, "height": 1180}
    page = browser.new_context(viewport=size, has_touch=True, color_scheme="dark").new_page()
    page.set_default_timeout(LONG_MS)
    with served(job[0]) as address:
        page.goto(address)
        for key, text in ZONE.items():
            field = page.locator(f"[name='zone.0.{key}']")
            (field.select_option if key == "shape" else field.fill)(text)
        page.get_by_text("Tap test", exact=True).tap()
        page.locator("[name='tap.taps_per_point']").fill("1")
        page.get_by_role("button", name="Save plan").tap()
        page.locator(".answer", has_text="Plan saved").wait_for()
        page.get_by_role("link", name="Collect").tap()
        page.get_by_role("button", name="Start").tap()
        page.locator("#collect .big", has_text="all done").wait_for()
        page.get_by_role("button", name="Finish").tap()
        page.get_by_role("link", name="Map", exact=True).tap()
        page.get_by_role("button", name="Analyse").tap()
        page.locator("#state", has_text="Analysed and saved").wait_for()
        look_by_touch(page)
        page.get_by_role("button", name="Analyse").tap()
        page.locator("#state", has_text="Analysed and saved").wait_for()
        page.get_by_role("button", name="Log finding").tap()
        page.get_by_label("delamination").tap()
        page.get_by_role("button", name="Save finding").tap()
        page.get_by_role("button", name="It was there before").tap()
        page.locator(".answer", has_text="Saved: delamination at PT-").wait_for()
        page.get_by_role("link", name="Map", exact=True).tap()
        with page.expect_popup() as popup:  # one press from the map
            page.locator("#look").get_by_role("link", name="Short report").tap()
        popup.value.get_by_role("heading").first.wait_for()
        page.goto("about:blank")
    checked(job[0])


def look_by_touch(page):
    page.locator("#look button.tag").first.tap()
    page.get_by_role("button", name="+ neighbour").tap()
    page.get_by_text("Playing: PT-").first.wait_for()
    page.get_by_role("button", name="Known good").tap()
    page.get_by_role("dialog").get_by_role("button", name="Mark known good").tap()
    page.locator(".said", has_text="now known good").wait_for()
    page.get_by_role("button", name="Undo: known good").tap()
    page.locator(".said", has_text="Undone: known good").wait_for()
    page.locator("#note").fill("rings dull")
    page.get_by_role("button", name="Save note").tap()
    page.locator(".said", has_text="saved").wait_for()


@needs_chromium
def test_a_block_by_touch_begins_where_the_finger_does_and_ends_with_the_zone(browser, tmp_path):
    root = tmp_path / "demo"
    shutil.copytree(DEMO, root, ignore=shutil.ignore_patterns("results"))
    page = browser.new_context(viewport={"width": 820, "height": 1180}, has_touch=True).new_page()
    page.set_default_timeout(LONG_MS)
    with served(root) as address:
        page.goto(address)
        page.locator("#look .play").wait_for()
        place = page.locator("#look .map svg").bounding_box()
        page.get_by_role("button", name="Select block", pressed=False).tap()
        page.get_by_role("button", name="Select block", pressed=True).wait_for()
        # The map stays where it is: the finger is on its way.
        assert page.locator("#look .map svg").bounding_box() == place
        finger = page.context.new_cdp_session(page)

        def touch(kind, *at):
            points = [{"x": place["x"] + at[0], "y": place["y"] + at[1]}] if at else []
            finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        # Cells are 45 px wide and high, from 46 px on to the right and 40 px downward.
        touch("touchStart", 115, 107)
        touch("touchMove", 160, 152)
        touch("touchMove", 215, 3000)  # over the edge
        # The block shows itself before it is set. A finger lifted at full speed is a fling: the browser then
        # drops the next tap.
        page.locator("#point-name", has_text="Block 02-02:04-12").wait_for()
        page.wait_for_timeout(200)
        touch("touchEnd")
        assert page.locator(".cursor.block").count() == 1
        before = (root / "inspection.toml").read_text(encoding="utf-8")
        page.locator("#look [data-mark=skip]").tap()
        page.get_by_role("dialog").get_by_text("Skip 33 points?").wait_for()
        page.get_by_role("dialog").get_by_role("button", name="Cancel").tap()
        assert (root / "inspection.toml").read_text(encoding="utf-8") == before
        # A tap begins a block, a second one sets the opposite corner.
        place = page.locator("#look .map svg").bounding_box()
        page.touchscreen.tap(place["x"] + 115, place["y"] + 107)
        page.locator("#point-name", has_text="Block 02-02").wait_for()
        page.touchscreen.tap(place["x"] + 160, place["y"] + 152)
        page.locator("#point-name", has_text="Block 02-02:03-03").wait_for()
        page.locator("#look [data-mark=skip]").tap()
        page.get_by_role("dialog").get_by_role("button", name="Skip 4 points").tap()
        page.locator(".said", has_text="BM-02-02:03-03: now skipped").wait_for()
        page.get_by_role("button", name="Undo: skip").tap()
        page.locator(".said", has_text="Undone: skip BM-02-02:03-03").wait_for()
        assert (root / "inspection.toml").read_text(encoding="utf-8") == before
        page.goto("about:blank")


@pytest.mark.slow
@needs_sound_server
@pytest.mark.skipif(firefox.FIREFOX is None, reason="Debian's firefox-esr is not installed")
def test_the_whole_job_in_firefox_with_a_microphone(job, tmp_path):
    root, wav = job
    (tmp_path / "card").mkdir()
    with (
        sound_server(tmp_path / "card") as (environment, _),
        served(root) as address,
        firefox.opened(tmp_path / "profile", environment) as tab,
    ):
        tab.size(1280, 800)
        tab.open(address)
        tab.until("Boolean(document.querySelector(\"[name='zone.0.code']\"))")
        tab.run(filled({**{f"zone.0.{key}": text for key, text in ZONE.items()}, "tap.taps_per_point": "1"}))
        tab.click("button", "Save plan")
        tab.until("document.querySelector('.plan .answer').textContent.includes('Plan saved')")
        tab.click("nav a", "Collect")
        tab.click("button", "Start")
        for _ in range(6):  # who hears no cue strikes again: a busy machine may lose a moment of sound
            subprocess.run(["paplay", "--device=tap", str(wav)], env=environment, check=True)
            time.sleep(1)
            if tab.run("document.querySelector('#collect .big').textContent") == "all done":
                break
        tab.until("document.querySelector('#collect .big').textContent === 'all done'")
        tab.click("button", "Finish")
        tab.click("nav a", "Map")
        analyse(tab)
        tab.click("#look button.tag")
        tab.until("Boolean(document.querySelector('.play'))")
        tab.press("n")
        tab.click("button", "Known good")
        tab.click("dialog button", "Mark known good")
        tab.until("document.querySelector('.said').textContent.includes('now known good')")
        tab.click("button", "Undo")
        tab.until("document.querySelector('.said').textContent.includes('Undone: known good')")
        tab.click("#note")
        tab.type("rings dull")
        tab.click("button", "Save note")
        tab.until("document.querySelector('.said').textContent.includes('saved')")
        analyse(tab)
        tab.click("button", "Log finding")
        tab.click(".kinds label", "delamination")
        tab.click("button", "Save finding")
        tab.click("dialog button", "It was there before")
        tab.until("document.querySelector('#cut .answer').textContent.includes('Saved: delamination')")
        assert tab.run("fetch('/papers/report_short.html').then((one) => one.ok)")
    checked(root)


def filled(values):
    """A script that writes into fields as typing does, so that what listens to them hears of it."""
    return (
        f"for (const [name, text] of Object.entries({values})) {{"
        " const field = document.getElementsByName(name)[0]; field.value = text;"
        " field.dispatchEvent(new Event('input', { bubbles: true })); }"
    )


def analyse(tab):
    tab.click("#analyse")
    tab.until("!document.querySelector('#analyse').disabled", LONG_MS / 1000)
    tab.until("document.querySelector('#state').textContent === 'Analysed and saved'", LONG_MS / 1000)
