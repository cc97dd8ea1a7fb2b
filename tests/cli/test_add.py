import json
import subprocess
import sys

import pytest
from click.testing import CliRunner

from tapscan.cli import main


def run(*words):
    return CliRunner().invoke(main, ["add", *map(str, words)])


def test_files_are_added_by_name(folder, taps_wav, tmp_path):
    files = [taps_wav(tmp_path / "recorder" / f"BM-01-0{i}.wav") for i in range(1, 7)]
    result = run(folder, *files)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert result.stdout == (
        "Added: 6 (taps/BM-01-01.wav, taps/BM-01-02.wav, taps/BM-01-03.wav, taps/BM-01-04.wav, "
        "taps/BM-01-05.wav … taps/BM-01-06.wav)\n"
    )
    assert run(folder, files[0]).stdout == "There already: 1 (taps/BM-01-01.wav)\n"


def test_a_refused_file_is_a_line_and_status_1_and_the_others_are_added(folder, taps_wav, tmp_path):
    good = taps_wav(tmp_path / "recorder" / "BM-01-01.wav")
    bad = taps_wav(tmp_path / "recorder" / "BM-02-05.wav")
    result = run(folder, bad, good)
    assert result.exit_code == 1
    assert result.stdout == "Added: 1 (taps/BM-01-01.wav)\nRefused: 1\n"
    assert result.stderr == (
        "tapscan: recorder/BM-02-05.wav: is at BM-02-05, which the plan skips "
        "(take the point out of skip, or move the file away)\n"
    )
    document = json.loads(run(folder, bad, good, "--json").stdout)
    assert document["written"] == []
    assert document["unchanged"] == [{"from": "recorder/BM-01-01.wav", "to": "taps/BM-01-01.wav"}]
    assert len(document["refused"]) == 1


def test_a_walk_is_split(folder, taps_wav, tmp_path):
    walk = taps_wav(tmp_path / "recorder" / "walk.wav", 6)
    result = run(folder, walk, "--zone", "PL", "--json")
    assert result.exit_code == 0
    assert [pair["to"] for pair in json.loads(result.stdout)["written"]] == [
        f"taps/PL-{point}.wav" for point in ("01-01", "01-02", "01-03", "02-01", "02-02", "02-03")
    ]
    part = run(folder, walk, "--zone", "BM", "--from", "04-01", "--to", "04-06")
    assert part.exit_code == 0
    assert "Added: 6 (taps/BM-04-01.wav" in part.stdout


def test_there_and_back(folder, taps_wav, tmp_path):
    walk = taps_wav(tmp_path / "recorder" / "walk.wav", 6)
    result = run(folder, walk, "--zone", "PL", "--there-and-back", "--json")
    targets = [pair["to"] for pair in json.loads(result.stdout)["written"]]
    assert targets[3:] == ["taps/PL-02-03.wav", "taps/PL-02-02.wav", "taps/PL-02-01.wav"]


def test_a_walk_that_does_not_fit_is_one_line_and_writes_nothing(folder, taps_wav, tmp_path):
    result = run(folder, taps_wav(tmp_path / "recorder" / "walk.wav", 5), "--zone", "PL")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.startswith(
        "tapscan: recorder/walk.wav: holds 15 taps, and 6 points × 3 need 18; nothing"
    )
    assert result.stderr.count("\n") == 1
    assert not list((folder / "taps").iterdir())


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["a.wav", "--from", "01-01"], "--from, --to, --there-and-back and --keep-uneven belong to --zone"),
        (["a.wav", "--there-and-back"], "belong to --zone"),
        (["a.wav", "b.wav", "--zone", "BM"], "--zone takes one FILE"),
        ([], "Missing argument 'FILE...'"),
    ],
)
def test_wrong_usage_is_status_2(folder, words, message):
    result = run(folder, *words)
    assert result.exit_code == 2
    assert message in result.stderr


@pytest.mark.usefixtures("folder")
def test_as_a_program(taps_wav, tmp_path):
    taps_wav(tmp_path / "recorder" / "BM-01-01.wav")
    (tmp_path / "recorder" / "BM-01-02.wav").write_bytes(b"")
    command = [sys.executable, "-m", "tapscan", "add", "my-part", "recorder/BM-01-01.wav"]
    good = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (good.returncode, good.stdout, good.stderr) == (0, "Added: 1 (taps/BM-01-01.wav)\n", "")
    command[-1] = "recorder/BM-01-02.wav"
    bad = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert bad.returncode == 1
    assert bad.stderr == "tapscan: recorder/BM-01-02.wav: is empty (0 bytes) (record or export it again)\n"
