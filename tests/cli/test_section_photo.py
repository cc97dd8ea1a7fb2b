"""``tapscan section DIR --photo``: from the photo to findings.csv."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from tapscan.cli import main
from tests.cutface.photos import Camera, band, disc, rendered
from tests.sectioning.conftest import PLAN

REGION = "20,20 280,20 280,180 20,180"


@pytest.fixture
def part(tmp_path):
    folder = tmp_path / "part"
    folder.mkdir()
    (folder / "inspection.toml").write_text(PLAN, encoding="utf-8")
    return folder


def shot(tmp_path, shapes):
    path = tmp_path / "cut.png"
    Image.fromarray(rendered(Camera(300, 200, 10.0), shapes)).save(path)
    return path


def run(part, *arguments):
    return CliRunner().invoke(main, ["section", str(part), *map(str, arguments)])


def test_from_a_photo_to_findings(part, tmp_path):
    photo = shot(tmp_path, [(disc(-4, 0, 2.0), 40.0)])
    before = photo.read_bytes()
    result = run(
        part, "--photo", photo, "--cut", "BM-03", "--scale", "50,190 250,190 20", "--region", REGION,
        "--find", "voids", "--where", "BM-03-05", "--who", "A. Person",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "1. void, proposed: count 1, area 12." in result.stdout
    assert "Proposals count once you accept them" in result.stdout
    assert "A sawn face smears resin" in result.stdout
    assert photo.read_bytes() == (part / "photos/cut.png").read_bytes() == before
    result = run(part, "--photo", "photos/cut.png", "--log")
    assert "is a proposal that nobody accepted" in result.stdout
    assert not (part / "findings.csv").exists()
    result = run(part, "--photo", "photos/cut.png", "--accept", "--log")
    assert "findings.csv: 2 added." in result.stdout
    lines = (part / "findings.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[:2] for line in lines[1:]] == [["void", "BM-03-05"], ["porosity", "BM-03-05"]]
    document = json.loads(run(part, "--photo", "photos/cut.png", "--log", "--json").stdout)
    assert document["findings_added"] == 0
    assert document["marks"][0]["state"] == "accepted"
    assert document["results"][0]["area_mm2"]["value"] == pytest.approx(12.566, rel=0.03)


def test_an_adhesive_line_is_proposed(part, tmp_path):
    photo = shot(tmp_path, [(band(lambda x: -0.4 + 0 * x, lambda x: 0.4 + 0 * x), 230.0)])
    result = run(
        part, "--photo", photo, "--scale", "50,190 250,190 20", "--region", "30,80 270,80 270,120 30,120",
        "--find", "adhesive",
    )  # fmt: skip
    assert "1. adhesive thickness, proposed: count 12, mean 0.797 mm ±0.21" in result.stdout


def test_both_faces_of_a_joint_and_a_wrinkle_are_proposed(part, tmp_path):
    def wave(x):
        return 0.4 * np.cos(2 * np.pi * x / 10)

    plies = (lambda x, y: (y > -4) & (y < 4) & ((y - wave(x)) % 0.5 < 0.25), 60.0)
    adhesive = (band(lambda x: 5 + 0 * x, lambda x: 5.8 + 0 * x), 240.0)
    photo = shot(tmp_path, [plies, adhesive])
    scale = ("--photo", photo, "--scale", "50,190 250,190 20")
    region = ("--region", "30,140 270,140 270,165 30,165")
    result = run(part, *scale, *region, "--find", "adhesive", "--face", "below", "--accept")
    assert "1. adhesive thickness, below: count 12, mean 0.8" in result.stdout
    region = ("--region", "100,70 200,70 200,130 100,130")
    result = run(part, *scale, *region, "--find", "wrinkle")
    assert "has no outer surface to measure angles from" in result.stderr
    result = run(part, *scale, *region, "--find", "wrinkle", "--surface", "0,55 299,55", "--json")
    _, wrinkle = json.loads(result.stdout)["results"]
    true_deg = np.degrees(np.arctan(0.4 * 2 * np.pi / 10))
    assert (wrinkle["kind"], wrinkle["state"]) == ("wrinkle", "proposed")
    assert wrinkle["angle_deg"]["value"] == pytest.approx(true_deg, abs=1.0)


@pytest.mark.parametrize(
    ("arguments", "status", "match"),
    [
        (["--find", "voids"], 2, "say which photo: --photo FILE"),
        (["--photo", "away.png"], 1, "away.png: is not there"),
        (["--photo", "CUT"], 1, "photos/cut.png: has no scale yet"),
        (["--photo", "CUT", "--scale", "1,2 3,4 long"], 1, "--scale: 'long' is no length in mm"),
        (["--photo", "CUT", "--scale", "1;2 3,4 20"], 1, "--scale: '1;2 3,4' is no list of pixels"),
        (["--photo", "CUT", "--scale", "1,2 20"], 1, "needs the two ends of a bar"),
        (["--photo", "CUT", "--scale", "1,2 99,4 20", "--find", "voids"], 1, "has no region to search"),
        (["--photo", "CUT", "--plan-cuts"], 2, "leave --plan-cuts and --csv out"),
    ],
)
def test_what_is_wrong_is_one_sentence(part, tmp_path, arguments, status, match):
    photo = str(shot(tmp_path, []))
    result = run(part, *(photo if one == "CUT" else one for one in arguments))
    assert result.exit_code == status
    assert match in result.output
    assert "Traceback" not in result.output
