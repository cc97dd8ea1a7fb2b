"""A zone on a photo, as a user has it: the recordings of a panel with a grid, and all that can be wrong."""

import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import tapscan
from tapscan.capture.course import plan_course
from tapscan.errors import TapscanError
from tapscan.pictures import sha256_of
from tapscan.plan.text.reading import parse_plan
from tapscan.synth import Defect, simulate_taps, tap_files, write_inspection
from tests.screening.parts import TAPS, WALL

STATIONS, POSITIONS, PITCH_MM, PX_PER_MM = 16, 12, 10.0, 5.0
PANEL = f"""{WALL}
[[zone]]
code = "LG"
shape = "panel"
stations = {STATIONS}
positions = {POSITIONS}
station_pitch_mm = {PITCH_MM}
position_pitch_mm = {PITCH_MM}

[tap]
taps_per_point = 2
"""
DEFECTS = (Defect(x_mm=62.0, s_mm=48.0, radius_mm=25.0, depth_mm=0.3),)


def photo_plan(points: str, *, scale: str = "", more: str = "", sha: str = "") -> str:
    right, low = (STATIONS * PITCH_MM + 20) * PX_PER_MM, (POSITIONS * PITCH_MM + 20) * PX_PER_MM
    a, b = 20 * PX_PER_MM, 20 * PX_PER_MM
    scale = (
        scale or f"scale = [{{from = [{a}, {b}], to = [{right}, {b}], length_mm = {STATIONS * PITCH_MM}}}]"
    )
    return f"""{WALL}
[[zone]]
code = "LG"
name = "Lug"
shape = "photo"
photo = "photos/lug.png"
photo_sha256 = "{sha}"
{scale}
outline = [[{a}, {b}], [{right}, {b}], [{right}, {low}], [{a}, {low}]]
points = {points}
{more}

[tap]
taps_per_point = 2
"""


def lattice() -> list[tuple[str, float, float]]:
    return [
        (
            f"{i:02d}-{p:02d}",
            (20 + (i - 0.5) * PITCH_MM) * PX_PER_MM,
            (20 + (p - 0.5) * PITCH_MM) * PX_PER_MM,
        )
        for i in range(1, STATIONS + 1)
        for p in range(1, POSITIONS + 1)
    ]


def listed(points) -> str:
    return "[" + ", ".join(f'["{name}", {_text(x)}, {_text(y)}]' for name, x, y in points) + "]"


def _text(px: float) -> str:
    return str(px) if isinstance(px, int) else f"{px:g}"


def with_photo(folder: Path) -> str:
    """Put a photo into the folder, and give its digest."""
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    path = folder / "photos" / "lug.png"
    shade = np.linspace(90, 160, 1000).astype(np.uint8)
    Image.fromarray(np.repeat(np.repeat(shade[None, :, None], 800, 0), 3, 2)).save(path)
    return sha256_of(path)


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    folder = tmp_path_factory.mktemp("photo")
    zone = parse_plan(PANEL).zones[0]
    taps = tap_files(zone, simulate_taps(zone, DEFECTS, TAPS, 4))
    write_inspection(folder / "panel", {"inspection.toml": PANEL.encode(), **taps})
    sha = with_photo(folder)
    photo = {"photos/lug.png": (folder / "photos" / "lug.png").read_bytes()}
    plan = photo_plan(listed(lattice()), sha=sha)
    write_inspection(folder / "photo", {"inspection.toml": plan.encode(), **photo, **taps})
    return tuple(tapscan.analyse(tapscan.open_inspection(folder / name)) for name in ("panel", "photo"))


def test_a_panel_entered_as_a_photo_has_the_same_statuses(both):
    panel, photo = (results.screened[0] for results in both)
    assert (panel.status == "suspect").any()
    assert (photo.status == panel.status).all()
    assert photo.p_value == pytest.approx(panel.p_value, rel=1e-6, nan_ok=True)


def test_a_panel_entered_as_a_photo_has_the_same_areas(both):
    panel, photo = (results.indications for results in both)
    assert len(panel) == len(photo) > 0
    for one, other in zip(panel, photo, strict=True):
        assert other.points == one.points
        assert other.area_mm2 == pytest.approx(one.area_mm2, rel=0.03)
        assert other.area_low_mm2 < one.area_mm2 < other.area_high_mm2


