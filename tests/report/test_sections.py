from dataclasses import replace

import numpy as np
import pytest

from tapscan.plan import Block, Part
from tapscan.report.cuts.faces import draw_cut_face
from tapscan.report.cuts.joints import draw_joint
from tapscan.report.cuts.sections import draw_section
from tapscan.report.cuts.strips import cut_lines, draw_cut_lines
from tapscan.report.maps.figures import drawing, png_bytes
from tapscan.report.pages.section_page import (
    SectionReport,
    false_call_text,
    found_text,
    share_text,
    write_sections,
)
from tapscan.report.pages.story import story_of
from tapscan.sectioning.comparing import compare
from tapscan.sectioning.cut_photos import CutPhoto
from tapscan.sectioning.findings.recorded import Finding
from tapscan.sectioning.joints import joint_of
from tapscan.sectioning.measured import Mark, Marked, ScaleMark, results_of
from tapscan.sectioning.pod.binomial import share
from tests.report.fabricated import boom, panel, plan_of, scanned, tube

ROWS = (
    Finding("none", "BM", (Block(14, 1, 14, 12),)),
    Finding("delamination", "BM", (Block(14, 12, 14, 2),), "D1", depth_mm=0.5, length_mm=30.0, width_mm=32.0),
    Finding("none", "BM", (Block(22, 1, 22, 12),)),
    Finding("porosity", "BM", (Block(22, 4, 22, 5),), note="<b>small</b> & round"),
)  # fmt: skip


@pytest.fixture
def compared():
    screened = boom()
    return compare(plan_of(screened.zone), screened, ROWS)


def drawn(figure):
    """Every gid in a figure, with how often it occurs."""
    found = [artist.get_gid() for artist in figure.findobj() if artist.get_gid()]
    return {gid: found.count(gid) for gid in found}


def test_a_drawing_holds_both_sides(compared):
    with drawing():
        held = drawn(draw_section(compared, ROWS))
    assert held["indication BM-T1"] >= 1
    assert held["defect D1"] >= 2  # across the datum line it shows twice
    assert held["hit"] == 1
    assert {"not cut", "separation", "another flaw", "clear and sound", "datum line"} <= set(held)
    assert "miss" not in held


def test_defects_of_one_outline_are_drawn_once():
    screened = boom()
    rows = tuple(Finding("void", "BM", (Block(14, 4, 14, 5),), line=2 + k) for k in range(300))
    with drawing():
        figure = draw_section(compare(plan_of(screened.zone), screened, rows), rows)
    assert drawn(figure)["defect F1"] == 1
    assert "F1 and 299 more" in [text.get_text() for text in figure.findobj() if hasattr(text, "get_text")]


def test_nothing_cut_is_all_grey_and_has_no_outcome():
    screened = boom()
    with drawing():
        held = drawn(draw_section(compare(plan_of(screened.zone), screened, []), []))
    assert "not cut" in held
    assert not {"hit", "miss", "false call", "clear and sound"} & set(held)


@pytest.mark.parametrize(
    "zone",
    [tube(stations=3, positions=3), tube(stations=60, positions=8), tube(end_mm=60.0), panel(stations=2)],
)
def test_odd_zones_are_drawn(zone):
    screened = scanned(zone, spots=())
    rows = [
        Finding("disbond", zone.code, (Block(1, 1, 2, 2),)),
        Finding("void", zone.code, (Block(2, 3, 2, 3),)),
    ]
    with drawing():
        assert png_bytes(draw_section(compare(plan_of(zone), screened, rows), rows)).startswith(b"\x89PNG")


def test_a_defect_across_the_datum_line_is_outlined_where_it_is_as_large_as_it_was_measured(compared):
    with drawing():
        figure = draw_section(compared, ROWS)
        rings = [artist.get_xy() for artist in figure.findobj() if artist.get_gid() == "defect D1"]
    for ring in rings:
        assert np.ptp(ring[:, 0]) == pytest.approx(30.0)
        assert np.ptp(ring[:, 1]) == pytest.approx(32.0)
        assert (ring[:, 1].max() + ring[:, 1].min()) / 2 % 120 == pytest.approx(0.0)  # position 01


def report_of(*compared, **changes):
    given = {
        "part": Part(name="<Trike>"), "version": "1", "compared": compared, "findings": ROWS,
        "false_call_rate": 0.01, "warnings": ("a warning",), "origin": {"run": "1", "inputs": "2"},
    }  # fmt: skip
    return SectionReport(**{**given, **changes})


