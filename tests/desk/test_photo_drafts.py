"""Zones on photos from the page: what is drawn, checked, laid and written into the plan."""

import json
import tomllib

import numpy as np
import pytest
from PIL import Image

from tapscan.desk.plan.marks import write_marks
from tapscan.desk.plan.photo_zones import placed_text, points_csv, zone_drafts
from tapscan.plan import parse_block
from tapscan.plan.text.reading import read_plan
from tapscan.plan.text.template import PLAN_TEMPLATE
from tests.desk.conftest import PLAN
from tests.test_photo_zone import FEW, listed, photo_plan, with_photo

POINTS = [list(row) for row in FEW]
OUTLINE = [[100, 100], [900, 100], [900, 700], [100, 700]]
LENGTH = [{"from": [100, 50], "to": [600, 50], "length_mm": 100.0}]


@pytest.fixture
def sha(folder):
    return with_photo(folder)


def draft(sha, **more):
    drawn = {"code": "LG", "name": "Lug", "photo": "photos/lug.png", "photo_sha256": sha}
    return {**drawn, "scale": LENGTH, "outline": OUTLINE, "holes": [], "points": POINTS, **more}


def saved(desk, drawn, *, was="", status=200):
    version = desk.get("/api/photo-zones")["version"]
    return desk.post("/api/photo-zones", {"version": version, "was": was, "zone": drawn}, status=status)


# ---- the plan's text ----


def test_a_new_zone_is_written_readably_below_the_others_and_can_be_undone(desk, sha):
    saved(desk, draft(sha))
    text = (desk.folder / "inspection.toml").read_text(encoding="utf-8")
    assert all(line in text for line in PLAN.splitlines())
    new = text[text.index('code = "LG"') :]
    assert "scale = [\n    {from = [100, 50], to = [600, 50], length_mm = 100},\n]" in new
    assert "outline = [[100, 100], [900, 100], [900, 700], [100, 700]]" in new
    assert 'points = [\n    ["01-01", 200, 200],\n    ["01-02", 260, 200],' in new
    assert "holes" not in new
    zone = read_plan(desk.folder).zones[2]
    assert (zone.code, zone.shape, zone.grid_shape) == ("LG", "photo", (2, 2))
    assert desk.get("/api/state")["undo"] == "points on the photo of zone LG"
    desk.post("/api/undo", {})
    assert (desk.folder / "inspection.toml").read_text(encoding="utf-8") == PLAN
    desk.post("/api/redo", {})
    assert (desk.folder / "inspection.toml").read_text(encoding="utf-8") == text


WRITTEN = """points = [
    # along the weld
    ["01-01", 200, 200],  # beside the rivet
    ["01-02", 260, 200],
    ["02-01", 200, 260],  # rough
    ["02-02", 260, 260]
]"""


def test_only_what_changed_is_written_and_comments_stay(desk, sha):
    plan = photo_plan(listed(FEW), sha=sha).replace(f"points = {listed(FEW)}", WRITTEN)
    (desk.folder / "inspection.toml").write_text(plan, encoding="utf-8")
    (known,) = desk.get("/api/photo-zones")["zones"]
    assert known.pop("was") == "0"
    saved(desk, known, was="0")
    assert (desk.folder / "inspection.toml").read_text(encoding="utf-8") == plan
    points = [["01-01", 200, 205], ["01-03", 260, 200], ["02-02", 260, 260], ["03-01", 300.5, 310]]
    saved(desk, {**known, "points": points}, was="0")
    text = (desk.folder / "inspection.toml").read_text(encoding="utf-8")
    for line in ("    # along the weld", '["01-01", 200, 205],  # beside the rivet', '["03-01", 300.5, 310]'):
        assert line in text
    assert set(plan.splitlines()) - set(text.splitlines()) == {
        *('    ["01-01", 200, 200],  # beside the rivet', '    ["01-02", 260, 200],'),
        *('    ["02-01", 200, 260],  # rough', '    ["02-02", 260, 260]'),
    }
    assert [(one.station, one.position) for one in read_plan(desk.folder).zones[0].layout.points] == [
        *((1, 1), (1, 3), (2, 2), (3, 1)),
    ]


@pytest.mark.parametrize("seed", range(20))
def test_lists_mean_what_was_drawn_whatever_is_changed_in_them(seed):
    rng = np.random.default_rng(seed)
    names = [f"{i:02d}-{p:02d}" for i in range(1, 5) for p in range(1, 5)]

    def some():
        chosen = rng.permutation(names)[: rng.integers(1, 12)]
        return [[str(one), *rng.integers(0, 9, 2).tolist()] for one in chosen]

    text = '[[zone]]\ncode = "LG"\nshape = "photo"\n' + WRITTEN + "\n\n# The end.\n"
    for _ in range(4):
        points = some()
        text = placed_text(text, "0", {"points": points})
        assert tomllib.loads(text)["zone"][0]["points"] == points
        assert "# The end." in text