def test_places_and_inputs_are_those_of_the_photo(both):
    photo = both[1]
    rows = photo.points
    assert rows["x_mm"][:2] == pytest.approx([5.0, 5.0])
    assert rows["s_mm"][:2] == pytest.approx([5.0, 15.0])
    assert photo.summary["inputs"]["photos/lug.png"] == photo.inspection.plan.zones[0].layout.sha256


def test_the_report_is_written_with_the_photo(both):
    photo = both[1]
    photo.save()
    results = photo.inspection.folder / "results"
    assert (results / "map_LG.png").stat().st_size > 10_000
    assert not list(results.glob("round_*"))
    assert (results / "photo_LG_marked_A4.pdf").read_bytes().startswith(b"%PDF")
    page = (results / "report.html").read_text(encoding="utf-8")
    assert "photo_LG_marked_A4.pdf" in page
    assert "Drawn over the photo, as the camera saw the part" in page
    assert re.search(r"Map over the photo of zone LG, [^:]+: 192 points\.", page)
    assert "Station 1 is at the left" not in page
    lines = (results / "outline_LG.csv").read_text(encoding="utf-8").splitlines()
    head = lines[0].split(",")
    assert head[:2] == ["indication", "corner"]
    # The two landmarks are points at opposite corners.
    assert {name[5:13] for name in head[4:]} in ({"LG-01-01", "LG-16-12"}, {"LG-01-12", "LG-16-01"})
    x, s, first, _ = map(float, lines[1].split(",")[2:])
    corner = (5.0, 5.0) if "01-01" in head[4] else (5.0, 115.0)
    assert first == pytest.approx(np.hypot(x - corner[0], s - corner[1]), abs=0.1)


FEW = [("01-01", 200.0, 200.0), ("01-02", 260.0, 200.0), ("02-01", 200.0, 260.0), ("02-02", 260.0, 260.0)]


TWO_SCALES = """scale = [{from = [5, 5], to = [95, 5], length_mm = 50}]
square = {corners = [[0, 0], [9, 0], [9, 9], [0, 9]], side_mm = 30}"""


def refused(folder: Path, plan: str) -> str:
    folder.mkdir(exist_ok=True)
    (folder / "inspection.toml").write_text(plan, encoding="utf-8")
    with pytest.raises(TapscanError) as caught:
        tapscan.open_inspection(folder)
    return str(caught.value)


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ([*FEW, ("02-02", 300.0, 300.0)], "points: 02-02 is there twice (give each point its own name)"),
        ([*FEW, ("02-03", 260.2, 260.0)], "points: 02-02 and 02-03 are at one place"),
        ([*FEW, ("02-03", 950.0, 260.0)], "points: outside the outline, or in a hole: 02-03"),
        ([*FEW, ("A-3", 250.0, 260.0)], "points: 'A-3' is not a point"),
        ([*FEW, ("00-03", 250.0, 270.0)], "points: '00-03' counts from 0"),
        ([], "there is no point (add points = …"),
        ([("01-01", 10**400, 5)], "points cannot be read"),
    ],
)
def test_points_that_cannot_be_are_refused(tmp_path, points, message):
    sha = with_photo(tmp_path)
    assert message in refused(tmp_path, photo_plan(listed(points), sha=sha))


@pytest.mark.parametrize(
    ("scale", "message"),
    [
        ("holes = []", "there is no scale (add scale = …"),
        ("scale = [{from = [5, 5], to = [5, 5], length_mm = 50}]", "both ends of 50 mm are at one place"),
        ("scale = 5", "scale cannot be read (give lengths measured on the part"),
        (
            "square = {corners = [[0, 0], [9, 0], [3, 3], [0, 9]], side_mm = 30}",
            "the four corners are not those of a square",
        ),
        (
            TWO_SCALES,
            "scale and square are both given",
        ),
        ("stations = 4\nscale = [{from = [5, 5], to = [95, 5], length_mm = 50}]", "stations does not belong"),
    ],
)
def test_a_scale_that_cannot_be_is_refused(tmp_path, scale, message):
    sha = with_photo(tmp_path)
    assert message in refused(tmp_path, photo_plan(listed(FEW), sha=sha, scale=scale))