def test_the_page_says_what_is_not_known_and_escapes(compared, tmp_path):
    page = write_sections(report_of(compared), tmp_path).read_text(encoding="utf-8")
    assert "Nothing is known of what was not cut." in page
    assert "fitted respirator" in page
    assert "&lt;Trike&gt;" in page
    assert "&lt;b&gt;small&lt;/b&gt; &amp; round" in page
    assert "<b>small" not in page
    assert "a warning" in page
    assert "1 of 1 delaminations and disbonds that were cut had been found" in page
    written = {path.name for path in (tmp_path / "results").iterdir()}
    assert written == {
        "cut_lines_BM_tap.png",
        "manifest.json",
        "section.html",
        "section_BM.png",
        "sections.csv",
        "sections.json",
    }


def test_the_same_findings_give_the_same_bytes(compared, tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write_sections(report_of(compared), tmp_path / name)
    for path in (tmp_path / "a/results").iterdir():
        assert path.read_bytes() == (tmp_path / "b/results" / path.name).read_bytes()


def test_two_methods_of_a_zone_have_a_drawing_each(tmp_path):
    zone = panel()
    both = [scanned(zone), scanned(zone)]
    rows = (Finding("none", zone.code, (Block(1, 1, 1, 16),)),)
    compared = tuple(compare(plan_of(zone), one, rows) for one in both)
    write_sections(report_of(*compared, findings=rows), tmp_path)
    assert {path.name for path in (tmp_path / "results").glob("*.png")} == {
        "section_PL.png", "section_PL_ascan.png",
    }  # fmt: skip


def test_results_never_leave_the_inspection(compared, tmp_path):
    (tmp_path / "home").mkdir()
    (tmp_path / "home/results").symlink_to(tmp_path)
    with pytest.raises(Exception, match="is a link out of the inspection"):
        write_sections(report_of(compared), tmp_path / "home")


def test_shares_in_words(compared):
    assert share_text(share(1, 29)) == "1 of 29 (3.4 %, between 0.1 and 17.8 %)"
    assert share_text(share(0, 0)) == "none of none"
    assert found_text(compared).endswith("with 95 % confidence, that at least 5 % of such are found.")


def test_the_story_is_in_the_order_in_which_it_happened(tmp_path):
    screened = boom()
    rows = (
        Finding("delamination", "BM", (Block(14, 12, 14, 2),), "D1", 0.5, cause="impact", starts_at="V1"),
        Finding("planar void", "BM", (Block(14, 1, 14, 1),), "V1", length_mm=4.0),
        Finding("crack", "BM", (Block(22, 4, 22, 5),), "C1"),
        Finding("disbond", "BM", (Block(22, 9, 22, 9),), "S1", cause="cutting"),
    )
    compared = compare(plan_of(screened.zone), screened, rows)
    story = story_of([compared], rows)
    assert [title for title, _ in story] == [
        "There from manufacture",
        "What load and service made of it",
        "Of unknown age",
        "What the map had said",
        "Done by the cut itself, neither hit nor miss",
    ]
    chapters = dict(story)
    assert chapters["There from manufacture"] == ("V1: planar void at BM-14-01, 4 mm long.",)
    assert chapters["What load and service made of it"] == (
        "D1: delamination at BM-14-12:14-02, 0.5 mm deep. It runs from V1. From impact.",
    )
    assert chapters["Of unknown age"] == ("C1: crack at BM-22-04:22-05.",)
    assert any("D1, delamination: hit by BM-T1" in sentence for sentence in chapters["What the map had said"])
    assert not any("S1" in sentence for sentence in chapters["What the map had said"])
    with drawing():
        assert drawn(draw_section(compared, rows))["from cutting"] == 1
    report = SectionReport(plan_of(screened.zone).part, "1", (compared,), rows, 0.01, (), {})
    page = write_sections(report, tmp_path).read_text(encoding="utf-8")
    at = [page.index(f"<h4>{title}</h4>") for title, _ in story]
    assert at == sorted(at)
    assert "cause: impact, runs from V1" in page


def test_a_measured_photo_is_drawn_and_listed_on_the_page(compared, tmp_path):
    marked = Marked(
        photo="photos/<cut>.png",
        cut="BM-14",
        who="A. Person",
        when="2026-02-03",
        scale=ScaleMark(points_px=((10, 90), (110, 90)), length_mm=10.0),
        surface_px=((0, 10), (119, 10)),
        region_px=((5, 5), (115, 5), (115, 95), (5, 95)),
        marks=(
            Mark(kind="delamination", where="BM-14-01", px=(((20, 15), (60, 15)),)),
            Mark(kind="void", state="proposed", px=(((70, 40), (80, 40), (80, 50)),)),
        ),
    )
    grey = np.full((100, 120), 150, dtype=np.uint8)
    photo = CutPhoto(marked, tuple(results_of(marked, lambda: grey)), grey)
    with drawing():
        held = drawn(draw_cut_face(photo))
    assert {"scale", "outer surface", "region", "mark 1", "mark 2"} <= set(held)
    page = write_sections(replace(report_of(compared), photos=(photo,)), tmp_path).read_text(encoding="utf-8")
    assert (tmp_path / "results/cut_-cut-.png").is_file()
    assert "photos/&lt;cut&gt;.png" in page
    assert "cut BM-14, A. Person, 2026-02-03" in page
    assert "1. delamination at BM-14-01: length 4.00 mm ±" in page
    assert "2. void (proposed by the computer, not accepted): count 1" in page
    assert "A sawn face smears resin" in page


def test_the_adhesive_of_both_faces_is_drawn_over_the_joint(compared, tmp_path):
    def layer(face, low, high):
        pairs = tuple(((x, low), (x, high + x / 40)) for x in (20, 60, 100))
        return Mark(kind="adhesive thickness", where="BM-14-01", px=pairs, face=face)

    marked = Marked(
        photo="photos/joint.png",
        scale=ScaleMark(points_px=((10, 90), (110, 90)), length_mm=10.0),
        surface_px=((0, 10), (119, 10)),
        marks=(layer("above", 20, 22), layer("below", 60, 69)),
    )
    grey = np.full((100, 120), 150, dtype=np.uint8)
    photo = CutPhoto(marked, tuple(results_of(marked, lambda: grey)), grey)
    with drawing():
        lines = {one.get_gid(): one for one in draw_joint(joint_of(marked)).axes[0].get_lines()}
    above, below = (lines[f"face {face}"].get_xydata() for face in ("above", "below"))
    assert above == pytest.approx(np.array([[0.0, 0.25], [4.0, 0.35], [8.0, 0.45]]), abs=1e-2)
    assert below == pytest.approx(np.array([[0.0, -0.95], [4.0, -1.05], [8.0, -1.15]]), abs=1e-2)
    page = write_sections(replace(report_of(compared), photos=(photo,)), tmp_path).read_text(encoding="utf-8")
    assert (tmp_path / "results/joint_joint.png").is_file()
    assert "1. adhesive thickness, above at BM-14-01: count 3, mean 0.350 mm ±" in page
    assert "Face below: 3 places, mean 1.05 mm ±" in page
    assert "The adhesive below is thicker than that above, by 0.70 mm ±" in page


def test_along_a_cut_what_was_called_is_above_what_was_found(compared):
    lines = cut_lines(compared)
    assert [one.name for one in lines] == ["station 14"]  # station 22 shows nothing that the map looks for
    (line,) = lines
    assert np.flatnonzero(line.found).tolist() == [0, 1, 11]
    assert line.found_mm == pytest.approx(3 * line.pitch_mm)
    called = [one.points for one in compared.screened.indications]
    assert np.count_nonzero(line.called) == sum(
        name.startswith("BM-14-") for names in called for name in names
    )
    with drawing():
        figure = draw_cut_lines(lines)
    held = drawn(figure)
    assert held["called station 14"] == held["found station 14"] == 1
    assert "not known station 14" not in held
    (axes,) = figure.axes
    bars = next(one for one in axes.collections if one.get_gid() == "found station 14")
    assert sum(np.ptp(path.vertices[:, 0]) for path in bars.get_paths()) == pytest.approx(line.found_mm)


def test_what_the_cut_damaged_is_not_known_along_it():
    screened = boom()
    rows = (*ROWS, Finding("disbond", "BM", (Block(14, 5, 14, 6),), cause="cutting"))
    (line,) = cut_lines(compare(plan_of(screened.zone), screened, rows))
    assert np.flatnonzero(~line.cut).tolist() == [4, 5]
    with drawing():
        assert drawn(draw_cut_lines([line]))["not known station 14"] == 1


def test_false_calls_at_the_rim_of_damage_are_counted_apart(compared):
    """A tap hears half of what is beside it: the requested rate does not count there."""
    outcome, reason = compared.outcome.copy(), compared.reason.copy()
    sound = np.argwhere(outcome == "clear and sound")[:3]
    outcome[tuple(sound.T)] = "false call"
    reason[tuple(sound.T)] = "nothing on the cut explains it"
    alone = false_call_text(replace(compared, outcome=outcome, reason=reason), 0.01)
    assert "next to a defect" not in alone
    reason[tuple(sound[:2].T)] = (
        "next to a defect, whose edge may be between the points; just above the limit"
    )
    some = false_call_text(replace(compared, outcome=outcome, reason=reason), 0.01)
    assert some.startswith(alone)
    assert some.endswith(
        " 2 of these are next to a defect, whose edge may be between the points; "
        "the requested rate is for points farther away."
    )
