"""The setup on the page in a real browser: its latest check, its charts, and the known piece to tap."""

import shutil

import pytest

from tests.desk.patch import DEMO, FLAGS, served

sync_api = pytest.importorskip("playwright.sync_api", reason="the playwright package drives the browser")
CHROMIUM = shutil.which("chromium")
if CHROMIUM is None:
    pytest.skip("Debian's chromium is not installed", allow_module_level=True)


def test_the_check_is_shown_with_its_chart_and_the_known_piece_can_be_chosen(tmp_path):
    part = tmp_path / "part"
    shutil.copytree(DEMO, part, ignore=shutil.ignore_patterns("results", "taps", "ascans"))
    shutil.copytree(DEMO / "setup", part / "setup", dirs_exist_ok=True)
    with sync_api.sync_playwright() as playwright, served(part, "--piece", part / "known-piece") as address:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
        page.set_default_timeout(120_000)
        faults = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(address)
        page.get_by_role("link", name="Collect").click()
        setup = page.locator("#collect .setup")
        setup.locator(".verdict.ready", has_text="Ready").wait_for()
        setup.get_by_text("What was measured").click()
        setup.get_by_text("28 mm at 0.4 mm depth was found by 10 of 10 taps").wait_for()
        chart = setup.locator("img.history").first
        assert chart.evaluate("one => one.decode().then(() => one.naturalWidth)") > 0
        setup.get_by_role("button", name="Check the setup").click()
        chosen = page.locator("#collect fieldset select").first
        assert chosen.evaluate("box => box.selectedOptions[0].textContent") == "Demo known piece (synthetic)"
        assert page.evaluate("document.activeElement.textContent.startsWith('Start')")
        page.get_by_text("2 taps at each point").wait_for()
        chosen.select_option("BM")
        page.get_by_text("3 taps at each point").wait_for()
        browser.close()
    assert faults == []