def test_a_photo_that_is_missing_replaced_or_no_picture_is_refused(tmp_path):
    plan = photo_plan(listed(FEW), sha="0" * 64)
    assert "photos/lug.png is missing (put the photo back" in refused(tmp_path, plan)
    sha = with_photo(tmp_path)
    assert "is not the photo that the points were placed on" in refused(tmp_path, plan)
    assert f'add photo_sha256 = "{sha}"' in refused(tmp_path, photo_plan(listed(FEW)))
    (tmp_path / "photos" / "lug.png").write_bytes(b"no picture")
    assert "photos/lug.png is no JPEG or PNG picture" in refused(tmp_path, plan)
    plan = photo_plan(listed(FEW), sha=sha).replace("photos/lug.png", "../lug.png")
    assert "../lug.png is outside the inspection" in refused(tmp_path, plan)


def test_points_beyond_the_picture_are_refused(tmp_path):
    sha = with_photo(tmp_path)
    plan = photo_plan(listed([*FEW, ("01-03", 950.0, 790.0), ("01-04", 850.0, 810.0)]), sha=sha)
    plan = plan.replace("outline = [[100.0, 100.0], [900.0", "outline = [[100.0, 100.0], [990.0")
    plan = plan.replace("[900.0, 700.0], [100.0, 700.0]", "[990.0, 900.0], [100.0, 900.0]")
    assert "points: outside the picture of 1000 × 800 pixels: 01-04" in refused(tmp_path, plan)


def test_a_picture_of_150_megapixels_is_refused_by_its_head(tmp_path):
    (tmp_path / "photos").mkdir()
    Image.new("1", (15_000, 10_000)).save(tmp_path / "photos" / "lug.png")
    message = "photos/lug.png has 150 megapixels, more than the 100 megapixels that are read (save it smaller"
    assert message in refused(tmp_path, photo_plan(listed(FEW), sha="0" * 64))


def test_points_may_be_in_a_file_of_their_own(tmp_path):
    sha = with_photo(tmp_path)
    lines = ["# placed by hand", "point,x_px,y_px", *(f"{name},{x:g},{y:g}" for name, x, y in FEW)]
    (tmp_path / "photos" / "lug.csv").write_text("\n".join(lines), encoding="utf-8")
    (tmp_path / "inspection.toml").write_text(photo_plan('"photos/lug.csv"', sha=sha), encoding="utf-8")
    zone = tapscan.open_inspection(tmp_path).plan.zones[0]
    assert zone.grid_shape == (2, 2)
    assert zone.station_pitch_mm == pytest.approx(12.0)
    (tmp_path / "photos" / "lug.csv").write_text("point,x_px,y_px\n01-01,a,3\n", encoding="utf-8")
    assert "the line '01-01,a,3' is not a point" in refused(tmp_path, photo_plan('"photos/lug.csv"', sha=sha))


def test_names_that_no_point_has_are_neither_skipped_nor_unread(tmp_path):
    sha = with_photo(tmp_path)
    plan = photo_plan(listed([FEW[0], FEW[1], FEW[3]]), sha=sha)
    (tmp_path / "inspection.toml").write_text(plan, encoding="utf-8")
    (tmp_path / "taps").mkdir()
    (tmp_path / "taps" / "LG-02-01.wav").write_bytes(b"")
    inspection = tapscan.open_inspection(tmp_path)
    assert any("zone LG has no point LG-02-01 on its photo" in one for one in inspection.warnings)
    results = tapscan.analyse(inspection)
    assert results.points["point"].tolist() == ["LG-01-01", "LG-01-02", "LG-02-02"]
    counts = results.summary["counts"][0]
    assert (counts["unread"], counts["skipped"]) == (3, 0)


def test_two_photo_zones_are_compared_point_by_point_by_name(both, tmp_path):
    """Beside itself taken again, and beside its mirror: paired by name, not by place."""
    photo = both[1].inspection
    text = (photo.folder / "inspection.toml").read_text(encoding="utf-8")
    zone = text[text.index("[[zone]]") : text.index("[tap]")]
    # The mirror's photo shows the points the other way round.
    points = [(name, 1000 - x, y) for name, x, y in lattice()]
    other = zone.replace('"LG"', '"RG"').replace(listed(lattice()), listed(points))
    plan = text.replace("[tap]", f'mirror_of = "RG"\n\n{other}\n[tap]')
    grid = parse_plan(PANEL.replace('"LG"', '"RG"')).zones[0]
    taps = tap_files(grid, simulate_taps(grid, (), TAPS, 4, visit=1))
    own = {f"taps/{path.name}": path.read_bytes() for paths in photo.tap_files.values() for path in paths}
    picture = {"photos/lug.png": (photo.folder / "photos" / "lug.png").read_bytes()}
    write_inspection(tmp_path / "pair", {"inspection.toml": plan.encode(), **picture, **own, **taps})
    results = tapscan.analyse(tapscan.open_inspection(tmp_path / "pair"))
    left = results.screened[0]
    assert "mirror-image zone RG" in left.baseline
    assert left.status[4:8, 3:7].tolist() == [["suspect"] * 4] * 4


