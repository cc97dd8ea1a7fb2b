"""Marks on the photo of a cut: kept, measured, made into findings, computed again."""

import json

import numpy as np
import pytest
from PIL import Image

from tapscan.errors import TapscanError
from tapscan.sectioning.cut_photos import (
    computed_again,
    cut_photos,
    findings_of,
    read_marks,
    stored_marks,
    write_marks,
)
from tapscan.sectioning.findings.logbook import add_findings
from tapscan.sectioning.joints import joint_of
from tapscan.sectioning.measured import Mark, Marked, ScaleMark, parse_marked, proposals
from tests.cutface.photos import Camera, disc, rendered
from tests.sectioning.conftest import PLAN

CAMERA = Camera(300, 200, 10.0)
BAR = ScaleMark(points_px=((50, 190), (250, 190)), length_mm=20.0)
REGION = ((20, 20), (280, 20), (280, 180), (20, 180))
PHOTO = "photos/cut-03.png"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "inspection.toml").write_text(PLAN, encoding="utf-8")
    face = rendered(CAMERA, [(disc(-4, 0, 2.0), 40.0), (disc(5, 2, 1.0), 40.0)])
    Image.fromarray(face).save(tmp_path / PHOTO)
    return tmp_path


def grey(folder):
    return np.asarray(Image.open(folder / PHOTO))


MARKS = (
    Mark(kind="adhesive thickness", where="BM-03-05", px=(((60, 50), (60, 58)), ((90, 50), (90, 60)))),
    Mark(kind="wall thickness", px=(((60, 20), (60, 40)),)),
    Mark(kind="delamination", where="BM-03-06", px=(((100, 35), (150, 35)),), note="at the web"),
    Mark(kind="wrinkle", where="BM-03-07", px=(((60, 40), (70, 44), (80, 48), (90, 44), (100, 40)),)),
    Mark(kind="void", px=(((10, 10), (20, 10), (20, 20)),)),
    Mark(kind="void", where="BM-03-08", state="proposed", px=(((10, 10), (20, 10), (20, 20)),)),
)
MARKED = Marked(
    photo=PHOTO,
    cut="BM-03",
    who="A. Person",
    when="2026-02-03",
    scale=BAR,
    surface_px=((0, 30), (299, 30)),
    marks=MARKS,
)


def test_marks_are_kept_beside_the_photo_which_is_not_changed(folder):
    before = (folder / PHOTO).read_bytes()
    written = write_marks(folder, MARKED)
    assert (folder / PHOTO).read_bytes() == before
    assert read_marks(folder, PHOTO) == written
    text = (folder / "photos/cut-03.measured.json").read_text(encoding="utf-8")
    write_marks(folder, written)
    assert (folder / "photos/cut-03.measured.json").read_text(encoding="utf-8") == text
    document = json.loads(text)
    assert (document["who"], document["when"], document["cut"]) == ("A. Person", "2026-02-03", "BM-03")
    assert document["version"]
    layer, wall, apart, wrinkle, void, _ = document["results"]
    assert layer["mean_mm"]["value"] == pytest.approx(0.9)
    assert wall["mean_mm"]["value"] == pytest.approx(2.0)
    assert (apart["length_mm"]["value"], apart["depth_mm"]["value"]) == pytest.approx((5.0, 0.5))
    assert wrinkle["height_mm"]["value"] == pytest.approx(0.8, rel=1e-3)
    assert void["area_mm2"]["value"] == pytest.approx(0.5)


def test_what_is_accepted_and_has_a_place_becomes_findings(folder, plan):
    found, left = findings_of(folder, plan, MARKED)
    assert [(one.kind, one.where) for one in found] == [
        ("adhesive thickness", "BM-03-05"),
        ("delamination", "BM-03-06"),
        ("wrinkle", "BM-03-07"),
    ]
    layer, apart, wrinkle = found
    assert layer.thickness_mm == 0.9
    assert layer.note.startswith("count 2; mean 0.900 mm ±")
    # The cut is along station 3, so what is long on the face runs round the girth.
    assert (apart.depth_mm, apart.width_mm, apart.length_mm) == (0.5, 5.0, None)
    assert apart.note.startswith("at the web; length 5.00 mm ±")
    assert wrinkle.width_mm == 4.0
    assert all(one.area_mm2 is None and one.photo == PHOTO for one in found)
    assert [sentence.partition(": ")[2] for sentence in left] == [
        "mark 2, wall thickness: is no flaw and stays with the photo (nothing to do)",
        "mark 5, void: has no place on the grid (give it one, as BM-07-05)",
        "mark 6, void: is a proposal that nobody accepted (accept it, or take it out)",
    ]
    assert add_findings(folder, plan, found) == 3
    again, left = findings_of(folder, plan, MARKED)
    assert again == ()
    assert sum("is in findings.csv already, from this photo" in sentence for sentence in left) == 3


def test_proposed_voids_and_their_porosity(folder):
    marked = MARKED.model_copy(update={"region_px": REGION, "marks": ()})
    void, porosity = proposals(grey(folder), marked, "voids")
    assert (void.state, porosity.state) == ("proposed", "proposed")
    written = write_marks(folder, marked.model_copy(update={"marks": (void, porosity)}))
    outlines, share = written.results
    true = np.pi * (2.0**2 + 1.0**2)
    assert outlines["area_mm2"]["value"] == pytest.approx(true, rel=0.03)
    assert share["share"] == pytest.approx(true / (26 * 16), rel=0.05)
    assert share["low"] < share["share"] < share["high"]


