"""The question who made a separation at a cut edge, in Chromium: by keyboard, and by touch."""

import shutil

import pytest

from tests.desk.patch import FLAGS, served

sync_api = pytest.importorskip("playwright.sync_api", reason="the playwright package drives the browser")
CHROMIUM = shutil.which("chromium")
if CHROMIUM is None:
    pytest.skip("Debian's chromium is not installed", allow_module_level=True)

PLAN = """\
[[zone]]
code = "PT"
shape = "panel"
stations = 3
positions = 3
station_pitch_mm = 10.0
position_pitch_mm = 10.0
"""


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def part(tmp_path):
    (tmp_path / "inspection.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


def opened(browser, address, **more):
    page = browser.new_context(**more).new_page()
    page.set_default_timeout(90_000)
    page.goto(f"{address}#cut")
    page.get_by_label("delamination").wait_for()
    page.get_by_label("Where", exact=True).fill("PT-02-02")
    return page


def logged(part):
    lines = (part / "findings.csv").read_text(encoding="utf-8").splitlines()
    return [tuple(line.split(",")[at] for at in (0, 1, 11, 12)) for line in lines[1:]]


def test_by_touch_the_cut_made_it(browser, part):
    with served(part) as address:
        page = opened(browser, address, has_touch=True, viewport={"width": 412, "height": 915})
        page.get_by_label("delamination").tap()
        page.get_by_role("button", name="Save finding").tap()
        page.locator("dialog.question", has_text="Saw and drill make separations of their own").wait_for()
        page.get_by_role("button", name="The cut made it").tap()
        page.locator(".answer", has_text="Saved: delamination at PT-02-02").wait_for()
        page.context.close()
    assert logged(part) == [("delamination", "PT-02-02", "cutting", "")]


def test_by_keyboard_cancel_logs_nothing_and_a_named_cause_is_not_asked_about(browser, part):
    with served(part) as address:
        page = opened(browser, address)
        page.get_by_label("disbond").press("Space")
        page.get_by_label("Where", exact=True).press("Enter")
        page.locator("dialog.question").wait_for()
        page.keyboard.press("Escape")
        page.locator("dialog.question").wait_for(state="detached")
        assert not (part / "findings.csv").exists()
        page.get_by_label("What made it").select_option("impact")
        page.get_by_label("Runs from").fill("V1")
        page.get_by_label("Where", exact=True).press("Enter")
        page.locator(".answer", has_text="Saved: disbond at PT-02-02").wait_for()
        page.context.close()
    assert logged(part) == [("disbond", "PT-02-02", "impact", "V1")]
