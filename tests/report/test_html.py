import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser

import matplotlib as mpl
import pytest

from tapscan.plan import Block, block_mask, parse_block
from tapscan.report import write_report
from tapscan.report.pages.html import MOST_EVIDENCE
from tapscan.report.pages.short import SHORT_NAME
from tests.report.fabricated import boom, panel, results_of, scanned, tapped, tube

VOID = {"meta", "br", "img", "link", "hr", "input"}


class Page(HTMLParser):
    """Reads a page strictly: every element closed in order; collects what the tests ask for."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.headings, self.words = [], [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)
        if self.open and re.fullmatch(r"h[1-6]", self.open[-1]):
            self.headings.append(int(self.open[-1][1]))

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


def written(folder, *screened, **part):
    path = write_report(results_of(*screened, **part), folder)
    return Page(path.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    """A part inspected in every way, and the folder of its report."""
    folder = tmp_path_factory.mktemp("results")
    zone = panel(skip=(Block(1, 1, 2, 1),))
    screened = (boom(), scanned(zone, unread=[(2, 3), (20, 15)]), scanned(tube(), spots=((13, 1, 16.0),)))
    page = written(folder, *screened, warnings=["taps/BM-03-02.wav: holds no sound (record the point again)"])
    return page, folder, screened


def test_the_pictures_have_their_names(full):
    _, folder, _ = full
    assert sorted(path.name for path in folder.iterdir()) == [
        "both_BM.png",
        "detectable_BM.png",
        "detectable_PL.png",
        "evidence_BM-A1.png",
        "evidence_BM-T1.png",
        "evidence_BM-T2.png",
        "evidence_PL-A1.png",
        "map_BM.png",
        "map_BM_ascan.png",
        "map_BM_backwall.png",
        "map_BM_depth.png",
        "map_PL.png",
        "map_PL_backwall.png",
        "map_PL_depth.png",
        "report.html",
        "report_short.html",
        "round_BM.png",
        "round_BM_ascan.png",
    ]


def test_the_page_holds_all_it_needs(full):
    page, folder, _ = full
    raw = (folder / "report.html").read_text(encoding="utf-8")
    assert "http:" not in raw
    assert "https:" not in raw
    assert "<script" not in raw
    assert not page.all("link")
    assert len(page.all("img")) == 16
    assert all(image["src"].startswith("data:image/png;base64,") for image in page.all("img"))
    targets = {attrs["id"] for _, attrs in page.tags if "id" in attrs}
    links = [attrs["href"] for attrs in page.all("a") if attrs["href"] != SHORT_NAME]
    assert links
    assert all(link.startswith("#") and link[1:] in targets for link in links)
    assert "url(" not in raw
    assert "@import" not in raw


def test_the_page_can_be_read_without_seeing_it(full):
    page, _, _ = full
    assert page.headings[0] == 1
    assert page.headings.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(page.headings, page.headings[1:], strict=False))
    assert all(len(image["alt"]) > 40 for image in page.all("img"))
    assert all("scope" in head for head in page.all("th"))
    assert page.all("html")[0]["lang"] == "en"
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_every_indication_is_in_the_table(full):
    page, _, screened = full
    for part in screened:
        for one in part.indications:
            assert one.id in page.text
            assert one.peak_point in page.text
    place = "stations 13 to 15, positions 12 to 02, across the datum line"
    assert f"{place} x = 119 to 151 mm, s = 104 to 16 mm Main boom" in page.text
    assert "804 mm² bounds 563 to 1,210 a disc 32 mm across" in page.text
    assert "0.60 mm" in page.text
    assert "a tap test gives no depth" in page.text
    assert "delamination or disbond found by tap test" in page.text
    assert "delamination found by A-scan" in page.text


def test_every_unread_and_skipped_point_is_named(full):
    page, _, screened = full
    listing = page.text.split("What was not inspected")[1].split("What could have been found")[0]
    sections = re.split(
        r"BM · Main boom · tap test|PL · Seat panel · A-scan|BM · Main boom · A-scan", listing
    )[1:]
    for part, section in zip(screened, sections, strict=True):
        blocks = [parse_block(word) for word in section.split()]
        named = block_mask(part.zone, [block for block in blocks if block is not None])
        assert (named == ((part.status == "unread") | (part.status == "skipped"))).all()


def test_warnings_cautions_version_and_checksums_are_there(full):
    page, _, _ = full
    for words in (
        "taps/BM-03-02.wav: holds no sound (record the point again)",
        "Clear is not proof of soundness",
        "Do not use a part under suspicion",
        "maker's instructions, local codes and qualified inspection",
        "extraction at the tool, a fitted respirator, gloves and eye protection",
        "Made with tapscan 0.1.0",
        "ab" * 32,
        "it rests on 438 readings",
        "About 1 in 100 sound points",
    ):
        assert words in page.text
    assert page.all("details")


def test_what_could_have_been_found_is_reported_with_what_it_rests_on(full):
    page, _, _ = full
    result = page.text.split("What could have been found")[1].split("How it was done")[0]
    assert "0.40 8.5 40.1 14.1 the pitch 1.6" in result
    assert "curved like the tube where it is narrowest (19.1 mm radius)" in result
    assert (
        "A-scans could detect delaminations 0.41 to 1.19 mm deep, from 7.1 mm across (set by the pitch)"
        in result
    )
    assert "The beam's width is not in the plan" in result


def test_both_methods_are_side_by_side_only_where_there_are_two(full, tmp_path):
    page, _, _ = full
    result = page.text.split("Both methods")[1].split("What was not inspected")[0]
    assert "BM · Main boom" in result
    assert "PL" not in result
    assert "BM-T1 and BM-A1 Seen by both" in result
    assert "BM-T2 Tap alone: scanned there, no indication" in result
    assert "Both methods" not in written(tmp_path, boom()).text


def test_no_part_is_ever_called_safe(full):
    assert not re.search(r"\bsafe", full[0].text, re.IGNORECASE)


def test_what_people_wrote_is_shown_as_they_wrote_it(tmp_path):
    bad = '<script>alert("x")</script>'
    zone = tube(name=f"Boom {bad} & $\\frac{{1}}$")
    screened = replace(tapped(zone, unread=[(1, 1)], reasons=("<b>odd",)), baseline=f"Good {bad}.")
    page = written(
        tmp_path, screened, name=bad, history="5 < 6 & 7", warnings=[f"taps/{bad}.wav: odd (mend it)"]
    )
    assert not page.all("script")
    assert not page.all("b") or all(not attrs for attrs in page.all("b"))
    assert page.text.count(bad) >= 5
    assert "5 < 6 & 7" in page.text
    assert "$\\frac{1}$" in page.text
    assert "Unread: <b>odd" in page.text


def test_a_file_name_that_is_no_text_does_not_stop_the_report(tmp_path):
    page = written(tmp_path, boom(), warnings=["taps/caf\udce9.wav: fits no point (rename it)"])
    assert "taps/caf?.wav" in page.text


def test_the_same_results_give_the_same_bytes_whatever_the_reader_s_settings(tmp_path):
    results = results_of(boom(), scanned(panel()))
    write_report(results, tmp_path / "one")
    before = dict(mpl.rcParams)
    with mpl.rc_context({"font.size": 20, "axes.grid": True, "xtick.direction": "in", "savefig.dpi": 30}):
        write_report(results, tmp_path / "two")
        assert mpl.rcParams["font.size"] == 20
    assert dict(mpl.rcParams) == before
    names = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert names == sorted(path.name for path in (tmp_path / "two").iterdir())
    for name in names:
        content = (tmp_path / "one" / name).read_bytes()
        assert content == (tmp_path / "two" / name).read_bytes()
        assert b"matplotlib" not in content.lower()


def test_another_process_gives_the_same_bytes(tmp_path):
    script = (
        "import sys, pathlib; from tapscan.report import write_report; "
        "from tests.report.fabricated import boom, results_of; "
        "write_report(results_of(boom()), pathlib.Path(sys.argv[1]))"
    )
    for seed, name in (("1", "one"), ("2", "two")):
        subprocess.run(
            [sys.executable, "-c", script, str(tmp_path / name)],
            check=True,
            env={"PYTHONHASHSEED": seed, "TZ": "UTC"},
        )
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()


def test_a_part_without_indications_is_not_made_to_look_sound(tmp_path):
    page = written(tmp_path, tapped(tube(), spots=()))
    assert "No indication was raised" in page.text
    assert "That is not proof that the part is sound." in page.text
    assert "There is no indication to list." in page.text


def test_a_part_that_could_not_be_read(tmp_path):
    unread = [(i, p) for i in range(1, 41) for p in range(1, 13)]
    page = written(tmp_path, tapped(tube(), spots=(), unread=unread, reasons=("missing",)))
    assert "nothing is known about the part" in page.text
    assert "Unread: missing , 480 points 01-01:40-12" in page.text


def test_a_part_with_nothing_but_a_point(tmp_path):
    page = written(tmp_path, tapped(tube(stations=1, positions=1), spots=()), name="")
    assert "Part without a name" in page.text
    assert "of 1 planned point, 1 is clear, 0 suspect and 0 unread" in page.text


def test_many_indications_are_all_listed_and_the_strongest_shown(tmp_path):
    spots = tuple((i, p, 4.0) for i in range(1, 40, 3) for p in range(1, 13))
    page = written(tmp_path, tapped(tube(), spots=spots))
    assert len([a for a in page.all("td") if a.get("data-label") == "Place on the part"]) == len(spots) == 156
    assert len(page.all("img")) == 3 + MOST_EVIDENCE
    assert f"{156 - MOST_EVIDENCE} more are in the table above without a picture" in page.text


def test_a_huge_zone_is_reported(tmp_path):
    unread = [(i, p) for i in range(1, 400, 3) for p in range(1, 200, 2)]
    zone = tube(stations=400, positions=200)
    page = written(tmp_path, tapped(zone, spots=((100, 1, 300.0), (300, 100, 200.0)), unread=unread))
    assert "2000 more" not in page.text
    assert re.search(r"and [\d,]+ more ranges, listed point by point in points.csv", page.text)


def test_drawing_is_loaded_only_when_something_is_drawn():
    heavy = "('matplotlib', 'jinja2', 'scipy')"
    script = f"import sys, tapscan.report; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"