def test_the_square_takes_the_place_of_the_lengths(desk, sha):
    saved(desk, draft(sha))
    square = {"corners": [[10, 10], [110, 12], [108, 115], [9, 111]], "side_mm": 20.0}
    saved(desk, draft(sha, scale=None, square=square), was="2")
    zone = tomllib.loads((desk.folder / "inspection.toml").read_text(encoding="utf-8"))["zone"][2]
    assert "scale" not in zone
    assert zone["square"]["side_mm"] == 20


def test_the_empty_template_becomes_a_zone_on_a_photo_and_its_comments_stay(desk, sha):
    (desk.folder / "inspection.toml").write_text(PLAN_TEMPLATE, encoding="utf-8")
    saved(desk, draft(sha), was="0")
    text = (desk.folder / "inspection.toml").read_text(encoding="utf-8")
    assert read_plan(desk.folder).zones[0].shape == "photo"
    assert "# points known to be good, station first" in text


def test_many_points_are_in_a_file_that_is_never_written_over(desk, sha):
    many = [[f"{i:02d}-{p:02d}", 110 + 40 * i, 110 + 30 * p] for i in range(1, 19) for p in range(1, 19)]
    saved(desk, draft(sha, points=many))
    first = desk.folder / "photos/LG_points.csv"
    assert first.read_text(encoding="utf-8").startswith("point,x_px,y_px\n01-01,150,140\n")
    first.write_text(f"# by hand\n{first.read_text(encoding='utf-8')}", encoding="utf-8")
    (known,) = desk.get("/api/photo-zones")["zones"]
    assert known.pop("was") == "2"
    assert known["points"] == many
    # A point is marked and noted beside the plan's file.
    desk.post("/api/notes", {"point": "LG-01-01", "note": "a rattle", "was": ""})
    mark = {"zone": "LG", "points": "02-02", "mark": "skip"}
    desk.post("/api/marks", {"version": desk.get("/api/plan")["version"], **mark})
    assert [str(one.point) for one in read_plan(desk.folder).zones[2].notes] == ["LG-01-01"]
    saved(desk, {**known, "points": many[1:]}, was="2")
    second = desk.folder / "photos/LG_points_2.csv"
    assert second.read_text(encoding="utf-8").startswith("# by hand\npoint,x_px,y_px\n01-02,")
    assert len(read_plan(desk.folder).zones[2].layout.points) == len(many) - 1
    desk.post("/api/undo", {})
    assert len(read_plan(desk.folder).zones[2].layout.points) == len(many)


def test_a_table_of_points_keeps_comments_where_they_are():
    before = "point,x_px,y_px\n# left\nLG-01-01,1,2\n\n# right\n1-2,3,4\n"
    points = [["01-02", 3.5, 4], ["01-01", 1, 2], ["01-03", 8, 9]]
    expected = "point,x_px,y_px\n# left\nLG-01-01,1,2\n"
    assert points_csv(before.replace("LG-", ""), points) == (
        expected.replace("LG-", "") + "\n# right\n01-02,3.5,4\n01-03,8,9\n"
    )


def test_marks_on_a_photo_name_no_point_that_is_not_there(folder, sha):
    plan = photo_plan(listed([FEW[0], FEW[1], FEW[3]]), sha=sha)
    (folder / "inspection.toml").write_text(plan, encoding="utf-8")
    version = zone_drafts(folder)["version"]
    write_marks(folder, version, "LG", [parse_block("02-02")], "skip")
    text = (folder / "inspection.toml").read_text(encoding="utf-8")
    assert 'skip = ["02-02"]' in text


def test_a_second_photo_is_written_with_the_zone_whose_points_it_shows(desk, sha):
    saved(desk, draft(sha))
    saved(desk, draft(sha, code="LA", same_points_as="LG"))
    assert read_plan(desk.folder).zones[3].same_points_as == "LG"
    assert desk.get("/api/photo-zones")["zones"][1]["same_points_as"] == "LG"


# ---- what is refused ----


