"""Every page that commands write, on light and dark screens, as those meet it who see or move otherwise.

It needs Debian's ``chromium``, the playwright package, and the script of axe-core that ``TAPSCAN_AXE`` names.
"""

import shutil

import pytest
from click.testing import CliRunner

from tapscan.cli import main
from tests.desk.patch import DEMO, FLAGS
from tests.desk.test_page import AXE, CHROMIUM, axe, sync_api

pytestmark = pytest.mark.skipif(not AXE, reason="TAPSCAN_AXE does not name the script of axe-core")
PAGES = ("report.html", "report_short.html", "section.html", "pod.html", "change/change.html")
FINDINGS = """\
kind,where,defect,length_mm,depth_mm,note
delamination,BM-01-11:04-02,one,36,0.6,open
none,BM-09:10,,,,
void,BM-12-04,,,,
"""


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """The demonstration with all that commands make of it."""
    before, after = (tmp_path_factory.mktemp("pages") / name for name in ("before", "after"))
    shutil.copytree(DEMO, before, ignore=shutil.ignore_patterns("results"))
    run("analyse", before)
    shutil.copytree(before, after)
    (after / "findings.csv").write_text(FINDINGS, encoding="utf-8")
    for command in (["section", after], ["pod", after], ["compare", before, after]):
        run(*command)
    return after / "results"


def run(*command):
    done = CliRunner().invoke(main, [str(word) for word in command])
    assert done.exit_code == 0, done.output


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_fault_for_those_who_see_or_move_otherwise(browser, results, scheme):
    faults = {}
    for name in PAGES:
        page = browser.new_page(viewport={"width": 820, "height": 1180}, color_scheme=scheme)
        page.goto((results / name).as_uri())
        faults[name] = axe(page)
        page.close()
    assert faults == {name: [] for name in PAGES}
