import json
import sys

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from tapscan.capture.sound import sources
from tapscan.capture.sound.sources import Device
from tapscan.cli import main
from tests.capture.sounds import beam_tap, stream

RATE = 24_000


def run(*words):
    return CliRunner().invoke(main, ["capture", *map(str, words)])


@pytest.fixture
def walk(tmp_path):
    """Write a recording of so many taps."""

    def write(taps):
        path = tmp_path / "walk.wav"
        laid = [(0.5 + 0.3 * i, 0.3 + 0.01 * (i % 5), beam_tap(RATE)) for i in range(taps)]
        soundfile.write(path, stream(RATE, laid, 0.9 + 0.3 * taps), RATE, subtype="FLOAT")
        return path

    return write


@pytest.fixture
def no_library(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)


def kept(folder):
    return sorted(path.name for path in (folder / "taps").glob("*.wav"))


@pytest.mark.usefixtures("no_library")
def test_a_recording_is_heard_without_any_sound_library(folder, walk):
    result = run(folder, "--zone", "PL", "--from", walk(4))
    assert (result.exit_code, result.stderr) == (0, "")
    lines = result.stdout.splitlines()
    assert lines[0] == "next: PL-01-01"
    assert [line.split(" (")[0] for line in lines[1:6]] == [
        *["PL-01-01: tap 1 of 3 kept", "PL-01-01: tap 2 of 3 kept", "PL-01-01: tap 3 of 3 kept"],
        *["PL-01-01: complete", "next: PL-01-02"],
    ]
    assert lines[-2] == "1 of 6 points are complete."
    assert lines[-1].startswith("tapscan capture ")
    assert lines[-1].endswith("goes on at PL-01-02.")
    assert kept(folder) == ["PL-01-01.wav", "PL-01-01_2.wav", "PL-01-01_3.wav", "PL-01-02.wav"]


def test_it_goes_on_where_it_was_and_ends_when_nothing_is_left(folder, walk):
    run(folder, "--zone", "PL", "--from", walk(4))
    result = run(folder, "--zone", "PL", "--from", walk(20))
    assert result.exit_code == 0
    assert result.stdout.splitlines()[0] == "next: PL-01-02"
    assert "PL: every point is done" in result.stdout
    assert result.stdout.splitlines()[-2] == "6 of 6 points are complete."
    assert result.stdout.splitlines()[-1].startswith("tapscan analyse ")
    assert len(kept(folder)) == 18


def test_json_lines_begin_with_the_state(folder, walk):
    result = run(folder, "--zone", "pl", "--there-and-back", "--from", walk(10), "--json")
    assert result.exit_code == 0
    standing, *events = [json.loads(line) for line in result.stdout.splitlines()]
    assert (standing["event"], standing["sample_rate_hz"], standing["point"]) == (
        "standing",
        RATE,
        "PL-01-01",
    )
    assert [one["point"] for one in standing["points"]][3:] == ["PL-02-03", "PL-02-02", "PL-02-01"]
    accepted = [one for one in events if one["event"] == "accepted"]
    assert [one["number"] for one in accepted] == [1, 2, 3] * 3 + [1]
    np.testing.assert_allclose([one["time_s"] for one in accepted], 0.5 + 0.3 * np.arange(10), atol=1e-3)
    assert {"level", "point complete", "moved"} <= {one["event"] for one in events}


def test_devices_are_listed_by_name(monkeypatch):
    found = (Device(0, "Mic", 1, 44_100.0, is_default=False), Device(12, "USB", 2, 48_000.0, is_default=True))
    monkeypatch.setattr(sources, "input_devices", lambda: found)
    assert run("--devices").stdout == (
        "  0  Mic (1 channel, 44,100 Hz)\n 12  USB (2 channels, 48,000 Hz, taken unless another is named)\n"
    )
    first, second = json.loads(run("--devices", "--json").stdout)
    assert first["name"] == "Mic"
    assert (second["number"], second["channels"], second["is_default"]) == (12, 2, True)


@pytest.mark.usefixtures("no_library")
@pytest.mark.parametrize("words", [["--devices"], ["{folder}"]])
def test_without_a_sound_library_there_is_one_sentence(folder, words):
    result = run(*[word.format(folder=folder) for word in words])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr == (
        "tapscan: capture: recording needs the Python package sounddevice, which is not installed "
        "(run: pip install 'tapscan[capture]')\n"
    )
    assert not (folder / "capture").exists()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--zone", "XX"], "the plan has no zone XX"),
        (["--from", "nowhere.wav"], "nowhere.wav: "),
    ],
)
def test_what_cannot_be_done_is_one_sentence(folder, walk, words, sentence):
    result = run(folder, "--from", walk(1), *words)
    assert result.exit_code == 1
    assert result.stderr.startswith("tapscan: ")
    assert sentence in result.stderr
    assert result.stderr.count("\n") == 1
    assert kept(folder) == []


def test_without_a_folder_the_usage_is_reported():
    result = run()
    assert result.exit_code == 2
    assert "Missing argument 'DIR'" in result.stderr
