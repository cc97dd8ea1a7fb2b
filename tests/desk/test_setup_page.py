"""The setup on the page in a real browser: the latest check, its charts, and checks by touch and by keys."""

import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from tapscan.synth.piece import EARLIER, check_files
from tests.desk.patch import DEMO, FLAGS, served

sync_api = pytest.importorskip("playwright.sync_api", reason="the playwright package drives the browser")
CHROMIUM = shutil.which("chromium")
if CHROMIUM is None:
    pytest.skip("Debian's chromium is not installed", allow_module_level=True)

TABLET = {"viewport": {"width": 820, "height": 1180}, "color_scheme": "dark", "has_touch": True}
LAPTOP = {"viewport": {"width": 1280, "height": 800}, "color_scheme": "light"}


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()


def opened(browser, address, look):
    """The pane where setups are checked; what the page complains about is gathered."""
    context = browser.new_context(**look)
    context.set_default_timeout(60_000)
    page, faults = context.new_page(), []
    context.on("weberror", lambda e: faults.append(str(e.error)))
    page.goto(address)
    page.get_by_role("link", name="Collect").click()
    page.locator("#collect .setup h2").wait_for()
    return page, faults


def kept(page, name):
    """Keep a picture of the pane, where somebody wants to look at it."""
    folder = os.environ.get("TAPSCAN_PICTURES")
    if folder:
        size = page.viewport_size["width"]
        page.locator("#collect .setup").screenshot(path=str(Path(folder) / f"{name}-{size}.png"))


@pytest.fixture
def part(tmp_path):
    """The demo's part without a check, its known piece with the history before it, and files of the piece."""
    part = tmp_path / "part"
    part.mkdir()
    shutil.copy(DEMO / "inspection.toml", part)
    shutil.copytree(DEMO / "photos", part / "photos")  # one of its zones is on a photo
    shutil.copytree(DEMO / "known-piece", tmp_path / "piece")
    for path in (tmp_path / "piece/history").glob("2026-02-08*"):
        path.unlink()
    (tmp_path / "KP.npy").write_bytes(check_files(EARLIER)["ascans/KP.npy"])
    (tmp_path / "weak").mkdir()
    np.save(tmp_path / "weak/KP.npy", np.load(tmp_path / "KP.npy") * np.float32(0.25))
    (tmp_path / "BM-01-01.csv").write_text("time_us,amplitude\n0,1\n", encoding="utf-8")
    return part


def test_the_check_is_shown_with_its_chart_and_the_known_piece_can_be_chosen(tmp_path, browser):
    part = tmp_path / "part"
    shutil.copytree(DEMO, part, ignore=shutil.ignore_patterns("results", "taps", "ascans"))
    shutil.copytree(DEMO / "setup", part / "setup", dirs_exist_ok=True)
    with served(part, "--piece", part / "known-piece") as address:
        page, faults = opened(browser, address, LAPTOP)
        setup = page.locator("#collect .setup")
        setup.locator(".verdict.ready", has_text="Ready").wait_for()
        setup.get_by_text("What was measured").click()
        setup.get_by_text("28 mm at 0.4 mm depth was found by 10 of 10 taps").wait_for()
        chart = setup.locator("img.history").first
        assert chart.evaluate("one => one.decode().then(() => one.naturalWidth)") > 0
        kept(page, "setup-demo")
        setup.get_by_role("button", name="Check the setup").click()
        chosen = page.locator("#collect fieldset select").first
        assert chosen.evaluate("box => box.selectedOptions[0].textContent") == "Demo known piece (synthetic)"
        assert page.evaluate("document.activeElement.textContent.startsWith('Start')")
        page.get_by_text("2 taps at each point").wait_for()
        chosen.select_option("BM")
        page.get_by_text("3 taps at each point").wait_for()
        page.context.close()
    assert faults == []


def test_a_setup_is_checked_with_files_by_touch(part, browser):
    with served(part, "--piece", part.parent / "piece") as address:
        page, faults = opened(browser, address, TABLET)
        setup = page.locator("#collect .setup")
        setup.get_by_text("The setup was not proved").wait_for()
        with page.expect_file_chooser() as chooser:
            setup.locator("input[type=file]").tap()
        chooser.value.set_files([part.parent / "BM-01-01.csv", part.parent / "weak/KP.npy"])
        setup.locator(".verdict.not-ready", has_text="Not ready").wait_for()
        setup.get_by_text("the front-surface echo is lower than in the earlier checks").first.wait_for()
        setup.locator(".stale", has_text="BM-01-01.csv").wait_for()  # a file that is none of the piece's
        setup.get_by_text("What was measured").tap()
        setup.get_by_role("table").wait_for()
        kept(page, "setup-touch")
        small = setup.evaluate(
            """(one) => [...one.querySelectorAll("button, input:not([type=checkbox])")]
                .filter((each) => each.offsetParent && each.getBoundingClientRect().height < 44)
                .map((each) => each.outerHTML)"""
        )
        assert small == []
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.context.close()
    assert faults == []


def test_a_setup_is_checked_with_files_by_keyboard(part, browser):
    with served(part, "--piece", part.parent / "piece") as address:
        page, faults = opened(browser, address, LAPTOP)
        setup = page.locator("#collect .setup")
        setup.get_by_label("Who taps").focus()
        page.keyboard.type("Ann")
        for _ in range(3):  # past the new history and the button, to the files
            page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.type") == "file"
        with page.expect_file_chooser() as chooser:
            page.keyboard.press("Space")
        chooser.value.set_files(part.parent / "KP.npy")
        setup.locator(".verdict.ready", has_text="Ready").wait_for()
        setup.get_by_text(", Ann").first.wait_for()
        setup.get_by_text("What was measured").focus()
        page.keyboard.press("Enter")
        setup.get_by_role("row", name="velocity").first.wait_for()
        kept(page, "setup-keys")
        page.context.close()
    assert faults == []