SECOND = """same_points_as = "LG"
"""


def from_above(text: str, *, shared: str = SECOND) -> str:
    """Add a second photo to a plan, which shows ten stations of the first one and two points of its own."""
    zone = text[text.index("[[zone]]") : text.index("[tap]")]
    seen = [(name, 1000 - x, y) for name, x, y in lattice() if name < "11"]
    own = [("17-01", 120.0, 120.0), ("17-02", 140.0, 120.0)]
    above = zone.replace('"LG"', '"LA"').replace(listed(lattice()), listed([*own, *seen]))
    return text.replace("[tap]", f"{above}{shared}\n[tap]")


def test_two_photos_of_one_joint_have_one_set_of_readings_and_two_maps(both, tmp_path):
    photo = both[1].inspection
    plan = from_above((photo.folder / "inspection.toml").read_text(encoding="utf-8"))
    own = {f"taps/{path.name}": path.read_bytes() for paths in photo.tap_files.values() for path in paths}
    # Where a reading has the name of the second photo it counts for both all the same.
    own["taps/LA-06-05.wav"] = own.pop("taps/LG-06-05.wav")
    picture = {"photos/lug.png": (photo.folder / "photos" / "lug.png").read_bytes()}
    write_inspection(tmp_path / "part", {"inspection.toml": plan.encode(), **picture, **own})
    results = tapscan.analyse(tapscan.open_inspection(tmp_path / "part"))
    left, above = results.screened
    assert (left.status == both[1].screened[0].status).all()
    assert sum(name.startswith("taps/") for name in results.summary["inputs"]) == len(lattice())
    features = {name: results.points["centroid_hz"][n] for n, name in enumerate(results.points["point"])}
    shown = [name for name, *_ in lattice() if name < "11"]
    here, there = ([features[f"{code}-{name}"] for name in shown] for code in ("LA", "LG"))
    assert np.array_equal(here, there, equal_nan=True)
    unread = [
        {f"{row + 1:02d}-{column + 1:02d}" for row, column in np.argwhere(one.status == "unread")}
        for one in (left, above)
    ]
    assert unread[1] - unread[0] == {"17-01", "17-02"}
    found = {name[3:] for one in results.indications if one.zone == "LA" for name in one.points}
    there = {name[3:] for one in results.indications if one.zone == "LG" for name in one.points}
    assert len(found & there) >= 0.7 * len(found | there)
    assert (above.status == "suspect").any()
    results.save()
    folder = tmp_path / "part" / "results"
    assert (folder / "map_LG.png").is_file()
    assert (folder / "map_LA.png").is_file()
    page = " ".join((folder / "report.html").read_text(encoding="utf-8").split())
    assert "Points of zone LA with the names of points of zone LG are the same points" in page


def test_a_point_that_two_photos_show_is_struck_once(tmp_path):
    sha = with_photo(tmp_path)
    plan = from_above(photo_plan(listed(lattice()), sha=sha))
    course = plan_course(parse_plan(plan), ["LG", "LA"])
    assert len(course.points) == len(lattice()) + 2
    alone = plan_course(parse_plan(plan), ["LA"]).points
    assert [str(one) for one in alone[-3:]] == ["LG-10-12", "LA-17-01", "LA-17-02"]
    (tmp_path / "inspection.toml").write_text(plan, encoding="utf-8")
    (tmp_path / "ascans").mkdir()
    (tmp_path / "ascans" / "LA-02-03.csv").write_text("time_us,amplitude\n0,1\n", encoding="utf-8")
    traces = tapscan.open_inspection(tmp_path).trace_files
    assert [str(point) for point in traces] == ["LA-02-03", "LG-02-03"]


@pytest.mark.parametrize(
    ("shared", "message"),
    [
        ('same_points_as = "LA"', "same_points_as: names the zone itself (name the zone whose photo shows"),
        ('same_points_as = "LX"', '"LX" is not a zone of this plan (did you mean LG?)'),
    ],
)
def test_a_zone_that_shares_with_no_other_is_refused(tmp_path, shared, message):
    sha = with_photo(tmp_path)
    assert message in refused(tmp_path, from_above(photo_plan(listed(lattice()), sha=sha), shared=shared))


