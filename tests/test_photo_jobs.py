"""Every command on a zone on a photo: grid, compare, section, pod."""

import json
import shutil

import pytest
from click.testing import CliRunner
from PIL import Image

from tapscan.cli import main
from tapscan.plan.photos.scale import area_share
from tapscan.plan.text.reading import parse_plan
from tapscan.synth import simulate_taps, tap_files, write_inspection
from tests.screening.parts import TAPS
from tests.test_photo_zone import (
    DEFECTS,
    FEW,
    PANEL,
    both,  # noqa: F401 - a fixture
    lattice,
    listed,
    photo_plan,
    refused,
    with_photo,
)


def run(*arguments):
    return CliRunner().invoke(main, list(map(str, arguments)), catch_exceptions=False)


@pytest.fixture(scope="module")
def visits(tmp_path_factory):
    """A sound part on a photo, and the same one later: damaged, on another photo that shows it mirrored."""
    home = tmp_path_factory.mktemp("visits")
    grid = parse_plan(PANEL).zones[0]
    mirrored = [(name, 1000 - x, y) for name, x, y in lattice()]
    for name, defects, points, visit in (("before", (), lattice(), 0), ("after", DEFECTS, mirrored, 1)):
        sha = with_photo(home / "source")
        picture = {"photos/lug.png": (home / "source" / "photos" / "lug.png").read_bytes()}
        taps = tap_files(grid, simulate_taps(grid, defects, TAPS, 4, visit=visit))
        plan = photo_plan(listed(points), sha=sha).encode()
        write_inspection(home / name, {"inspection.toml": plan, **picture, **taps})
    return home


def test_areas_carry_the_uncertainty_of_the_scale(both):  # noqa: F811
    panel, photo = both
    share = area_share(photo.inspection.plan.zones[0].layout)
    assert share > 0.03
    for one, other in zip(panel.indications, photo.indications, strict=True):
        # Triangles instead of squares make some per cent of the bounds themselves.
        assert other.area_high_mm2 == pytest.approx(one.area_high_mm2 * (1 + share), rel=0.15)
        assert other.area_low_mm2 == pytest.approx(one.area_low_mm2 * (1 - share), rel=0.25, abs=60.0)


def test_grid_prints_the_photo_and_says_scale_and_what_could_be_found(tmp_path):
    sha = with_photo(tmp_path)
    (tmp_path / "inspection.toml").write_text(photo_plan(listed(lattice()), sha=sha), encoding="utf-8")
    result = run("grid", tmp_path)
    assert result.exit_code == 0
    assert "Points are 10 mm apart; areas are sure to" in result.output
    assert "The scale does not show a tilt of the face" in result.output
    assert "LG: the smallest round delamination that taps could detect" in result.output
    assert (tmp_path / "results" / "photo_LG_A4.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "results" / "detectable_LG.png").stat().st_size > 1000


def test_the_photo_is_printed_at_a_stated_scale(tmp_path):
    from pypdf import PdfReader

    sha = with_photo(tmp_path)
    (tmp_path / "inspection.toml").write_text(photo_plan(listed(lattice()), sha=sha), encoding="utf-8")
    run("grid", tmp_path)
    text = PdfReader(tmp_path / "results" / "photo_LG_A4.pdf").pages[0].extract_text()
    assert "Scale 1 : 1 in the middle of the picture, when printed at 100 %" in text


def test_two_visits_are_compared_point_by_point_by_name(visits):
    result = run("compare", visits / "before", visits / "after", "--json")
    assert result.exit_code == 0
    areas = json.loads((visits / "after/results/change/change.json").read_text(encoding="utf-8"))
    text = json.dumps(areas)
    assert '"new"' in text
    # The damage by its names: about station 7, position 5.
    assert "LG-07-05" in text
    assert (visits / "after/results/change/change_LG_tap.png").stat().st_size > 10_000


def test_findings_are_compared_with_the_map_and_count_for_pod(visits):
    part = visits / "after"
    rows = ["kind,where,defect,length_mm,width_mm", "delamination,LG-05-04:08-06,D1,50,50"]
    rows += ["none,LG-01-01:03-12", "none,LG-12-01:16-12"]
    (part / "findings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    run("analyse", part)
    result = run("section", part, "--json")
    assert result.exit_code == 0
    (defect,) = json.loads(result.stdout)["defects"]
    assert defect["verdict"] == "hit"
    assert (part / "results" / "section_LG.png").stat().st_size > 10_000
    (study,) = json.loads(run("pod", part, "--json").stdout)["studies"]
    assert (study["defects_found"]["count"], study["defects_found"]["of"]) == (1, 1)
    assert study["false_calls"]["count"] == 0


def test_planned_cuts_are_drawn_over_the_photo(visits):
    result = run("section", visits / "after", "--plan-cuts", "--json")
    assert result.exit_code == 0
    cuts = json.loads(result.stdout)["cuts"]
    assert cuts
    assert all(len(cut["ends_mm"]) == 4 for cut in cuts)
    with Image.open(visits / "after" / "results" / "cuts_LG.png") as picture:
        assert picture.size[0] > 500


def test_a_picture_of_200_megapixels_is_refused_by_its_head(tmp_path):
    (tmp_path / "photos").mkdir()
    Image.new("1", (20_000, 10_000)).save(tmp_path / "photos" / "lug.png")
    message = "photos/lug.png has far more than the 100 megapixels that are read (save it smaller"
    assert message in refused(tmp_path, photo_plan(listed(FEW), sha="0" * 64))


def test_a_later_visit_without_its_photo_says_so(visits, tmp_path):
    part = shutil.copytree(visits / "before", tmp_path / "part")
    (part / "photos" / "lug.png").unlink()
    result = CliRunner().invoke(main, ["analyse", str(part)])
    assert result.exit_code == 1
    assert "photos/lug.png is missing (put the photo back" in result.stderr
    assert len(result.stderr.splitlines()) == 1
