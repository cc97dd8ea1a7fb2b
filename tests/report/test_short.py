import os
import shutil
import subprocess

import pytest
from pypdf import PdfReader

from tapscan.report import write_report
from tapscan.report.maps.palette import css_variables
from tapscan.report.pages.short import SHORT_NAME
from tests.report.fabricated import boom, panel, results_of, scanned, tapped, tube
from tests.report.test_html import Page

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def short(folder, *screened, **part):
    write_report(results_of(*screened, **part), folder)
    return (folder / SHORT_NAME).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def text(tmp_path_factory):
    """The short report of three zones, one of them with more indications than it lists."""
    many = tapped(tube("CS", stations=60), tuple((4 + 8 * n, 4, 12.0 + n) for n in range(7)))
    return short(tmp_path_factory.mktemp("short"), boom(), scanned(panel()), many)


def test_the_page_has_verdict_maps_table_and_limits(text):
    page = Page(text)
    assert page.headings == [1, 2, 2, 2]
    for words in ("Verdict of the qualified person", "Signature", "Limits and cautions", "No.", "BM-T1"):
        assert words in page.text
    assert len([one for one in page.all("input") if one["type"] == "checkbox"]) == 4
    assert len(page.all("img")) == 2
    assert all(len(image["alt"]) > 40 for image in page.all("img"))
    assert "Clear is not proof of soundness" in page.text
    assert "unread" in page.text
    assert "safe" not in page.text
    assert "<script" not in text


def test_what_does_not_fit_is_counted(text):
    page = Page(text)
    found = 2 + len(scanned(panel()).indications) + 7
    assert f"{found - 6} more, smaller, are listed in report.html." in page.text
    assert "Maps of PL (A-scan) are in report.html." in page.text


def test_a_clear_part_is_not_called_sound(tmp_path):
    page = Page(short(tmp_path, tapped(tube(stations=12), ())))
    assert "No indication was raised: no area differed from the baseline." in page.text
    assert "Clear is not proof of soundness" in page.text


def test_dark_screens_get_dark_pages_and_paper_stays_light(text):
    dark = css_variables(dark=True)
    rule = text[text.index("@media screen and (prefers-color-scheme: dark)") :].split("\n")[0]
    assert f"--paper: {dark['paper']};" in rule
    assert f"--ink: {dark['ink']};" in rule


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium to print with")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_on_one_page(text, paper, tmp_path):
    page = tmp_path / "short.html"
    page.write_text(text.replace("</style>", f"@page {{ size: {paper} }}</style>"), encoding="utf-8")
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    target = f"--print-to-pdf={tmp_path / 'short.pdf'}"
    home = {**os.environ, "HOME": str(tmp_path)}
    subprocess.run([CHROMIUM, *flags, target, page.as_uri()], check=True, capture_output=True, env=home)
    pages = PdfReader(tmp_path / "short.pdf").pages
    assert len(pages) == 1
    assert round(float(pages[0].mediabox.width)) == {"A4": 595, "Letter": 612}[paper]