def test_photos_that_share_no_name_are_warned_of_and_chains_are_refused(tmp_path):
    sha = with_photo(tmp_path)
    plan = from_above(photo_plan(listed([("18-01", 200.0, 200.0)]), sha=sha))
    # The second zone takes the first one's points where these are not the lattice.
    plan = plan.replace('["18-01", 200, 200]', '["19-01", 200, 200]', 1)
    (tmp_path / "inspection.toml").write_text(plan, encoding="utf-8")
    warnings = tapscan.open_inspection(tmp_path).warnings
    assert any("no point has the name of one of zone LG, so nothing is shared" in one for one in warnings)
    chain = plan.replace("scale = [", 'same_points_as = "LA"\nscale = [', 1)
    assert '"LA" has the points of LG (name LG' in refused(tmp_path, chain)
    panel = PANEL.replace("[tap]", 'same_points_as = "LG"\n[tap]').replace('"LG"\nshape', '"PA"\nshape')
    assert "are not both on photos" in refused(
        tmp_path, f"{panel}\n{plan[plan.index('[[zone]]') : plan.index('[tap]')]}"
    )


def scattered() -> list[tuple[str, float, float]]:
    """The lattice's places under names that say nothing of where they are."""
    order = np.random.default_rng(2).permutation(STATIONS * POSITIONS)
    places = [lattice()[n] for n in order]
    return [(f"01-{n:02d}", x, y) for n, (_, x, y) in enumerate(places, 1)]


def test_scattered_points_find_the_same_damage_and_size_it_alike(both, tmp_path):
    panel = both[0]
    sha = with_photo(tmp_path / "source")
    named = {(x, y): name for name, x, y in lattice()}
    files, ours = {}, {}
    for name, x, y in scattered():
        old = named[(x, y)]
        ours[f"LG-{name}"] = f"LG-{old}"
        path = panel.inspection.folder / "taps" / f"LG-{old}.wav"
        files[f"taps/LG-{name}.wav"] = path.read_bytes()
    picture = {"photos/lug.png": (tmp_path / "source" / "photos" / "lug.png").read_bytes()}
    plan = photo_plan(listed(scattered()), sha=sha)
    write_inspection(tmp_path / "part", {"inspection.toml": plan.encode(), **picture, **files})
    results = tapscan.analyse(tapscan.open_inspection(tmp_path / "part"))
    assert "a smooth surface over the face" in results.screened[0].baseline
    (one,), (other,) = panel.indications, results.indications
    found = {ours[name] for name in other.points}
    assert len(found & set(one.points)) >= 0.7 * len(set(one.points) | found)
    assert other.area_mm2 == pytest.approx(one.area_mm2, rel=0.3)


def test_a_place_in_the_photo_is_warned_of_and_can_be_taken_out(tmp_path):
    from click.testing import CliRunner

    from tapscan.cli.grid import command

    with_photo(tmp_path)
    path = tmp_path / "photos" / "lug.png"
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (51.0, 30.0, 0.0)}
    Image.open(path).save(path, exif=exif)
    plan = photo_plan(listed(FEW), sha=sha256_of(path))
    (tmp_path / "inspection.toml").write_text(plan, encoding="utf-8")
    warned = tapscan.open_inspection(tmp_path).warnings
    assert any("photos/lug.png: says where it was taken" in one for one in warned)
    result = CliRunner().invoke(command, [str(tmp_path), "--strip-place", "--walk"], catch_exceptions=False)
    assert result.output.splitlines() == ["LG-01-01", "LG-01-02", "LG-02-01", "LG-02-02"]
    assert not any("where it was taken" in one for one in tapscan.open_inspection(tmp_path).warnings)


def test_a_face_seen_at_a_steep_angle_is_asked_for_as_another_photo(tmp_path):
    sha = with_photo(tmp_path)
    # A square that is seen half as wide as high is turned by 60°.
    square = "square = {corners = [[120, 120], [170, 120], [170, 220], [120, 220]], side_mm = 30}"
    plan = photo_plan(listed(FEW), sha=sha, scale=square)
    (tmp_path / "inspection.toml").write_text(plan, encoding="utf-8")
    warnings = tapscan.open_inspection(tmp_path).warnings
    assert any(
        "sees the face at 60° from square on" in one and "take another photo" in one for one in warnings
    )
