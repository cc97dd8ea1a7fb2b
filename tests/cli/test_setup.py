"""``tapscan setup`` from end to end, on the demo's known piece."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from tapscan.cli import main
from tapscan.plan.text.reading import parse_plan
from tapscan.plan.text.template import PIECE_TEMPLATE
from tapscan.synth.folder import write_inspection
from tapscan.synth.piece import EARLIER, PIECE_PLAN, check_files

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
FIRST, SECOND = (f"2026-02-08T{hour}0000Z" for hour in ("08", "16"))


def run(*arguments):
    return CliRunner().invoke(main, [str(word) for word in arguments])


@pytest.fixture
def shop(tmp_path):
    """A part with the demo's plan alone, and the demo's known piece with its history before the work."""
    part, piece = tmp_path / "part", tmp_path / "piece"
    part.mkdir()
    shutil.copy(DEMO / "inspection.toml", part)
    shutil.copytree(DEMO / "photos", part / "photos")  # one of its zones is on a photo
    shutil.copytree(DEMO / "known-piece", piece)
    for path in (piece / "history").glob("2026-02-08*"):
        path.unlink()
    taken = tmp_path / "taken"
    write_inspection(taken, check_files(EARLIER))
    return part, piece, sorted((taken / "taps").glob("*.wav")), taken / "ascans" / "KP.npy"


def test_a_check_from_files_is_ready_and_kept(shop):
    part, piece, taps, volume = shop
    options = ["--piece", piece, "--time", "2026-02-08T08:00", "--operator", "Ann", "--json"]
    result = run("setup", part, *taps, volume, *options)
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    assert document["outcome"] == "ready"
    assert [one["figures"]["method"] for one in document["methods"]] == ["tap", "ascan"]
    kept = part / "setup" / FIRST
    assert json.loads((kept / "check.json").read_text(encoding="utf-8")) == document
    assert (piece / "history" / f"{FIRST}.json").read_bytes() == (kept / "check.json").read_bytes()
    assert {"chart_tap.png", "chart_ascan.png", "taps", "ascans"} <= {path.name for path in kept.iterdir()}
    again = run("setup", part, *taps, *options)
    assert again.exit_code == 1
    assert f"setup/{FIRST}: is there already (give another --time)" in again.stderr


def test_the_same_figures_as_in_the_demo(shop):
    part, piece, taps, volume = shop
    run("setup", part, *taps, volume, "--piece", piece, "--time", "2026-02-08T08:00")
    mine = json.loads((part / "setup" / FIRST / "check.json").read_text(encoding="utf-8"))
    kept = json.loads((DEMO / "setup" / FIRST / "check.json").read_text(encoding="utf-8"))
    for one, other in zip(mine["methods"], kept["methods"], strict=True):
        assert one["outcome"] == other["outcome"] == "ready"
        assert None not in one["figures"]["values"].values()
        assert one["figures"]["values"] == pytest.approx(other["figures"]["values"], rel=1e-6)


def test_a_new_piece_cannot_say(shop):
    part, piece, taps, _ = shop
    shutil.rmtree(piece / "history")
    result = run("setup", part, *taps, "--piece", piece)
    assert result.exit_code == 0
    assert "Cannot say." in result.stdout
    assert "not known yet (0 earlier checks)" in result.stdout


def test_what_is_no_known_piece_is_refused_and_nothing_is_left(shop):
    part, piece, taps, _ = shop
    result = run("setup", part, *taps, "--piece", part)
    assert result.exit_code == 1
    assert (
        "is no known piece: no zone of its plan says what is known (add a [[zone.known]] table"
        in result.stderr
    )
    assert not (part / "setup").exists()
    result = run("setup", part, piece / "inspection.toml", "--piece", piece)
    assert result.exit_code == 1
    assert "holds no reading of the known piece" in result.stderr
    assert list((part / "setup").iterdir()) == []


def test_hands_are_compared(shop, tmp_path):
    part, piece, taps, _ = shop
    run("setup", part, *taps, "--piece", piece, "--time", "2026-02-08T08:00", "--operator", "Ann")
    missing = run("setup", part, "--operators", "Ann", "Ben")
    assert missing.exit_code == 1
    assert "holds no check of taps by Ben (make one: tapscan setup" in missing.stderr
    write_inspection(tmp_path / "ben", check_files(EARLIER + 1))
    more = sorted((tmp_path / "ben" / "taps").glob("*.wav"))
    run("setup", part, *more, "--piece", piece, "--time", "2026-02-08T16:00", "--operator", "Ben")
    found = json.loads(run("setup", part, "--json", "--operators", "Ann", "Ben").stdout)
    assert found["operators"] == ["Ann", "Ben"]
    shares = {one["name"]: one["share"] for one in found["components"]}
    assert shares["gauge"] + shares["part"] == pytest.approx(1.0, abs=1e-5)
    assert shares["part"] > 0.5


def test_the_template_of_a_piece_is_refused_until_it_is_filled_in(tmp_path):
    result = run("new", tmp_path / "piece", "--known-piece")
    assert result.exit_code == 0
    assert (tmp_path / "piece" / "inspection.toml").read_text(encoding="utf-8") == PIECE_TEMPLATE
    assert "respirator" in PIECE_TEMPLATE
    assert run("grid", tmp_path / "piece").exit_code == 1
    filled = PIECE_TEMPLATE.replace("stations = 0", "stations = 6").replace("positions = 0", "positions = 8")
    assert parse_plan(filled.replace("_mm = 0.0", "_mm = 10.0")).zones[0].known[1].size_mm == 10.0
    assert parse_plan(PIECE_PLAN).zones[0].known[0].thickness_mm == 2.4


def test_a_check_that_failed_after_the_work_is_on_report_and_terminal(tmp_path):
    part = tmp_path / "part"
    shutil.copytree(DEMO, part, ignore=shutil.ignore_patterns("results", "known-piece", "ascans"))
    path = part / "setup" / SECOND / "check.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    (level,) = [one for one in document["methods"][0]["items"] if one["name"].startswith("level of the taps")]
    level.update(outcome="not ready", because="taps arrive quieter than in the earlier checks (-9.0 dB)")
    path.write_text(json.dumps(document), encoding="utf-8")
    result = run("analyse", part)
    sentence = "The setup check for taps of 2026-02-08 16:00 UTC, after this work, failed."
    sentence = f"{sentence} Do not rely on these maps."
    assert sentence in result.stdout
    for name in ("report.html", "report_short.html"):
        assert sentence in (part / "results" / name).read_text(encoding="utf-8")
    summary = json.loads((part / "results" / "summary.json").read_text(encoding="utf-8"))
    assert {one["method"]: one["state"] for one in summary["setup"]["proofs"]}["tap"] == "failed after"