def test_computed_again_is_the_same_and_a_tampered_result_is_not(folder):
    write_marks(folder, MARKED)
    stored = stored_marks(folder)
    assert computed_again(folder) == stored
    path = folder / "photos/cut-03.measured.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["results"][0]["mean_mm"]["value"] = 0.7
    path.write_text(json.dumps(document), encoding="utf-8")
    assert computed_again(folder) == stored


def test_a_photo_that_was_changed_or_is_gone_is_said(folder):
    write_marks(folder, MARKED)
    assert cut_photos(folder)[1] == ()
    Image.fromarray(255 - grey(folder)).save(folder / PHOTO)
    photos, (warning,) = cut_photos(folder)
    assert len(photos) == 1
    assert warning == (
        "photos/cut-03.measured.json: photos/cut-03.png was changed since it was marked "
        "(put the original back, or mark it again)"
    )
    (folder / PHOTO).unlink()
    photos, (warning,) = cut_photos(folder)
    assert photos == ()
    assert warning == "photos/cut-03.png: is missing (put the photo back, or name the one that is there)"


def test_both_faces_of_a_joint_are_two_findings_and_compared(folder, plan):
    def layer(face, low, high, where="BM-03-05"):
        pairs = tuple(((x, low), (x, high)) for x in (60, 90, 120))
        return Mark(kind="adhesive thickness", where=where, px=pairs, face=face)

    thin, thick = layer("above", 50, 53), layer("below", 90, 99)
    marked = MARKED.model_copy(update={"marks": (thin, thick)})
    found, _ = findings_of(folder, plan, marked)
    assert [(one.where, one.thickness_mm) for one in found] == [("BM-03-05", 0.3), ("BM-03-05", 0.9)]
    assert [one.note.partition(";")[0] for one in found] == ["face above", "face below"]
    assert add_findings(folder, plan, found[:1]) == 1
    again, left = findings_of(folder, plan, marked)
    assert [one.note.partition(";")[0] for one in again] == ["face below"]
    assert len(left) == 1
    joint = joint_of(marked)
    assert [(one.face, len(one.along_mm)) for one in joint.faces] == [("above", 3), ("below", 3)]
    assert joint.thicker_mm.value == pytest.approx(0.6)
    assert joint.faces[0].along_mm == pytest.approx([0.0, 3.0, 6.0])
    proposal = thin.model_copy(update={"state": "proposed"})
    alone = joint_of(MARKED.model_copy(update={"marks": (proposal, thick)}))
    assert (len(alone.faces), alone.thicker_mm) == (1, None)
    assert joint_of(MARKED.model_copy(update={"marks": (proposal,)})) is None


def test_a_face_is_written_only_where_it_is_given(folder):
    written = write_marks(folder, MARKED)
    text = (folder / "photos/cut-03.measured.json").read_text(encoding="utf-8")
    assert '"face"' not in text  # files of versions without faces compute to the same text
    first, *others = written.marks
    write_marks(
        folder, written.model_copy(update={"marks": (first.model_copy(update={"face": "below"}), *others)})
    )
    assert read_marks(folder, PHOTO).marks[0].face == "below"


def changed(**more):
    return {**json.loads(MARKED.model_dump_json()), **more}


@pytest.mark.parametrize(
    ("document", "match"),
    [
        ("[", r"^x\.json: is not JSON"),
        (changed(colour="red"), r"^x\.json: colour: extra inputs are not permitted"),
        (changed(scale={"points_px": [[0, 0], [0, 0]], "length_mm": 20}), "has both ends in one pixel"),
        (changed(scale={"points_px": [[0, 0], [9, 9], [9, 0], [0, 9]], "length_mm": 20}), "do not go round"),
        (changed(scale={"points_px": [[0, 0], [9, 0]], "length_mm": -1}), "-1 mm is no length"),
        (changed(scale={"points_px": [[0, 0], [1e9, 0]], "length_mm": 20}), "far outside any photo"),
        (changed(surface_px=[]), "mark 3, delamination: needs the outer surface"),
        (changed(marks=[{"kind": "wrinkle", "px": [[[0, 0], [1, 1]]]}]), "needs at least 4 points"),
        (changed(marks=[{"kind": "void", "px": []}]), "needs at least 3 points"),
        (changed(marks=[{"kind": "porosity"}]), "needs region_px and limit_grey"),
        (changed(marks=[{"kind": "adhesive thickness", "px": [[[0, 0], [1, 1], [2, 2]]]}]), "needs pairs"),
        (
            changed(marks=[{"kind": "void", "face": "above", "px": [[[0, 0], [1, 1], [2, 0]]]}]),
            "only adhesive has",
        ),
        (changed(marks=[{"kind": "rust", "px": []}]), r"marks\.0\.kind: input should be"),
    ],
)
def test_wrong_marks_are_one_sentence(document, match):
    text = document if isinstance(document, str) else json.dumps(document)
    with pytest.raises(TapscanError, match=match):
        parse_marked(text, "x.json")


def test_marks_of_another_photo_are_not_taken(folder):
    write_marks(folder, MARKED)
    with pytest.raises(TapscanError, match=r"is of photos/cut-03\.png, not of photos/cut-03\.jpg"):
        read_marks(folder, "photos/cut-03.jpg")