@pytest.mark.parametrize(
    ("more", "key", "words"),
    [
        ({"scale": None}, "scale", "there is no scale"),
        (
            {"scale": [{"from": [1, 1], "to": [1, 1], "length_mm": 5}]},
            "scale",
            "both ends of 5 mm are at one place",
        ),
        ({"scale": [{"from": [1, 1], "to": [9, 1], "length_mm": 0}]}, "scale", "scale cannot be read"),
        ({"outline": []}, "outline", "outline is missing"),
        ({"points": []}, "points", "points is missing"),
        ({"points": [*POINTS, ["01-02", 300, 300]]}, "points", "01-02 is there twice"),
        ({"points": [*POINTS, ["01-03", 260.3, 200]]}, "points", "01-02 and 01-03 are at one place"),
        ({"points": [*POINTS, ["01-03", 50, 50]]}, "points", "outside the outline, or in a hole: 01-03"),
        ({"points": [["01-01", "a", 3]]}, "points", "is not a name and two pixels"),
        ({"points": [["01-01", None, 3]]}, "points", "points cannot be read"),
        ({"code": "lg"}, "code", "code = 'lg' is not accepted"),
        ({"code": "CS"}, "code", "code is used twice"),
        ({"same_points_as": "CS"}, "same_points_as", "are not both on photos"),
        ({"photo": "photos/other.png"}, "photo", "photos/other.png is missing"),
        ({"photo": "../lug.png"}, "photo", "is outside the inspection"),
        ({"photo_sha256": "0" * 64}, "photo", "is not the photo that the points were placed on"),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field_and_nothing_is_written(desk, sha, more, key, words):
    mistakes = saved(desk, draft(sha, **more), status=400)["mistakes"]
    assert any(one["path"] == f"zone.2.{key}" and words in one["words"] for one in mistakes), mistakes
    assert (desk.folder / "inspection.toml").read_text(encoding="utf-8") == PLAN
    assert not list((desk.folder / "photos").glob("*.csv"))


def test_a_plan_that_changed_meanwhile_is_not_written_over(desk, sha):
    body = {"version": "0" * 64, "was": "", "zone": draft(sha)}
    assert "changed since this page read it" in desk.post("/api/photo-zones", body, status=400)["fault"]


@pytest.mark.parametrize(
    "body",
    [
        *("[]", "{", '{"zone": 3}', '{"zone": {"stations": 4}}', '{"zone": {"points": "photos/x.csv"}}'),
        *(
            '{"zone": {"code": "\\ud800"}}',
            '{"zone": {"code": 7}}',
            '{"zone": {}, "was": "x", "version": ""}',
        ),
        *('{"zone": {}, "bend": [[1]], "count": [1, 1], "first": "01-01"}', "[" * 50_000),
    ],
)
@pytest.mark.parametrize("path", ["", "/draft", "/grid"])
def test_a_message_that_is_none_is_refused_in_a_sentence(desk, body, path):
    status, _, content = desk.call("POST", f"/api/photo-zones{path}", body.encode())
    if status == 200:  # nothing is drawn yet, which is no mistake
        assert path == "/draft"
        assert json.loads(content)["pairs"] == []
    else:
        assert status == 400
        assert "Traceback" not in json.loads(content)["fault"]


# ---- while it is drawn ----


def drawn(desk, sha, **more):
    return desk.post("/api/photo-zones/draft", {"zone": draft(sha, **more)})


def test_what_was_not_begun_is_no_mistake_yet(desk, sha):
    empty = drawn(desk, sha, scale=None, outline=[], points=[], code="")
    assert empty == {"mistakes": [], "words": [], "pairs": []}
    scaled = drawn(desk, sha, outline=[], points=[])
    assert scaled["words"] == ["The scale does not show a tilt of the face: take the photo square on."]


def test_the_tilt_is_shown_as_soon_as_there_is_a_scale_and_a_steep_face_needs_another_photo(desk, sha):
    def seen(wide, **more):
        corners = [[120, 120], [120 + wide, 120], [120 + wide, 220], [120, 220]]
        square = {"corners": corners, "side_mm": 30}
        return drawn(desk, sha, scale=None, square=square, outline=[], points=[], **more)

    # Seen at 45° a square is the cosine as wide.
    assert seen(70.71)["words"] == ["The face is seen at 45° from square on."]
    assert seen(70.71)["mistakes"] == []
    (mistake,) = seen(50)["mistakes"]
    assert mistake["key"] == "scale"
    assert "sees the face at 60° from square on" in mistake["words"]
    assert "take another photo" in mistake["words"]


def test_neighbours_and_spacing_are_those_of_the_plan(desk, sha):
    shown = drawn(desk, sha)
    assert sorted(map(tuple, shown["pairs"])) == [
        *((200, 200, 200, 260), (200, 200, 260, 200), (200, 200, 260, 260)),
        *((200, 260, 260, 260), (260, 200, 200, 260), (260, 200, 260, 260)),
    ]
    assert shown["words"][0].startswith("Points are 12 mm apart; areas are sure to")


def laid(desk, sha, corners, count, first="01-01", status=200, **more):
    bend = [None] * 9
    for at, place in zip((0, 2, 6, 8), corners, strict=True):
        bend[at] = place
    for at, place in more.pop("moved", {}).items():
        bend[at] = place
    body = {"zone": draft(sha, points=[], **more), "bend": bend, "count": count, "first": first}
    return desk.post("/api/photo-zones/grid", body, status=status)


def test_a_grid_is_laid_evenly_and_what_is_outside_is_left_out(desk, sha):
    corners = [[120, 120], [120, 680], [680, 120], [680, 680]]
    answer = laid(desk, sha, corners, [3, 5], first="02-03")
    assert answer["left_out"] == 0
    assert answer["points"][:2] == [["02-03", 120, 120], ["02-04", 120, 260]]
    assert answer["points"][-1] == ["04-07", 680, 680]
    assert answer["handles"][4] == [400, 400]
    hole = [[380, 380], [420, 380], [420, 420], [380, 420]]
    short = [[100, 100], [900, 100], [900, 600], [100, 600]]
    answer = laid(desk, sha, corners, [3, 5], outline=short, holes=[hole])
    assert answer["left_out"] == 4
    assert {"02-03", "01-05", "02-05", "03-05"}.isdisjoint(row[0] for row in answer["points"])


def test_a_handle_bends_the_grid(desk, sha):
    corners = [[120, 120], [120, 680], [680, 120], [680, 680]]
    answer = laid(desk, sha, corners, [3, 3], moved={1: [160, 400]})
    assert ["01-02", 160, 400] in answer["points"]
    assert ["02-02", 420, 400] in answer["points"]  # the centre follows the side half way


def test_a_grid_seen_in_perspective_is_even_on_the_face(desk, sha):
    square = {"corners": [[300, 300], [500, 330], [500, 470], [300, 500]], "side_mm": 50}
    corners = [[300, 300], [300, 500], [500, 330], [500, 470]]
    answer = laid(desk, sha, corners, [3, 3], scale=None, square=square)
    places = {name: at for name, *at in answer["points"]}
    # The diagonals of a square cross in its middle, in any perspective.
    a, b, c, d = (np.array(places[name]) for name in ("01-01", "03-03", "01-03", "03-01"))
    along = np.linalg.solve(np.column_stack([b - a, c - d]), c - a)
    assert places["02-02"] == pytest.approx((a + along[0] * (b - a)).tolist(), abs=0.1)


@pytest.mark.parametrize(
    ("corners", "count", "more", "match"),
    [
        ([[1, 1], [1, 9], [9, 1], None], [2, 2], {}, "has no four corners yet"),
        ([[1, 1], [1, 9], [9, 1], [9, 9]], [0, 2], {}, "0 × 2 points cannot be laid"),
        ([[1, 1], [1, 9], [9, 1], [9, 9]], [100, 100], {}, "100 × 100 points cannot be laid"),
        ([[1, 1], [1, 9], [9, 1], [9, 9]], [2, 2], {"scale": None}, "there is no scale yet"),
        ([[1, 1], [1, 9], [9, 1], [9, 9]], [2, 2], {"first": "x"}, "'x': is not a point"),
    ],
)
def test_a_grid_that_cannot_be_laid_is_refused(desk, sha, corners, count, more, match):
    assert match in laid(desk, sha, corners, count, status=400, **more)["fault"]


# ---- the photo ----


def test_a_photo_of_a_camera_is_taken_in_and_its_place_taken_out(desk):
    noise = np.random.default_rng(1).integers(0, 256, (900, 1200, 3), dtype=np.uint8)
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (51.0, 30.0, 0.0)}
    path = desk.folder / "from-camera.jpg"
    Image.fromarray(noise).save(path, quality=95, exif=exif)
    content = path.read_bytes()
    assert len(content) > 1_000_000  # as large as a camera's: far more than other messages may be
    status, _, answer = desk.call("POST", "/api/photos?name=Lug%20left.jpg", content)
    assert (status, json.loads(answer)) == (200, {"photo": "photos/Lug-left.jpg"})
    assert desk.get("/api/photo-zones")["photos"] == ["photos/Lug-left.jpg"]
    facts = desk.get("/api/photo-zones/photos/Lug-left.jpg")
    assert (facts["width"], facts["height"], facts["has_place"]) == (1200, 900, True)
    clean = desk.post("/api/photo-zones/photos/Lug-left.jpg/place", {})
    assert not clean["has_place"]
    assert clean["sha256"] != facts["sha256"]
    # Where a zone is on it already, its digest in the plan follows.
    (desk.folder / "photos/Lug-left.jpg").write_bytes(content)
    saved(desk, draft(facts["sha256"], photo="photos/Lug-left.jpg"))
    desk.post("/api/photo-zones/photos/Lug-left.jpg/place", {})
    assert read_plan(desk.folder).zones[2].layout.sha256 == clean["sha256"]


@pytest.mark.parametrize("name", ["..%2Finspection.toml", "none.jpg", "lug.csv"])
def test_only_photos_of_the_inspection_are_opened(desk, name):
    with_photo(desk.folder)
    status, _, _ = desk.call("GET", f"/api/photo-zones/photos/{name}")
    assert status in (400, 404)
